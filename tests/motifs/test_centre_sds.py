"""Stated uncertainty of centres where copies differ in form, and a boxed example; scenes of the second generator."""

import cv2
import numpy as np
import pytest
from independent_scene import Recipe, paint
from scipy.spatial import cKDTree

from fragkit.motifs import find_centres
from fragkit.net import Net
from fragkit.rectify import Picture


def painted_by_hand(seed: int, motif: str) -> tuple[Picture, Net, dict]:
    """A true-scale picture of 0.5 mm a pixel whose copies are turned, stretched and bent each in its own way."""
    recipe = Recipe(seed=seed, motif=motif, width=520, height=420)
    canvas, truth = paint(recipe)
    small = cv2.GaussianBlur(canvas.astype(np.float32), (0, 0), 1.1)[::2, ::2]
    noisy = small + np.random.default_rng(seed).normal(0, 3, small.shape)
    pixels = np.clip(noisy, 0, 255).astype(np.uint8)
    covered = np.ones(pixels.shape[:2], bool)
    picture = Picture(pixels=pixels, mm_per_px=0.5, origin_mm=np.array([0.125, 420 - 0.125]), coverage=covered)
    figures = {"support": 1.0, "explained": 1.0, "evidence": 9.0, "independent_evidence": 9.0, "contrast_evidence": 9.0}
    return picture, Net(a_mm=truth["a"], b_mm=truth["b"], net_type="rectangular", **figures), truth


def share_inside(centres, truth) -> float:
    """Share of the found centres whose true place lies in the stated 95 % ellipse, one common offset removed."""
    found = centres.found
    near, own = cKDTree(truth["centres"]).query(centres.xy_mm[found])
    real = near < 8.0
    error = (centres.xy_mm[found] - truth["centres"][own])[real]
    error -= error.mean(0)
    distance = np.einsum("ni,nij,nj->n", error, np.linalg.inv(centres.cov_mm2[found][real]), error)
    return float((distance < 5.991).mean())  # 95 % of chi-squared with two degrees of freedom


def test_ellipses_hold_where_forms_differ_from_copy_to_copy():
    picture, net, truth = painted_by_hand(1, "shell")
    assert share_inside(find_centres(picture, net), truth) >= 0.85  # some 30 centres: 0.95 less two of their own sd


def test_an_example_says_where_in_the_cell_to_look():
    picture, net, truth = painted_by_hand(1, "shell")
    best = truth["centres"][np.argmax(truth["visible"])]
    centres = find_centres(picture, net, example_mm=(*(best - 19.0), *(best + 19.0)))
    near, _ = cKDTree(truth["centres"]).query(centres.xy_mm[centres.found])
    assert (near < 8.0).mean() >= 0.97


@pytest.mark.benchmark
def test_share_inside_the_ellipses():
    """Asked 93-97 % over all; 12 pictures of three motifs, about 380 centres."""
    shares = {}
    for seed in range(300, 304):
        for motif in ("shell", "bell", "trefoil"):
            picture, net, truth = painted_by_hand(seed, motif)
            shares[seed, motif] = share_inside(find_centres(picture, net), truth)
            print(f"{motif:8s} {seed}  {shares[seed, motif]:.3f}")
    print(f"asked 0.93 to 0.97, measured {np.mean(list(shares.values())):.3f}")
    assert 0.9 <= np.mean(list(shares.values())) <= 0.99
