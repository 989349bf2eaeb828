"""Copies combined: damage, alignment and resolution against known images."""

import numpy as np
import pytest
from scipy import ndimage

from fragkit.errors import EstimationError
from fragkit.motifs import combine_copies, ring_correlation

SIZE = 96


def ornament(rng: np.random.Generator, *, fine_px: float = 2.0) -> np.ndarray:
    image = ndimage.gaussian_filter(rng.normal(size=(SIZE, SIZE)), fine_px, mode="wrap")
    return (image - image.mean()) / image.std()


def displaced(image: np.ndarray, shifts_px: np.ndarray) -> np.ndarray:
    return np.array([ndimage.fourier_shift(np.fft.fft2(image), s[::-1]) for s in shifts_px])


def noisy_copies(seed: int, *, n: int, signal: float = 1.0, sd_px: float = 0.5) -> tuple[np.ndarray, np.ndarray]:
    """Copies at signal to noise `signal`, displaced, and the same ones undisplaced."""
    rng = np.random.default_rng(seed)
    image, shifts = signal * ornament(rng), rng.normal(0.0, sd_px, (n, 2))
    noise = rng.normal(size=(n, SIZE, SIZE))
    return np.fft.ifft2(displaced(image, shifts)).real + noise, image + noise


def damaged_copies(seed: int, *, n: int, share: float) -> tuple[np.ndarray, np.ndarray]:
    """Copies at signal to noise 1, a share of each brightened by four deviations in patches, and the truth."""
    rng = np.random.default_rng(seed)
    image = ornament(rng)
    fields = ndimage.gaussian_filter(rng.normal(size=(n, SIZE, SIZE)), (0.0, 8.0, 8.0))
    torn = fields > np.quantile(fields, 1.0 - share, axis=(1, 2), keepdims=True)
    return image + rng.normal(size=(n, SIZE, SIZE)) + 4.0 * torn, image


def test_one_sided_damage_does_not_pull_the_mean():
    copies, truth = damaged_copies(50, n=30, share=0.3)
    found = combine_copies(copies, search_px=0.0)
    error = found.mean - truth
    assert abs(error.mean()) < 0.05
    assert error.std() < 1.25 / np.sqrt(30.0)
    assert 0.9 < (error / found.sd).std() < 1.2
    # what is usual falls for it
    assert (np.median(copies, axis=0) - truth).mean() > 0.5


def test_halves_reach_the_resolution_of_perfect_alignment():
    copies, straight = noisy_copies(51, n=64)
    found = combine_copies(copies, mm_per_px=0.4).resolution
    perfect = ring_correlation(straight[::2].mean(0), straight[1::2].mean(0))
    assert found.limit_cycles_per_px > max(0.183, 0.95 * perfect.limit_cycles_per_px)
    assert found.limit_cycles_per_mm == pytest.approx(found.limit_cycles_per_px / 0.4)
    assert found.finest_mm == pytest.approx(0.5 / found.limit_cycles_per_mm)


def test_noise_alone_shows_nothing():
    for seed in (60, 61):
        copies = np.random.default_rng(seed).normal(size=(64, SIZE, SIZE))
        assert combine_copies(copies).resolution.limit_cycles_per_px <= 0.03


def test_shifts_are_found():
    rng = np.random.default_rng(52)
    image, shifts = ornament(rng), rng.normal(0.0, 0.5, (40, 2))
    copies = np.fft.ifft2(displaced(image, shifts)).real + 0.5 * rng.normal(size=(40, SIZE, SIZE))
    error = combine_copies(copies).shifts_px + shifts
    # a hundredth or two of a pixel: noise; the mean is free
    assert (error - error.mean(0)).std() < 0.04


def test_what_lies_outside_the_picture_does_not_count():
    copies, truth = damaged_copies(53, n=20, share=0.0)
    seen = np.ones(copies.shape, bool)
    seen[:10, :, :40] = False
    found = combine_copies(np.where(seen, copies, 99.0), seen=seen, search_px=0.0)
    assert found.support[:, :40].max() <= 10.0
    # one copy's noise over the root of ten
    assert (found.mean - truth)[:, :40].std() == pytest.approx(1.0 / np.sqrt(10.0), abs=0.05)


def test_ring_correlation_by_hand():
    x = np.arange(64)
    wave = 2.0 * np.cos(2.0 * np.pi * 8.0 * x / 64.0) * np.ones((64, 1))
    rng = np.random.default_rng(3)
    found = ring_correlation(wave + rng.normal(size=(64, 64)), wave + rng.normal(size=(64, 64)))
    ring = int(np.argmin(np.abs(found.frequency - 0.125)))
    # the wave holds nearly all there is at 8 cycles in 64 pixels; away from it there is noise, of 2 in √n
    assert found.correlation[ring] > 0.9
    assert np.abs(found.correlation[found.frequency > 0.25]).max() < 0.25


def test_arguments_that_do_not_fit():
    with pytest.raises(ValueError, match="two images of the same size"):
        ring_correlation(np.zeros((20, 20)), np.zeros((20, 21)))
    with pytest.raises(ValueError, match="give \\(n, h, w\\)"):
        combine_copies(np.zeros((20, 20)))
    with pytest.raises(ValueError, match="make them the same"):
        combine_copies(np.zeros((5, 20, 20)), seen=np.ones((4, 20, 20), bool))
    with pytest.raises(EstimationError, match="Needed: 4 or more"):
        combine_copies(np.zeros((3, 20, 20)))
