"""Walls given by readings: an exact case, a figure by hand, coverage of the stated sd, slips named."""

from collections import Counter

import numpy as np
import pytest

from fragkit.errors import EstimationError, SurveyError
from fragkit.survey import read_survey
from fragkit.survey.measured import Readings, adjust_points

TRUE = {"A": (0.0, 0.0), "B": (4012.0, 9.0), "C": (3991.0, 2631.0), "D": (-24.0, 2606.0)}
SIDES = (("A", "B"), ("B", "C"), ("C", "D"), ("D", "A"))
DIAGONALS = (("A", "C"), ("B", "D"))


def readings(points, *, kinds, sd=1.5, rng=None, slips=None):
    """Readings (kind, from, to) of true points, with normal errors, and slips in mm by number."""
    names = tuple(points)
    steps = [np.subtract(points[b], points[a]) for _, a, b in kinds]
    straight = {"distance": lambda s: np.hypot(*s), "running": lambda s: s[0], "plumb": lambda s: s[0]}
    value = np.array(
        [straight.get(kind, lambda s: s[1])(step) for (kind, _, _), step in zip(kinds, steps, strict=True)]
    )
    value = value + (rng.normal(0.0, sd, len(value)) if rng is not None else 0.0)
    for k, slip in (slips or {}).items():
        value[k] += slip
    return Readings(
        names=names,
        pairs=np.array([[names.index(a), names.index(b)] for _, a, b in kinds]),
        kind=tuple(kind for kind, _, _ in kinds),
        value_mm=value,
        sd_mm=np.full(len(value), sd),
    )


FULL = (
    *(("distance", a, b) for a, b in SIDES + DIAGONALS),
    ("level", "A", "B"),
    ("plumb", "A", "D"),
    ("plumb", "B", "C"),
    ("height", "A", "D"),
    ("height", "B", "C"),
)


def test_faultless_readings_give_the_points_back():
    found = adjust_points(readings(TRUE, kinds=FULL))
    np.testing.assert_allclose(found.xy_mm, list(TRUE.values()), rtol=0, atol=1e-4)  # the solver's own tolerance
    assert found.n_spare == 11 - 6
    assert found.again == ()
    assert found.closure_mm == pytest.approx(0.0, abs=1e-4)


def test_a_square_by_hand():
    """Both diagonals 4 mm too long: d1 + d2 = (a + b + c + d) / √2 fails by 8 mm; laid on one side, by 8 √2 mm."""
    points = {"A": (0.0, 0.0), "B": (1000.0, 0.0), "C": (1000.0, 1000.0), "D": (0.0, 1000.0)}
    kinds = tuple(("distance", a, b) for a, b in SIDES + DIAGONALS)
    found = adjust_points(readings(points, kinds=kinds, slips={4: 4.0, 5: 4.0}))
    assert found.n_spare == 1
    expected = 8.0 if found.worst.startswith(("distance A to C", "distance B to D")) else 8.0 * np.sqrt(2.0)
    assert found.closure_mm == pytest.approx(expected, abs=0.05)  # the condition is linear to 0.02 mm here
    assert any("taken as level" in note for note in found.notes)


def test_the_stated_sd_covers_the_truth():
    rng = np.random.default_rng(31)
    inside = []
    for _ in range(100):
        found = adjust_points(readings(TRUE, kinds=FULL, rng=rng))
        off = (found.xy_mm - np.array(list(TRUE.values())))[1:]
        inside.append(np.abs(off) < 1.96 * found.sd_mm[1:])
    assert 0.92 < np.mean(inside) < 0.99  # 95 % of 600 coordinates, correlated within a wall


def test_a_slip_is_named_and_faultless_walls_are_left_alone():
    rng = np.random.default_rng(17)
    named = Counter()
    for trial in range(48):
        k = trial % 6
        found = adjust_points(readings(TRUE, kinds=FULL, rng=rng, slips={k: 25.0}))
        kind, a, b = FULL[k]
        named[any(words.startswith(f"{kind} {a} to {b} (") for words in found.again)] += 1
        if found.left_out:
            np.testing.assert_allclose(found.xy_mm, list(TRUE.values()), rtol=0, atol=8.0)  # 4 sd and more
    assert named[True] >= 43  # 25 mm is 17 sd of one reading
    alarms = sum(bool(adjust_points(readings(TRUE, kinds=FULL, rng=rng)).again) for _ in range(80))
    assert alarms <= 4  # 1 in 100 is aimed at


def test_with_one_spare_reading_no_single_one_can_be_blamed():
    kinds = tuple(("distance", a, b) for a, b in SIDES + DIAGONALS)
    found = adjust_points(readings(TRUE, kinds=kinds, slips={4: 40.0}))
    assert len(found.again) == 6
    assert found.left_out == ()
    assert any("contradict each other" in note for note in found.notes)


def test_readings_that_leave_a_point_loose_are_refused():
    with pytest.raises(EstimationError, match="do not fix point"):
        adjust_points(readings(TRUE, kinds=tuple(("distance", a, b) for a, b in SIDES)))


MEASURES = """from,to,kind,value,sd
A,B,distance,4000,1.5
B,C,distance,2700,1.5
C,D,distance,4000,1.5
D,A,distance,2700,1.5
A,C,distance,4825.97,1.5
B,D,distance,4825.97,1.5
A,B,level,0,1
A,P,running,500,1
A,Q,running,1400,1
P,Q,level,0,1
A,P,level,0,1
P,R,height,2000,1
P,R,plumb,0,1
Q,S,height,2000,1
Q,S,plumb,3,1
"""


def test_a_study_takes_walls_openings_and_edges_from_readings(study):
    (study.root / "wall.csv").write_text(MEASURES, encoding="utf-8")
    study.replace("outline_mm = [[0, 0], [4000, 0], [4000, 2700], [0, 2700]]", WALL)
    study.replace("outline_mm = [[500, 0], [1400, 0], [1400, 2000], [500, 2000]]", 'corners = ["P", "Q", "S", "R"]')
    survey = read_survey(study.root)
    wall = survey.walls[0]
    expected = [[0, 0], [4000, 0], [4000, 2700], [0, 2700]]
    np.testing.assert_allclose(wall.outline_mm, expected, rtol=0, atol=0.05)  # readings were rounded to 0.01 mm
    np.testing.assert_allclose(wall.openings[0].outline_mm[2], [1403.0, 2000.0], rtol=0, atol=0.1)
    assert any("Closure error" in note for note in survey.notes)


WALL = 'measures = "wall.csv"\ncorners = ["A", "B", "C", "D"]'


@pytest.mark.parametrize(
    ("old", "new", "message"),
    [
        ("A,B,level,0,1", "A,B,levle,0,1", "no kind of reading"),
        ("A,B,level,0,1", "A,A,level,0,1", "to itself"),
        ("A,B,distance,4000,1.5", "A,B,distance,-4,1.5", "a distance of -4 mm"),
        ("A,B,distance,4000,1.5", "A,E,distance,4000,1.5", "do not fix point E"),
        ("B,C,distance,2700,1.5", "B,C,distance,2700,0", "more than 0"),
    ],
)
def test_wrong_readings_are_named(study, old, new, message):
    (study.root / "wall.csv").write_text(MEASURES.replace(old, new), encoding="utf-8")
    study.replace("outline_mm = [[0, 0], [4000, 0], [4000, 2700], [0, 2700]]", WALL)
    with pytest.raises(SurveyError, match=message):
        read_survey(study.root)


def test_a_corner_that_was_not_measured_is_named(study):
    (study.root / "wall.csv").write_text(MEASURES, encoding="utf-8")
    study.replace("outline_mm = [[0, 0], [4000, 0], [4000, 2700], [0, 2700]]", WALL.replace('"D"', '"X"'))
    with pytest.raises(SurveyError, match="names the point 'X'"):
        read_survey(study.root)
