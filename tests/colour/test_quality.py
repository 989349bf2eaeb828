"""Image quality by the chart: the published classes, and photographs whose faults are known."""

import csv
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest

from fragkit.colour import judge_photograph
from fragkit.colour.quality import CLASSES, LIMITS
from fragkit.rectify import Picture, Tone

TABLE = Path(__file__).parents[1] / "reference/colour/image_quality_classes.csv"
LAB = np.array(
    [[94.0, 0, 1], [80.0, 0, 0], [65.0, 0, 0], [50.0, 0, 0], [45.0, 36, 26], [52.0, -28, 24], [46.0, -4, -26]]
)


def photographed(*, shift=(0.0, 0.0, 0.0), noise=0.4, kind="colour", mm_per_px=0.1, tone=True):
    """What `judge_photograph` reads of a rectified photograph whose patches are all off by `shift`."""
    chart = Tone(
        matrix=np.eye(3), light=np.zeros(5), to_unit=np.ones((2, 2)), names=tuple("abcdefg"), dropped=(), lab=LAB,
        lab_found=LAB + shift, noise=np.full(len(LAB), noise), kind=kind, light_ratio=0.6,
    )  # fmt: skip
    picture = Picture(
        pixels=np.zeros((8, 9, 3), np.uint8), mm_per_px=mm_per_px, origin_mm=np.zeros(2), coverage=np.ones((8, 9), bool)
    )
    return SimpleNamespace(tone=chart if tone else None, picture=picture, sampling_mm=lambda xy: np.full(1, mm_per_px))


def classes(judged, name):
    return list(next(one for one in judged.graded if one.name == name).classes.values())


def test_the_limits_are_the_published_ones():
    # the table: tests/reference/SOURCES.md
    rows = {row["quantity"]: row for row in csv.DictReader(TABLE.read_text(encoding="utf-8").splitlines())}
    assert rows.keys() == LIMITS.keys()
    for name, limits in LIMITS.items():
        for scheme, own in zip(CLASSES, limits, strict=True):
            assert own == tuple(None if v == "-" else float(v) for v in rows[name][scheme].split())


def test_a_step_in_lightness_by_hand():
    # with S_L = 1 a patch lighter by 2.5 is off by exactly 2.5 (Sharma et al. 2005, eq. 22): level B in tone
    judged = judge_photograph(photographed(shift=(2.5, 0.0, 0.0)))
    values = {one.name: one.value for one in judged.graded}
    np.testing.assert_allclose([values["colour"], values["worst patch"], values["tone"]], 2.5, rtol=0, atol=1e-9)
    assert values["white balance"] == 0.0
    assert classes(judged, "colour") == ["level A", "3 stars", "full"]
    assert classes(judged, "tone") == ["level B", "3 stars", "extra light"]


@pytest.mark.parametrize(
    ("noise", "found"),
    [(0.9, ["level A", "4 stars", "full"]), (5.0, ["below level C", "below 1 star", "below extra light"])],
)
def test_grain(noise, found):
    assert classes(judge_photograph(photographed(noise=noise)), "noise") == found


def test_resolution_holds_a_photograph_down_and_is_named():
    judged = judge_photograph(photographed(mm_per_px=0.4))
    # 25.4 mm to the inch: 63.5 pixels
    assert next(one for one in judged.graded if one.name == "resolution").value == pytest.approx(63.5)
    assert judged.overall["FADGI 2023"] == ("below 1 star", ("resolution",))
    assert judged.overall["ISO 19264-1:2021"][0] == "level A"
    assert "held by its resolution" in judged.text
    assert judged.evenness_percent == pytest.approx(60.0)
    assert "below 1 star" in judged._repr_html_()


def test_without_a_chart_it_cannot_be_told():
    judged = judge_photograph(photographed(tone=False))
    assert set(judged.overall.values()) == {None}
    assert "cannot be told" in judged.text
    assert [one.shown for one in judged.graded[:5]] == ["cannot be told"] * 5
    grey = judge_photograph(photographed(kind="grey"))
    assert next(one for one in grey.graded if one.name == "colour").value is None
    assert next(one for one in grey.graded if one.name == "noise").value == pytest.approx(0.4)
