"""Tone by a chart: patches brought to their Lab under tinted, uneven light; clipped and foreign patches."""

import csv
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from fragkit.colour import delta_e00, srgb_to_lab
from fragkit.errors import EstimationError
from fragkit.rectify import fit_tone, rectify, set_tone
from fragkit.rectify.chart import SRGB_TO_XYZ_D50, lab_to_linear, linear_to_lab_d50
from fragkit.survey import ChartEntry, PointControl

TABLE = Path(__file__).parents[1] / "reference/colour/colour_reference_chart_24.csv"
SIZE = (660, 460)


def table():
    rows = list(csv.DictReader(TABLE.read_text(encoding="utf-8").splitlines()))
    lab = np.array([[float(row[key]) for key in ("L_D50", "a_D50", "b_D50")] for row in rows])
    at = np.array([(72 + 105 * (k % 6), 72 + 105 * (k // 6)) for k in range(24)], float)
    return ChartEntry(names=tuple(row["name"] for row in rows), xy_px=at, lab=lab)


def photographed(chart, rng, *, dtype=np.uint8, exposure=0.7, light=0.35):
    """The chart on grey under light that falls off and has a tint, through a camera with its own matrix."""
    x, y = np.meshgrid(np.linspace(-1, 1, SIZE[0]), np.linspace(-1, 1, SIZE[1]))
    linear = np.full((SIZE[1], SIZE[0], 3), 0.18)
    for (column, row), rgb in zip(chart.xy_px.astype(int), lab_to_linear(chart.lab), strict=True):
        linear[row - 42 : row + 43, column - 42 : column + 43] = np.clip(rgb, 0, None)
    falls = rng.uniform(-light, light, 5) / 1.5
    linear *= np.exp(sum(f * t for f, t in zip(falls, (x, y, x * x, x * y, y * y), strict=True)))[..., None]
    camera = np.diag(rng.uniform(0.75, 1.2, 3)) @ (np.eye(3) + rng.uniform(-0.06, 0.06, (3, 3)))
    seen = exposure * linear @ camera.T
    seen = np.clip(seen + rng.normal(0, 0.004, seen.shape) * np.sqrt(np.clip(seen, 1e-3, None)), 0, 1)
    encoded = np.where(seen <= 0.0031308, 12.92 * seen, 1.055 * seen ** (1 / 2.4) - 0.055)
    return np.round(encoded * np.iinfo(dtype).max).astype(dtype)


def plane_of(pixels):
    width, height = SIZE
    corners = np.array([[5, 5], [width - 5, 5], [width - 5, height - 5], [5, height - 5]], float)
    px = np.concatenate([corners, [[width / 2, 5], [width / 2, height - 5]]])
    control = PointControl(names=tuple("ABCDEF"), xy_px=px, xy_mm=px * [0.5, -0.5], sd_mm=np.full(6, 0.05), sd_px=0.1)
    return rectify(pixels, control)


def shown_lab(result, chart):
    at = np.rint(result.picture.to_px(result.to_mm(chart.xy_px))).astype(int)
    pixels = result.picture.pixels
    return np.array([srgb_to_lab(pixels[y - 8 : y + 9, x - 8 : x + 9]).reshape(-1, 3).mean(0) for x, y in at])


def test_lab_and_back_and_the_matrix_of_the_colour_room():
    lab = table().lab
    np.testing.assert_allclose(linear_to_lab_d50(lab_to_linear(lab)), lab, rtol=0, atol=1e-9)
    in_gamut = np.clip(lab_to_linear(lab), 0.0, 1.0)
    encoded = np.where(in_gamut <= 0.0031308, 12.92 * in_gamut, 1.055 * in_gamut ** (1 / 2.4) - 0.055)
    np.testing.assert_allclose(linear_to_lab_d50(in_gamut), srgb_to_lab(encoded), rtol=0, atol=0.05)  # ΔE
    np.testing.assert_allclose(SRGB_TO_XYZ_D50.sum(axis=1), [0.9642, 1.0, 0.8252], rtol=0, atol=1e-4)


def test_patches_under_tinted_uneven_light():
    chart = table()
    left = []
    for seed in range(6):
        tone = fit_tone(photographed(chart, np.random.default_rng(seed)), chart)
        left.append(delta_e00(tone.lab_found, tone.lab).mean())
    assert max(left) < 1.5


@pytest.mark.parametrize("dtype", [np.uint8, np.uint16])
def test_the_corrected_picture_shows_the_published_values(dtype):
    chart = table()
    photo = photographed(chart, np.random.default_rng(1), dtype=dtype)
    plain = plane_of(photo)
    result = set_tone(plain, photo, chart)
    assert result.picture.pixels.dtype == dtype
    assert delta_e00(shown_lab(plain, chart), chart.lab).mean() > 5.0
    assert delta_e00(shown_lab(result, chart), chart.lab).mean() < 1.5
    assert result.tone.kind == "colour"
    assert any("set by a colour chart of 24 patches" in note for note in result.notes)
    assert "<table" in result.tone._repr_html_()


def test_grey_card_sets_white_and_lightness():
    chart = table()
    photo = photographed(chart, np.random.default_rng(2), light=0.0)
    card = ChartEntry(names=("grey",), xy_px=chart.xy_px[21:22], lab=chart.lab[21:22], kind="grey")
    result = set_tone(plane_of(photo), photo, card)
    neutral = shown_lab(result, chart)[19:23]
    assert np.abs(neutral[:, 1:]).max() < 3.0  # near neutral; the camera's own matrix stays in hues
    assert abs(neutral[2, 0] - chart.lab[21, 0]) < 2.0
    assert any("white and lightness only" in note for note in result.notes)


def test_clipped_patches_are_dropped_and_named_and_too_many_refused():
    chart = table()
    tone = fit_tone(photographed(chart, np.random.default_rng(3), exposure=1.35, light=0.1), chart)
    assert any(name.startswith("white") and "clipped" in name for name in tone.dropped)
    assert any("Patches left out: " in note for note in tone.notes)
    over = photographed(chart, np.random.default_rng(3), exposure=40.0)
    with pytest.raises(EstimationError, match=r"too many patches are clipped or black.*expose so that"):
        fit_tone(over, chart)
    with pytest.raises(EstimationError, match=r"grey chart cannot set the tone.*white 9.5 .* \(clipped\)"):
        fit_tone(over, replace(chart, names=chart.names[18:19], xy_px=chart.xy_px[18:19],
                               lab=chart.lab[18:19], kind="grey"))  # fmt: skip


def test_a_chart_turned_by_half_and_patches_outside():
    chart = table()
    photo = photographed(chart, np.random.default_rng(4))
    turned = replace(chart, xy_px=chart.xy_px[::-1])
    with pytest.raises(EstimationError, match=r"not those of its table\. They fit in the opposite order"):
        fit_tone(photo, turned)
    with pytest.raises(ValueError, match=r"Patch dark skin at .* does not lie in the photograph"):
        fit_tone(photo, replace(chart, xy_px=chart.xy_px - 72.0))


def test_small_chart_beside_the_wall_evens_the_light_by_the_ground():
    # A ground of one colour, lit twice as strongly on the right; the card stands at the left.
    x = np.linspace(-1, 1, SIZE[0])
    linear = np.broadcast_to((0.3 * 2.0 ** (x / 2))[None, :, None], (SIZE[1], SIZE[0], 3)).copy()
    linear[200:240, 40:80] *= 0.19 / 0.3
    photo = np.round(255 * (1.055 * linear ** (1 / 2.4) - 0.055)).astype(np.uint8)
    lab = linear_to_lab_d50(np.full((1, 3), 0.19))
    card = ChartEntry(names=("card",), xy_px=np.array([[60.0, 220.0]]), lab=lab, kind="grey")
    picture = set_tone(plane_of(photo), photo, card).picture
    wanted = linear_to_lab_d50(np.full((1, 3), 0.3))[0, 0]
    for column in (100, 330, 600):
        at = np.rint(picture.to_px(np.array([[column * 0.5, -50.0]]))).astype(int)[0]
        lightness = srgb_to_lab(picture.pixels[at[1], at[0]])[0]
        assert lightness == pytest.approx(wanted, abs=2.0)  # L*; uncorrected they differ by 16
