"""CIEDE2000 against its published pairs."""

import csv
from pathlib import Path

import numpy as np
from skimage.color import deltaE_ciede2000

from fragkit.colour import delta_e00

PAIRS = Path(__file__).parents[1] / "reference" / "colour" / "ciede2000_sharma2005.csv"


def pairs() -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    with PAIRS.open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    first = np.array([[float(row[k]) for k in ("L1", "a1", "b1")] for row in rows])
    second = np.array([[float(row[k]) for k in ("L2", "a2", "b2")] for row in rows])
    return first, second, np.array([float(row["dE00"]) for row in rows])


def test_all_published_pairs():
    # Sharma, Wu and Dalal (2005), Table 1: printed to four decimals
    first, second, published = pairs()
    assert len(published) == 34
    np.testing.assert_allclose(delta_e00(first, second), published, rtol=0, atol=1e-4)
    np.testing.assert_allclose(delta_e00(second, first), published, rtol=0, atol=1e-4)


def test_random_colours_against_an_independent_library():
    rng = np.random.default_rng(7)
    first, second = rng.uniform([0, -90, -90], [100, 90, 90], (2, 500, 3))
    np.testing.assert_allclose(delta_e00(first, second), deltaE_ciede2000(first, second), rtol=0, atol=1e-9)


def test_one_colour_against_many_broadcasts():
    many = np.random.default_rng(1).uniform(20, 80, (2, 5, 3))
    np.testing.assert_allclose(delta_e00(many, many[0, 0])[1, 3], delta_e00(many[1, 3], many[0, 0]), rtol=0, atol=1e-12)
    assert delta_e00(many, many).max() == 0.0
