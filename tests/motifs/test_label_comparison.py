"""Two readings compared, counted by hand."""

import numpy as np
import pytest

from fragkit.errors import EstimationError
from fragkit.motifs import compare_labels


def test_difference_by_hand():
    first = np.array([[1, 1, 3, 3, 0], [1, 4, 3, 2, 1]], np.uint8)
    second = np.array([[1, 1, 3, 2, 1], [1, 4, 3, 2, 0]], np.uint8)
    found = compare_labels(first, second)
    # eight pixels read by both, seven alike
    assert found.n_px == 8
    assert found.agreement_ratio == 7 / 8
    # by chance: ground 3 × 3, shadow 1 × 2, metal 3 × 2, loss 1 × 1 of 64
    assert found.kappa == pytest.approx((7 / 8 - 18 / 64) / (1 - 18 / 64))
    np.testing.assert_allclose(found.overlaps[1:5], [1.0, 0.5, 2 / 3, 1.0], rtol=0, atol=1e-12)
    assert found.overlaps[5] == -1.0
    assert found.rows() == (("metal", "shadow", 1, 1 / 8),)
    assert found.different.sum() == 1
    assert found.different[0, 3]


def test_one_reading_agrees_with_itself():
    codes = np.random.default_rng(1).integers(1, 6, (30, 40)).astype(np.uint8)
    found = compare_labels(codes, codes)
    assert (found.agreement_ratio, found.kappa, found.rows()) == (1.0, 1.0, ())
    assert "100.0 %" in found._repr_html_()


def test_unrelated_readings_have_no_kappa():
    rng = np.random.default_rng(2)
    found = compare_labels(*rng.integers(1, 6, (2, 200, 200)))
    # 40 000 pixels: chance moves kappa by some thousandths
    assert abs(found.kappa) < 0.02


def test_what_cannot_be_compared():
    with pytest.raises(ValueError, match="two readings of the same photograph"):
        compare_labels(np.ones((2, 3)), np.ones((3, 2)))
    with pytest.raises(ValueError, match="beyond 0 to 5"):
        compare_labels(np.full((2, 3), 9), np.ones((2, 3)))
    with pytest.raises(EstimationError, match="no pixel read by both"):
        compare_labels(np.zeros((2, 3)), np.ones((2, 3)))
