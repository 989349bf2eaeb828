"""Control by tape, by a scale bar and by a board with coded markers, through a whole study."""

import re

import numpy as np
import pytest
from PIL import Image

from fragkit.errors import SurveyError
from fragkit.opencv import cv2
from fragkit.simulate import UNWORN, Conditions, LensPlan, Pose, simulate_photograph
from fragkit.study import run_study
from fragkit.survey import read_survey

LENS = LensPlan(f_px=1150.0, size_px=(1200, 900), k1=-0.05, k2=0.0)
MARKS = np.array([[30.0, 30.0], [730.0, 40.0], [720.0, 510.0], [40.0, 500.0], [380.0, 25.0], [370.0, 515.0]])
CHECKS = np.array([[90.0, 100.0], [650.0, 90.0], [640.0, 450.0], [120.0, 440.0], [380.0, 270.0], [250.0, 330.0]])
SURVEY = """\
schema = 1
[study]
title = "Partners' Room, Orrowby Maltings"
seed = 7
[[photo]]
name = "north-1"
file = "north-1.png"
fragment = "north"
flatness_mm = 1.0
control = {{ {control} }}
[[fragment]]
name = "north"
"""


def write_study(folder, control, pixels, **tables):
    folder.mkdir(exist_ok=True)
    (folder / "survey.toml").write_text(SURVEY.format(control=control), encoding="utf-8")
    for name, lines in tables.items():
        (folder / f"{name}.csv").write_text("\n".join(lines) + "\n", encoding="utf-8")
    Image.fromarray(pixels).save(folder / "north-1.png")
    return folder


@pytest.fixture(scope="module")
def wall():
    """A photograph, its camera, and the surface's heights; taken within 2° of square on."""
    conditions = Conditions(wear=UNWORN, relief_mm=0.3, chart=False, surface_mm_per_px=0.6)
    pixels, truth = simulate_photograph(
        rng=np.random.default_rng(61), conditions=conditions, pose=Pose(tilt_deg=(1.5, -2.0)), lens=LENS
    )
    return pixels, truth.camera


@pytest.fixture(scope="module")
def boarded(wall):
    """The same with a printed board of 8 × 6 squares of 30 mm in the middle, part of it hidden by a sheet."""
    pixels, camera = wall
    dictionary = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_4X4_50)
    drawn = cv2.aruco.CharucoBoard((8, 6), 30.0, 22.0, dictionary).generateImage((1920, 1440), marginSize=0)
    left, top = 260.0, 360.0
    rows, columns = np.mgrid[0 : 3 * pixels.shape[0], 0 : 3 * pixels.shape[1]]
    places = np.column_stack([columns.ravel() - 1, rows.ravel() - 1]) / 3.0
    x, y = ((camera.to_wall(places) - [left, top]) * [8.0, -8.0]).T.astype(int)
    inside = (x >= 0) & (x < 1920) & (y >= 0) & (y < 1440)
    fine = np.repeat(np.repeat(pixels, 3, axis=0), 3, axis=1).reshape(-1, 3)
    fine[inside] = 20 + 0.85 * drawn[y[inside], x[inside]][:, None]
    fine[inside & (x < 420) & (y < 500)] = 180
    shown = cv2.resize(fine.reshape((*rows.shape, 3)), pixels.shape[1::-1], interpolation=cv2.INTER_AREA)
    return shown, camera


@pytest.fixture
def build(wall, boarded, tmp_path):
    def study(make):
        return make(tmp_path / "orrowby", *(boarded if make is coded_board else wall), np.random.default_rng(62))

    return study


def tape(folder, pixels, camera, rng):
    """Six marks, all fifteen distances between them to 0.7 mm."""
    picked = camera.project(MARKS) + rng.normal(0, 0.4, MARKS.shape)
    points = [f"P{k + 1},{x:.2f},{y:.2f}" for k, (x, y) in enumerate(picked)]
    rows = []
    for i in range(len(MARKS)):
        for j in range(i):
            length = np.hypot(*(MARKS[i] - MARKS[j])) + rng.normal(0, 0.7)
            rows.append(f"P{j + 1},P{i + 1},{length:.1f},0.7")
    control = 'kind = "tape", pixels = "points.csv", distances = "taped.csv", sd_px = 0.4, level = ["P1", "P2"]'
    tables = {"points": ["point,x_px,y_px", *points], "taped": ["from,to,distance_mm,sd_mm", *rows]}
    return write_study(folder, control, pixels, **tables)


def bar(folder, pixels, camera, rng):
    """A bar of 500 mm on the wall."""
    (x0, y0), (x1, y1) = camera.project([[130.0, 60.0], [630.0, 60.0]]) + rng.normal(0, 0.4, (2, 2))
    ends = f"[[{x0:.2f}, {y0:.2f}], [{x1:.2f}, {y1:.2f}]]"
    return write_study(folder, f'kind = "bar", ends_px = {ends}, length_mm = 500.0, stand_off_sd_mm = 0.5', pixels)


def coded_board(folder, pixels, camera, rng):
    control = 'kind = "board", columns = 7, rows = 5, square_mm = 30.0, marker_mm = 22.0, dictionary = "4x4_50"'
    return write_study(folder, control, pixels)


def pulls(plane, camera, places):
    """Errors of the distances between all pairs of places, in their stated standard deviations."""
    seen = plane.to_mm(camera.project(places))
    joint = plane.joint_covariance_mm2(seen)
    out = []
    for i in range(len(places)):
        for j in range(i):
            apart = seen[i] - seen[j]
            along = np.zeros((len(places), 2))
            along[i] = apart / np.hypot(*apart)
            along[j] = -along[i]
            sd = np.sqrt(along.ravel() @ joint @ along.ravel())
            out.append((np.hypot(*apart) - np.hypot(*(places[i] - places[j]))) / sd)
    return np.array(out)


@pytest.mark.parametrize(
    ("make", "places", "words", "largest_sd_mm"),
    [
        (tape, CHECKS, "Taped figure: P1 is (0, 0)", 1.5),
        (bar, CHECKS, "Perspective is unmeasured", 20.0),
        (coded_board, CHECKS[[4, 5]] + [[0.0, 0.0], [130.0, 20.0]], "Solved with the plane: k1", 4.0),
    ],
)
def test_the_plane_keeps_its_word(make, places, words, largest_sd_mm, wall, build, tmp_path):
    folder = build(make)
    result = run_study(folder, cache=tmp_path / "cache", out=tmp_path / "out")
    rectified = result.rectified["north-1"]
    off = pulls(rectified, wall[1], places)
    assert np.abs(off).max() < 3.3  # sd; 15 distances of one plane: beyond it by chance in 1 %
    assert rectified.sd_mm < largest_sd_mm
    assert any(words in note for note in rectified.notes)
    assert words in (tmp_path / "out/report.html").read_text(encoding="utf-8")


@pytest.mark.parametrize(
    ("make", "change", "message"),
    [
        (tape, ("taped.csv", "P1,P2", "P1,P9"), r"taped\.csv.*row 2.*P9"),
        (tape, ("points.csv", "P3,", "P1,"), r"points\.csv.*P1"),
        (tape, ("survey.toml", '["P1", "P2"]', '["P1", "Q"]'), r"survey\.toml.*level.*Q"),
        (tape, ("survey.toml", "sd_px = 0.4", "sd_px = 0.0"), r"survey\.toml.*sd_px"),
        (bar, ("survey.toml", "length_mm = 500.0", "length_mm = -500.0"), r"survey\.toml.*length_mm"),
        (bar, ("survey.toml", "stand_off_sd_mm", "stand_of_sd_mm"), r"survey\.toml.*stand_of_sd_mm"),
        (coded_board, ("survey.toml", "marker_mm = 22.0", "marker_mm = 32.0"), r"survey\.toml.*32 mm do not fit"),
        (coded_board, ("survey.toml", "4x4_50", "4x4"), r"survey\.toml.*dictionary"),
    ],
)
def test_faults_name_file_and_key(make, change, message, build):
    folder = build(make)
    file, old, new = change
    text = (folder / file).read_text(encoding="utf-8")
    assert old in text
    (folder / file).write_text(text.replace(old, new, 1), encoding="utf-8")
    with pytest.raises(SurveyError, match=f"(?s){message}"):
        read_survey(folder)


@pytest.mark.parametrize(
    ("make", "change", "message"),
    [
        (tape, ("taped.csv", r"P1,P2,", "P1,P2,9"), r"tape reading P1–P2 \(9\d+\.\d mm\) does not fit"),
        (coded_board, ("survey.toml", "rows = 5", "rows = 4"), "more squares than asked for.*7 × 4"),
        (coded_board, ("survey.toml", "4x4_50", "6x6_250"), "0 markers of 6x6_250"),
    ],
)
def test_control_that_contradicts_stops_that_photograph(make, change, message, build, tmp_path):
    folder = build(make)
    file, old, new = change
    text = (folder / file).read_text(encoding="utf-8")
    (folder / file).write_text(text.replace(old, new, 1), encoding="utf-8")
    result = run_study(folder, cache=tmp_path / "cache")
    assert not result.rectified
    stopped = next(skip for skip in result.skipped if skip.stage == "rectify")
    assert stopped.subject == "north-1"
    assert re.search(message, f"{stopped.why} {stopped.remedy}")
