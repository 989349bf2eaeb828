"""The chance that a paint is the nearest, and the interval of a difference, beside plain chance."""

import numpy as np

from fragkit.colour import delta_e00
from fragkit.colour.paints import difference_interval, nearest_chances

LAB = np.array([55.0, 8.0, 22.0])
ROOT = np.array([[0.9, 0.0, 0.0], [0.3, 0.7, 0.0], [-0.2, 0.4, 1.1]])
PAINTS = [("ochre", (56.0, 8.5, 23.0)), ("umber", (54.2, 7.0, 21.0)), ("sienna", (55.5, 10.0, 22.5))]


def draws() -> np.ndarray:
    return np.random.default_rng(3).normal(size=(50_000, 3)) @ ROOT.T


def test_chances_are_those_of_plain_chance():
    away = np.array([delta_e00(LAB + draws(), paint) for _, paint in PAINTS])
    expected = np.bincount(away.argmin(axis=0), minlength=3) / away.shape[1]
    found = nearest_chances(LAB, ROOT @ ROOT.T, PAINTS)
    # 1,024 evenly spread draws: own measurement, a hundredth at most over twelve lists of six paints
    np.testing.assert_allclose([found[name] for name, _ in PAINTS], expected, rtol=0, atol=0.01)


def test_the_ends_of_an_interval_are_odd_by_a_fortieth_each():
    other = LAB + [2.0, -1.0, 1.5]
    low, high = difference_interval(LAB, other, ROOT @ ROOT.T)
    found, line = float(delta_e00(LAB, other)), LAB - other
    scales = np.linspace(0.0, 4.0, 161)
    differences = delta_e00(other + scales[:, None] * line, other)
    above = [float(np.mean(delta_e00(other + scale * line + draws(), other) >= found)) for scale in scales[::8]]
    shares = np.interp([low, high], differences[::8], above)
    np.testing.assert_allclose(shares, [0.025, 0.975], rtol=0, atol=0.01)  # of 1,024 draws
