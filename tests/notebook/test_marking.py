"""The widgets as the kernel has them: what they judge, keep, undo and save; the browser is tested elsewhere."""

import io
import shutil
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from fragkit.errors import SurveyError
from fragkit.notebook import label_areas, mark_points
from fragkit.notebook.front_end import jpeg_bytes
from fragkit.rectify import given_lens, rectify
from fragkit.survey import Photograph, PointControl, read_labels, read_photo, read_survey

SAMPLE = Path(__file__).resolve().parents[2] / "sample_images" / "orrowby"


@pytest.fixture
def study(tmp_path):
    """A copy of the sample study with two of its photographs."""
    folder = tmp_path / "orrowby"
    shutil.copytree(SAMPLE, folder)
    return folder


def _lens():
    return given_lens(2050.0, (1199.5, 899.5), k1=-0.05, k2=0.0, name="a")


def _marker(study, **options):
    return mark_points(study / "press-1.jpg", table=study / "press-1.csv", **options)


def _ask(widget, **message):
    """What the widget answers to the browser."""
    answers = []
    widget.send = lambda content, buffers=None: answers.append(content)
    widget._asked(widget, message, [])
    return answers[-1]


def _tape_control(study):
    """All distances between six points of the sample, to the tenth of a millimetre."""
    entry = read_survey(study).photos[0].control
    some = [0, 2, 5, 7, 8, 11]
    names, xy = [entry.names[k] for k in some], entry.xy_mm[some]
    pairs = [(i, j) for i in range(6) for j in range(i)]
    rows = [f"{names[i]}\t{names[j]}\t{np.hypot(*(xy[i] - xy[j])):.1f}\t0.4" for i, j in pairs]
    return names, entry.xy_px[some], "\n".join(rows)


def test_the_judgement_is_that_of_the_rectified_picture(study):
    marker = _marker(study, lens=_lens(), flatness_mm=1.2, sd_px=0.4)
    measured = rectify(read_photo(study / "press-1.jpg"), marker.control, lens=_lens(), flatness_mm=1.2)
    assert marker.judgement.sd_mm == pytest.approx(measured.sd_mm, rel=1e-12)
    np.testing.assert_allclose(marker.judgement.residuals_mm, measured.residuals_mm, rtol=0, atol=1e-9)
    expected = measured.to_px(measured.control_xy_mm) - marker.control.xy_px
    np.testing.assert_allclose(marker.judgement.offsets_px, expected, rtol=0, atol=1e-9)
    budget = next(note for note in measured.notes if note.startswith("Errors over the picture"))
    assert budget in marker.outcome["lines"]


def test_saving_gives_back_what_was_marked_and_changes_nothing_else(study):
    before = {path.name: path.read_bytes() for path in study.iterdir()}
    marker = _marker(study, sd_px=0.4)
    assert marker.save() == "12 points saved in press-1.csv."
    assert {path.name: path.read_bytes() for path in study.iterdir()} == before
    marker.points = [{**point, "x_px": point["x_px"] + 0.125} for point in marker.points]
    marker.save()
    found, control = read_survey(study).photos[0].control, marker.control
    assert isinstance(control, PointControl)
    np.testing.assert_array_equal(found.xy_px, control.xy_px)
    np.testing.assert_array_equal(found.xy_mm, control.xy_mm)
    assert found.names == control.names


@pytest.mark.parametrize("start", [None, "", "point,x_px,y_px,x_mm,y_mm,sd_mm\n"])
def test_a_new_study_starts_from_nothing(study, start):
    table = study / "press-1.csv"
    table.unlink()
    if start is not None:
        table.write_text(start, encoding="utf-8")
    marker = _marker(study)
    assert marker.points == []
    assert marker.outcome["lines"] == ["0 of at least 4 points measured; 6 to 8 well spread ones give a check."]
    point = {"name": "P1", "x_px": 5.0, "y_px": 6.0, "x_mm": None, "y_mm": None, "sd_mm": 1.0}
    marker.points = [point]
    assert marker.save().endswith("Still without millimetres: P1; `fragkit check` will name them.")
    assert _marker(study).points == [point]
    with pytest.raises(SurveyError, match="the cell is empty"):
        read_survey(study)


def test_the_worst_point_is_named_also_when_the_control_is_refused(study):
    marker = _marker(study, lens=_lens())
    marker.points = [{**p, "x_mm": p["x_mm"] + 30.0 * (p["name"] == "B2")} for p in marker.points]
    assert marker.judgement.worst == "B2"
    assert marker.judgement.sd_mm is None
    assert marker.outcome["lines"][0].startswith("Not usable yet. Control point B2 contradicts the others")
    assert max(marker.outcome["residuals"], key=lambda residual: residual["mm"])["name"] == "B2"


def test_four_points_name_no_worst_one(study):
    marker = _marker(study, lens=_lens())
    marker.points = [p for p in marker.points if p["name"] in ("A1", "A4", "C1", "C4")]
    assert marker.judgement.worst is None
    assert marker.judgement.sd_mm > 0
    assert any("Four points leave nothing over" in line for line in marker.outcome["lines"])


def test_undo_and_redo_go_through_points_and_distances(study):
    marker = _marker(study)
    given = marker.points
    marker.points = given[:-1]
    assert _ask(marker, ask="paste", text="A1\t1\t2")["say"] == "Coordinates taken over."
    assert _ask(marker, ask="undo", by=-1)["say"] == "Undone."
    assert marker.points == given[:-1]
    _ask(marker, ask="undo", by=-1)
    assert marker.points == given
    assert _ask(marker, ask="undo", by=-1)["say"] == "There is nothing to undo."
    _ask(marker, ask="undo", by=1)
    assert marker.points == given[:-1]
    marker.points = given[:3]
    assert _ask(marker, ask="undo", by=1)["say"] == "There is nothing to redo."


def test_snapping_finds_the_centre_of_a_drawn_cross(tmp_path):
    # a cross with its centre at (60.3, 40.7), each line 3 px wide, painted by exact coverage of the pixels
    y, x = np.mgrid[:90, :120]
    cover = np.maximum(*(np.clip(2.0 - np.abs(axis), 0, 1) for axis in (x - 60.3, y - 40.7)))
    grey = (220 - 180 * cover).astype(np.uint8)
    Image.fromarray(np.repeat(grey[..., None], 3, axis=2)).save(tmp_path / "cross.png")
    marker = mark_points(tmp_path / "cross.png", table=tmp_path / "cross.csv")
    answer = _ask(marker, ask="snap", index=-1, x=62.0, y=39.0, mark="cross")
    assert answer["snapped"] == -1
    assert [answer["x"], answer["y"]] == pytest.approx([60.3, 40.7], abs=0.05)  # a tenth of a careful pick
    far = _ask(marker, ask="snap", index=-1, x=20.0, y=20.0, mark="cross")
    assert "snapped" not in far
    assert far["say"].endswith("The point stays where it is.")


def test_control_by_tape_is_judged_saved_and_named_in_the_survey(study):
    names, xy_px, text = _tape_control(study)
    (study / "tape.csv").write_text("", encoding="utf-8")
    options = {"distances": study / "tape.csv", "lens": _lens(), "sd_px": 0.4}
    marker = mark_points(study / "press-1.jpg", table=study / "tape-points.csv", **options)
    unknown = _ask(marker, ask="tape", text=text)
    assert unknown["say"] == "15 distances taken over."
    assert "mark it, or correct the name" in marker.outcome["lines"][0]
    marker.points = [
        {"name": name, "x_px": float(x), "y_px": float(y), "x_mm": None, "y_mm": None, "sd_mm": None}
        for name, (x, y) in zip(names, xy_px, strict=True)
    ]
    assert marker.judgement.sd_mm == pytest.approx(
        rectify(read_photo(study / "press-1.jpg"), marker.control, lens=_lens()).sd_mm, rel=1e-12
    )
    assert marker.save() == "6 points saved in tape-points.csv, 15 distances in tape.csv."
    found = read_survey(study).photos[0].control
    np.testing.assert_array_equal(found.xy_px, marker.control.xy_px)
    np.testing.assert_array_equal(found.pairs, marker.control.pairs)
    np.testing.assert_array_equal(found.distance_mm, marker.control.distance_mm)
    again = mark_points(study / "press-1.jpg", table=study / "tape-points.csv", **options)
    assert (again.points, again.distances) == (marker.points, marker.distances)


def test_a_name_that_a_spreadsheet_would_run_is_refused_in_words(study):
    before = (study / "press-1.csv").read_bytes()
    marker = _marker(study)
    marker.points = [{**marker.points[0], "name": "=1+2"}, *marker.points[1:]]
    assert _ask(marker, ask="save", points=marker.points)["say"].startswith("A point cannot be called '=1+2'")
    assert (study / "press-1.csv").read_bytes() == before


def test_labels_and_example_are_saved_and_opened_again(study):
    areas = label_areas(study / "press-1.jpg", labels=study / "press-1-labels.png")
    areas.strokes = [
        {"kind": "brush", "code": 3, "radius_px": 9.0, "points": [[500.0, 400.0], [600.0, 420.0]]},
        {"kind": "example", "code": 3, "points": [[700.04, 650.0], [620.0, 500.0]]},
    ]
    said = _ask(areas, ask="save", strokes=areas.strokes)["say"]
    assert said.startswith("Labels saved in press-1-labels.png: metal ")
    entry = read_survey(study).photos[0]
    assert entry.example_px == (620.0, 500.0, 700.0, 650.0)
    np.testing.assert_array_equal(read_labels(entry.labels), areas.labels)
    again = label_areas(study / "press-1.jpg", labels=study / "press-1-labels.png")
    np.testing.assert_array_equal(again.labels, areas.labels)
    assert [area["code"] for area in again.before] == [3]
    assert _ask(areas, ask="undo", by=-1)["say"] == "Undone."
    assert areas.strokes == []
    assert areas.example_px is None


def test_saving_takes_what_the_page_shows_although_the_change_is_still_under_way(study):
    marker = _marker(study)
    fewer = marker.points[:-1]
    assert _ask(marker, ask="save", points=fewer)["say"] == "11 points saved in press-1.csv."
    assert marker.points == fewer
    assert _marker(study).points == fewer


def test_labels_of_another_size_are_refused(study):
    Image.fromarray(np.zeros((10, 20), np.uint8)).save(study / "small.png")
    with pytest.raises(ValueError, match=r"small.png is 20 × 10 px, its photograph 2400 × 1800 px"):
        label_areas(study / "press-1.jpg", labels=study / "small.png")


def test_the_browser_gets_the_upright_pixels_without_exif(tmp_path):
    upright = np.zeros((64, 48, 3), np.uint8)
    upright[:16, :16] = (250, 10, 10)
    exif = Image.Exif()
    exif[274] = 6
    Image.fromarray(np.ascontiguousarray(np.rot90(upright))).save(tmp_path / "t.jpg", exif=exif, quality=95)
    photograph = read_photo(tmp_path / "t.jpg")
    sent = Image.open(io.BytesIO(jpeg_bytes(photograph)))
    assert not sent.getexif()
    np.testing.assert_allclose(np.asarray(sent, float), photograph.pixels, rtol=0, atol=40)  # JPEG at an edge
    assert np.abs(np.asarray(sent, float) - photograph.pixels).mean() < 2.0


def test_sixteen_bits_and_very_large_pictures_are_sent_in_eight_and_smaller(monkeypatch):
    rows = np.linspace(0, 65535, 200).astype(np.uint16)
    photograph = Photograph(pixels=np.tile(rows[:, None, None], (1, 300, 3)), icc=b"", sha256="", file="deep.tif")
    full = Image.open(io.BytesIO(jpeg_bytes(photograph)))
    np.testing.assert_allclose(np.asarray(full)[:, 150, 0], rows / 257.0, rtol=0, atol=2.0)  # JPEG of a slope
    monkeypatch.setattr("fragkit.notebook.front_end.MAX_PIXELS", 200 * 300 // 4)
    assert Image.open(io.BytesIO(jpeg_bytes(replace(photograph)))).size == (150, 100)
