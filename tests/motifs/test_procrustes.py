"""Procrustes alignment against published shape data and shapes turned by hand."""

import csv
import json
from pathlib import Path

import numpy as np
import pytest
from scipy.spatial import procrustes

from fragkit.errors import EstimationError
from fragkit.motifs import align_shapes, shape_distance

FOLDER = Path(__file__).resolve().parents[1] / "reference" / "shape"
REFERENCE = json.loads((FOLDER / "shape_reference.json").read_text(encoding="utf-8"))


def shapes_of(name: str) -> np.ndarray:
    with (FOLDER / name).open(encoding="utf-8", newline="") as file:
        rows = [(int(r["specimen"]), int(r["landmark"]), float(r["x"]), float(r["y"])) for r in csv.DictReader(file)]
    n, k = max(r[0] for r in rows), max(r[1] for r in rows)
    out = np.zeros((n, k, 2))
    for specimen, landmark, x, y in rows:
        out[specimen - 1, landmark - 1] = x, y
    return out


def mean_of(name: str) -> np.ndarray:
    return np.loadtxt(FOLDER / name, delimiter=",", skiprows=1)[:, 1:]


@pytest.mark.parametrize(
    ("key", "mean", "percent"),
    [
        ("gorilla_female", "gorf_full_procrustes_mean.csv", 0.2),
        ("gorilla_male", "gorm_full_procrustes_mean.csv", 0.2),
        ("digit3", "digit3_full_procrustes_mean.csv", 4.0),
    ],
)
def test_published_shapes(key, mean, percent):
    """Dryden and Mardia (2016), as distributed with the R package shapes; tolerances of that reference."""
    expected = REFERENCE[key]
    found = align_shapes(shapes_of(expected["file"]))
    assert found.rms_distance == pytest.approx(expected["rms_full_procrustes_distance_to_mean"], abs=1e-5)
    rms = np.sqrt(np.mean(found.riemannian_distances**2))
    assert rms == pytest.approx(expected["rms_riemannian_distance_to_mean"], abs=1e-5)
    assert found.centroid_sizes.mean() == pytest.approx(expected["mean_centroid_size"], abs=1e-5)
    assert shape_distance(found.mean, mean_of(mean)) < 1e-5
    # tangent projections differ between programs, so the shares do
    np.testing.assert_allclose(100.0 * found.variance_ratios[:4], expected["pc_percent_tangent"], rtol=0, atol=percent)


def test_distance_between_published_means():
    female, male = (align_shapes(shapes_of(f"gorilla_{sex}.csv")).mean for sex in ("female", "male"))
    expected = REFERENCE["gorilla_mean_difference"]
    assert shape_distance(female, male) == pytest.approx(expected["riemannian_distance"], abs=1e-5)
    assert shape_distance(female, male) == pytest.approx(expected["published_rounded"], abs=5e-4)


def test_two_shapes_against_another_program():
    young, old = shapes_of("sooty_juvenile_adult.csv")[:2]
    rho = shape_distance(young, old)
    assert np.sin(rho) == pytest.approx(REFERENCE["sooty"]["full_procrustes_distance"], abs=1e-6)
    assert np.sin(rho) ** 2 == pytest.approx(procrustes(young, old)[2], abs=1e-9)


def test_place_turn_and_size_are_taken_off():
    square = np.array([[0.0, 0.0], [2.0, 0.0], [2.0, 1.0], [0.0, 1.0]])
    turn = np.radians(30.0)
    rotation = np.array([[np.cos(turn), -np.sin(turn)], [np.sin(turn), np.cos(turn)]])
    found = align_shapes([square, 3.0 * square @ rotation.T + [7.0, -4.0]])
    assert found.rms_distance < 1e-7
    # by hand: half the diagonal is √5/2, four corners
    np.testing.assert_allclose(found.centroid_sizes, [np.sqrt(5.0), 3.0 * np.sqrt(5.0)], rtol=0, atol=1e-12)
    np.testing.assert_allclose(found.turns_deg, [15.0, -15.0], rtol=0, atol=1e-9)


def test_a_mirror_image_is_another_shape():
    scalene = np.array([[0.0, 0.0], [4.0, 0.0], [1.0, 2.0]])
    assert shape_distance(scalene, scalene * [-1.0, 1.0]) > 0.3


def test_spread_is_that_of_the_points():
    rng = np.random.default_rng(4)
    angle = np.linspace(0.0, 2.0 * np.pi, 40, endpoint=False)
    circle = 20.0 * np.column_stack([np.cos(angle), 1.5 * np.sin(angle)])
    found = align_shapes(circle + rng.normal(0.0, 0.3, (200, 40, 2)))
    # 0.3 mm per coordinate, two of them; four of eighty degrees of freedom go to place, turn and size
    assert found.spread == pytest.approx(0.3 * np.sqrt(2.0 * 76.0 / 80.0), abs=0.01)


def test_what_cannot_be_compared():
    with pytest.raises(ValueError, match="give \\(n, k, 2\\)"):
        align_shapes(np.zeros((4, 2)))
    with pytest.raises(ValueError, match="all its points in one place"):
        align_shapes(np.zeros((2, 4, 2)))
    with pytest.raises(EstimationError, match="two shapes of three points"):
        align_shapes(np.ones((1, 4, 2)))
