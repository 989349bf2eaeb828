"""sRGB to CIELAB against published values."""

import csv
import json
from pathlib import Path

import numpy as np
import pytest
from skimage.color import rgb2lab

from fragkit.colour import decode_srgb, srgb_to_lab

REFERENCE = Path(__file__).parents[1] / "reference" / "colour"


def read_table(name: str) -> list[dict[str, str]]:
    with (REFERENCE / name).open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def columns(rows: list[dict[str, str]], *names: str) -> np.ndarray:
    return np.array([[float(row[name]) for name in names] for row in rows])


def test_decoding_meets_the_standard():
    # IEC 61966-2-1:1999: anchor values of the decoding curve
    checks = json.loads((REFERENCE / "srgb_cielab_constants.json").read_text(encoding="utf-8"))["decode_checks"]
    values, linear = np.array(checks).T
    np.testing.assert_allclose(decode_srgb(values.astype(np.uint8)), linear, rtol=0, atol=1e-9)


def test_lab_under_d65_meets_the_computed_table():
    # IEC 61966-2-1:1999 four-digit matrix, CIE 015:2018: 20 triplets, printed to 1e-6
    rows = read_table("srgb_to_xyz_lab_d65.csv")
    rgb = columns(rows, "R8", "G8", "B8").astype(np.uint8)
    np.testing.assert_allclose(srgb_to_lab(rgb, white="D65"), columns(rows, "L", "a", "b"), rtol=0, atol=1e-6)


def test_lab_under_d50_meets_the_24_patch_chart():
    # published Lab (D50) and sRGB of a 24-patch chart; its sRGB agrees between routes to 1.2e-4: 0.02 in Lab
    rows = [row for row in read_table("colour_reference_chart_24.csv") if row["in_sRGB_gamut"] == "1"]
    assert len(rows) == 23
    found = srgb_to_lab(columns(rows, "sRGB_R", "sRGB_G", "sRGB_B"))
    np.testing.assert_allclose(found, columns(rows, "L_D50", "a_D50", "b_D50"), rtol=0, atol=0.02)


def test_lab_agrees_with_an_independent_library():
    rgb = np.random.default_rng(4).uniform(0.0, 1.0, (200, 3))
    # another matrix and white in the last digits: a few hundredths of Lab
    np.testing.assert_allclose(srgb_to_lab(rgb, white="D65"), rgb2lab(rgb), rtol=0, atol=0.05)


@pytest.mark.parametrize("white", ["D50", "D65"])
def test_white_and_black_are_exact(white):
    lab = srgb_to_lab(np.array([[255, 255, 255], [0, 0, 0]], np.uint8), white=white)
    # rounding of the adaptation's four-digit matrix
    np.testing.assert_allclose(lab[:, 0], [100.0, 0.0], rtol=0, atol=1e-3)
    # rounding of the four-digit matrix
    np.testing.assert_allclose(lab[:, 1:], 0.0, rtol=0, atol=0.02)


def test_eight_and_sixteen_bits_and_floats_agree():
    eight = np.arange(0, 256, 5, dtype=np.uint8).repeat(3).reshape(-1, 3)
    sixteen = eight.astype(np.uint16) * np.uint16(257)
    np.testing.assert_allclose(srgb_to_lab(sixteen), srgb_to_lab(eight), rtol=0, atol=1e-12)
    np.testing.assert_allclose(srgb_to_lab(eight / 255.0), srgb_to_lab(eight), rtol=0, atol=1e-12)


def test_other_integers_are_refused():
    with pytest.raises(ValueError, match="int64; convert them"):
        decode_srgb(np.array([1, 2, 3]))


def test_a_missing_channel_is_refused():
    with pytest.raises(ValueError, match=r"three channels on the last axis; the shape is \(4, 2\)"):
        srgb_to_lab(np.zeros((4, 2)))


def test_another_white_is_refused():
    with pytest.raises(ValueError, match="white is 'A'; it must be 'D50' or 'D65'"):
        srgb_to_lab(np.zeros(3), white="A")
