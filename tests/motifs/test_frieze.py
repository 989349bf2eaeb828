"""A single row from its picture to its centres: found, exact, and refused as a net of two directions in plain words."""

import cv2
import numpy as np
import pytest

from fragkit.errors import EstimationError
from fragkit.lattice import fit_lattice, fit_row
from fragkit.motifs import find_centres
from fragkit.net import find_nets
from fragkit.rectify import Picture

MM_PER_PX, STEP_MM = 0.8, 50.0


def draw_frieze(seed: int) -> tuple[Picture, np.ndarray]:
    """One row of discs with a bite, a fifth of them missing, on a clouded ground; and the true middles (n, 2)."""
    rng = np.random.default_rng([seed, 61])
    picture = np.full((420, 760, 3), 90.0, np.float32)
    cloud = cv2.GaussianBlur(rng.standard_normal(picture.shape[:2]).astype(np.float32), (0, 0), 20)
    true = []
    for k in range(13):
        if rng.random() >= 0.2:
            x, y = np.array([20.0 + k * STEP_MM / MM_PER_PX, 190.0 + 0.03 * k * STEP_MM]) + rng.normal(0, 0.8, 2)
            cv2.circle(picture, (round(16 * x), round(16 * y)), 16 * 19, (210, 190, 120), -1, cv2.LINE_AA, 4)
            cv2.circle(picture, (round(16 * x + 96), round(16 * y)), 16 * 9, (90, 90, 90), -1, cv2.LINE_AA, 4)
            true.append([x * MM_PER_PX, -y * MM_PER_PX])
    noisy = picture + 8.0 * (cloud / cloud.std())[..., None] + rng.normal(0, 8, picture.shape)
    pixels = np.clip(noisy, 0, 255).astype(np.uint8)
    covered = np.ones(pixels.shape[:2], bool)
    return Picture(pixels=pixels, mm_per_px=MM_PER_PX, origin_mm=np.zeros(2), coverage=covered), np.array(true)


@pytest.mark.parametrize("seed", [3, 4])
def test_a_row_is_followed_from_its_picture_to_its_centres(seed):
    picture, true = draw_frieze(seed)
    net = find_nets(picture).best
    assert net.net_type == "frieze"
    assert np.hypot(*net.a_mm) == pytest.approx(STEP_MM, abs=0.75)
    centres = find_centres(picture, net)
    xy = centres.xy_mm[centres.found]
    assert len(np.unique(centres.index[centres.found][:, 1])) == 1
    away = np.hypot(*(xy[:, None] - true[None]).transpose(2, 0, 1))
    assert (away.min(1) < 7.5).all()
    inside = (true[:, 0] > 16) & (true[:, 0] < 760 * MM_PER_PX - 16)
    assert (away.min(0)[inside] < 7.5).all()
    row = fit_row(centres)
    assert abs(row.length_mm - np.hypot(STEP_MM, 0.03 * STEP_MM * MM_PER_PX)) < 4.0 * row.length_sd_mm
    assert row.length_sd_mm < 0.5
    error = xy - true[away.argmin(1)]
    assert np.abs(error - error.mean(0)).max() < 0.4  # half a pixel


def test_a_row_has_no_net_of_two_directions():
    picture, _ = draw_frieze(3)
    with pytest.raises(EstimationError, match=r"centres in a single row\. Needed: .* two rows"):
        fit_lattice(find_centres(picture, find_nets(picture).best))
