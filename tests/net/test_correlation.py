"""Masked autocorrelation against direct sums."""

import numpy as np

from fragkit.net.correlation import above_background, autocorrelation, overlap_of


def direct(values: np.ndarray, weight: np.ndarray, dy: int, dx: int) -> float:
    """Σ w f · w′f′ / √(Σ w′ w f² · Σ w w′f′²), written out as loops over the overlap."""
    mean = (values * weight[..., None]).sum((0, 1)) / weight.sum()
    f = (values - mean) * weight[..., None]
    h, w = weight.shape
    top = left = right = 0.0
    for y in range(h):
        for x in range(w):
            yy, xx = y + dy, x + dx
            if 0 <= yy < h and 0 <= xx < w:
                top += (f[y, x] * f[yy, xx]).sum()
                left += weight[yy, xx] * (f[y, x] ** 2).sum()
                right += weight[y, x] * (f[yy, xx] ** 2).sum()
    return top / np.sqrt(left * right)


def test_fft_agrees_with_direct_sums():
    rng = np.random.default_rng(3)
    values = rng.normal(size=(21, 26, 2)).astype(np.float32)
    weight = (rng.random((21, 26)) > 0.25).astype(np.float32)
    correlation, overlap = autocorrelation(values, overlap_of(weight, largest_lag_px=(8, 9)))
    assert correlation.shape == overlap.shape == (17, 19)
    for dy, dx in ((0, 0), (0, 5), (3, -4), (-7, 2), (8, 9)):
        expected = direct(values.astype(float), weight.astype(float), dy, dx)
        assert abs(correlation[8 + dy, 9 + dx] - expected) < 2e-5  # float32 transforms


def test_correlation_is_even_bounded_and_one_at_no_lag():
    rng = np.random.default_rng(5)
    values = rng.normal(size=(40, 50, 3)).astype(np.float32)
    weight = np.ones((40, 50), np.float32)
    weight[10:20, 5:30] = 0
    correlation, _ = autocorrelation(values, overlap_of(weight, largest_lag_px=(20, 25)))
    np.testing.assert_allclose(correlation, correlation[::-1, ::-1], rtol=0, atol=1e-5)  # float32
    assert correlation[20, 25] > 0.999
    assert np.abs(correlation).max() <= 1.0


def test_lags_without_overlap_and_blank_pictures_give_nought():
    weight = np.zeros((30, 30), np.float32)
    weight[:, :5] = 1.0
    values = np.random.default_rng(1).normal(size=(30, 30, 1)).astype(np.float32)
    correlation, overlap = autocorrelation(values, overlap_of(weight, largest_lag_px=(10, 15)))
    assert not correlation[:, :5].any()
    assert not overlap[:, :5].any()
    blank, _ = autocorrelation(np.zeros((30, 30, 1), np.float32), overlap_of(weight, largest_lag_px=(10, 15)))
    assert not blank.any()


def test_a_ridge_is_no_peak_but_a_bump_on_it_is():
    y, x = np.mgrid[-60:61, -60:61]
    ridge = np.exp(-0.5 * (y / 2.0) ** 2)
    bump = 0.3 * np.exp(-0.5 * ((x - 30) ** 2 + y**2) / 4.0)
    rise = above_background((ridge + bump).astype(np.float32), np.ones_like(ridge, np.float32), inner_px=7, outer_px=20)
    assert abs(rise[60, 60]) < 0.12  # the surroundings are read a little wide: 1 - 2/sqrt(5)
    assert rise[60, 90] > 0.25
