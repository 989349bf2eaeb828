"""How fine a detail two halves of the evidence agree on: the Fourier ring correlation."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from fragkit.card import card
from fragkit.frozen import frozen_array
from fragkit.sketch import sketch_curve

FloatArray = NDArray[np.float64]

LEVEL = 1.0 / 7.0
"""Correlation of two halves at which their mean correlates by one half with the truth."""
CHANCE_SD = 2.5
"""A ring counts when it is above this many standard deviations of unrelated halves as well."""
TAPER_RATIO = 0.08
RING_PX = 1.0


@dataclass(frozen=True, eq=False, kw_only=True)
class RingCorrelation:
    """Agreement of two halves by the fineness of detail.

    Attributes
    ----------
    frequency : (k,) array
        Middle of each ring, cycles per pixel.
    correlation : (k,) array
    n_values : (k,) array
        Independent Fourier values in each ring.
    limit_cycles_per_px : float
        Frequency up to which the halves agree; 0 where they agree on nothing.
    limit_cycles_per_mm : float or None
        The same per mm, where the pixel's size is given.
    finest_mm : float or None
        Half a period at the limit: the narrowest line that both halves show. None where nothing is agreed on.
    """

    frequency: FloatArray
    correlation: FloatArray
    n_values: FloatArray
    limit_cycles_per_px: float
    limit_cycles_per_mm: float | None
    finest_mm: float | None

    def __repr__(self) -> str:
        finest = "" if self.finest_mm is None else f", {self.finest_mm:.2f} mm"
        return f"<RingCorrelation: halves agree to {self.limit_cycles_per_px:.3f} cycles per px{finest}>"

    def _repr_html_(self) -> str:
        finest = "nothing" if self.finest_mm is None else f"{self.finest_mm:.2f} mm"
        rows = [
            ("halves agree up to", f"{self.limit_cycles_per_px:.3f} cycles per px"),
            ("narrowest line shown by both", finest),
        ]
        label = "Agreement of two halves of the examples by the fineness of detail"
        drawn = sketch_curve(label, self.frequency, self.correlation, x_name="cycles per px", y_name="agreement")
        return card("Resolution", rows, drawing=drawn)


def ring_correlation(first: ArrayLike, second: ArrayLike, *, mm_per_px: float | None = None) -> RingCorrelation:
    """Fourier ring correlation of two images (h, w) of the same thing, and the frequency up to which they agree.

    Parameters
    ----------
    first, second : (h, w) arrays
        Means of two halves of the evidence that were aligned and averaged independently.
    mm_per_px : float, optional
        Size of a pixel, to give the limit in millimetres too.

    Raises
    ------
    ValueError
        If the images differ in shape or are smaller than 16 px.

    Notes
    -----
    FRC(f) = Re Σ A B* / √(Σ |A|² Σ |B|²) over the ring at f. The limit is where the curve first falls below 1/7 or
    below what unrelated halves reach by chance (2.5/√n). Both images get the same soft border, no other mask.

    References
    ----------
    Saxton, W. O., Baumeister, W. (1982) J. Microsc. 127, 127-138; Rosenthal, P. B., Henderson, R. (2003) J. Mol.
    Biol. 333, 721-745 (the level 1/7).
    """
    one, other = np.asarray(first, float), np.asarray(second, float)
    if one.shape != other.shape or one.ndim != 2 or min(one.shape) < 16:
        raise ValueError(f"Shapes are {one.shape} and {other.shape}; give two images of the same size, 16 px or more.")
    a, b = (np.fft.fft2(_tapered(image)) for image in (one, other))
    reach = np.hypot(np.fft.fftfreq(one.shape[0])[:, None], np.fft.fftfreq(one.shape[1]))
    width = RING_PX / min(one.shape)
    ring = np.round(reach / width).astype(int).ravel()
    n_rings = int(0.5 / width)
    cross = _sums((a * b.conj()).real, ring, n_rings)
    power = np.sqrt(_sums(np.abs(a) ** 2, ring, n_rings) * _sums(np.abs(b) ** 2, ring, n_rings))
    correlation = cross / np.maximum(power, 1e-300)
    n_values = _sums(np.ones(one.shape), ring, n_rings) / 2.0
    frequency = np.arange(1, n_rings + 1) * width
    limit = _limit(frequency, correlation, n_values)
    per_mm = None if mm_per_px is None else limit / mm_per_px
    return RingCorrelation(
        frequency=frozen_array(frequency),
        correlation=frozen_array(correlation),
        n_values=frozen_array(n_values),
        limit_cycles_per_px=limit,
        limit_cycles_per_mm=per_mm,
        finest_mm=0.5 / per_mm if per_mm else None,
    )


def _limit(frequency: FloatArray, correlation: FloatArray, n_values: FloatArray) -> float:
    """Where the curve, averaged over three rings, first falls below its level; between rings linearly."""
    weight = np.convolve(n_values, np.ones(3), "same")
    smooth = np.convolve(correlation * n_values, np.ones(3), "same") / weight
    above = smooth - np.maximum(LEVEL, CHANCE_SD / np.sqrt(weight * (1.0 - TAPER_RATIO) ** 2))
    below = np.flatnonzero(above < 0.0)
    if len(below) == 0:
        return float(frequency[-1])
    k = int(below[0])
    if k == 0:
        return 0.0
    return float(frequency[k - 1] + (frequency[k] - frequency[k - 1]) * above[k - 1] / (above[k - 1] - above[k]))


def _tapered(image: FloatArray) -> FloatArray:
    """The image about its mean, falling to 0 at the border."""
    rows, columns = (_taper(n) for n in image.shape)
    window = rows[:, None] * columns
    return np.asarray((image - np.average(image, weights=window)) * window)


def _taper(n: int) -> FloatArray:
    away = np.minimum(np.arange(n) + 0.5, n - np.arange(n) - 0.5) / (TAPER_RATIO * n)
    return np.asarray(0.5 - 0.5 * np.cos(np.pi * np.minimum(away, 1.0)))


def _sums(values: FloatArray, ring: NDArray[np.int64], n_rings: int) -> FloatArray:
    return np.asarray(np.bincount(ring, values.ravel(), minlength=n_rings + 1)[1 : n_rings + 1], float)
