"""Whole study folders: complete, the same for the same seed, and true."""

import json

import numpy as np
import pytest

from fragkit.errors import OutputError
from fragkit.simulate import NETS, Conditions, LensPlan, simulate_study
from fragkit.simulate.boards import VIEWS, Board, photograph_boards
from fragkit.simulate.exposure import PERFECT
from fragkit.simulate.tables import toml_table, toml_value
from fragkit.survey import read_survey

SMALL = LensPlan(f_px=760.0, size_px=(800, 600), off_centre_px=(3.0, -2.0))
QUICK = Conditions(surface_mm_per_px=1.0)


@pytest.fixture(scope="module")
def study(tmp_path_factory):
    folder = tmp_path_factory.mktemp("simulated") / "a study"
    truth = simulate_study(folder, seed=7, motif="trefoil", net=NETS["rectangular"], conditions=QUICK, lens=SMALL)
    return folder, truth


def test_the_survey_reads_without_a_fault(study):
    folder, truth = study
    survey = read_survey(folder)
    assert survey.notes == ()
    assert [photo.name for photo in survey.photos] == ["press-1", "press-2", "pier-1", "settle-1"]
    assert {fragment.wall for fragment in survey.fragments} == {"north", "west"}
    assert len(survey.walls) == 4
    assert len(survey.decisions) == 3
    assert len(survey.paints) == 9
    assert len(survey.works.trial_minutes) == 24
    assert not any("size" in price.item for price in survey.works.prices)  # a gap on purpose
    assert len(survey.lenses["a"].files) == 6
    assert survey.seed == truth.draft.seed


def test_control_carries_the_noise_it_states(study):
    """Over all crosses the tables differ from the truth by the sd they state, to four standard errors."""
    folder, truth = study
    px, mm = [], []
    for photo in read_survey(folder).photos:
        true = truth.fragments[photo.fragment].photos[photo.name]
        row = [true.scene.marks.names.index(name) for name in photo.control.names]
        px.append(photo.control.xy_px - true.marks_px[row])
        mm.append(photo.control.xy_mm - true.scene.marks.xy_mm[row])
    px, mm = np.vstack(px).ravel(), np.vstack(mm).ravel()
    assert px.size > 70
    tolerance = 4.0 / np.sqrt(2.0 * px.size)
    assert np.sqrt((px**2).mean()) == pytest.approx(0.4, rel=tolerance)
    assert np.sqrt((mm**2).mean()) == pytest.approx(0.3, rel=tolerance)


def test_fragments_of_one_wall_share_one_net(study):
    _, truth = study
    net = truth.draft.net
    phases = []
    for fragment in truth.fragments.values():
        draft = fragment.draft
        turn = np.radians(draft.turn_deg)
        rotation = np.array([[np.cos(turn), -np.sin(turn)], [np.sin(turn), np.cos(turn)]])
        first = next(iter(fragment.photos.values()))
        assert np.allclose(rotation @ first.a_mm, net.a_mm, rtol=0, atol=1e-9)  # mm: rows are level on the wall
        site = draft.origin_mm + rotation @ draft.plan.net_origin_mm
        phases.append((site @ np.linalg.inv(np.vstack([net.a_mm, net.b_mm]))) % 1.0)
    apart = np.abs(phases[0] - phases[1])
    assert np.minimum(apart, 1.0 - apart).max() < 1e-9


def test_site_zero_is_the_one_nearest_the_origin(study):
    _, truth = study
    for fragment in truth.fragments.values():
        plan = fragment.draft.plan
        assert abs(plan.net_origin_mm[0]) <= plan.net.across_mm / 2.0 + 1.0
        assert abs(plan.net_origin_mm[1]) <= plan.net.down_mm / 2.0 + 1.0


def test_overlapping_photographs_share_motifs(study):
    _, truth = study
    inside = []
    for photo in truth.fragments["press"].photos.values():
        inside.append(((photo.centres_px > 0) & (photo.centres_px < [799, 599])).all(1))
    assert (inside[0] & inside[1]).sum() >= 12
    assert (inside[0] | inside[1]).all()


def test_truth_as_json_is_plain_and_complete(study):
    _, truth = study
    told = json.loads(truth.as_json())
    assert told["repeat"] == {"across_mm": 83.4, "down_mm": 71.8, "offset_ratio": 0.0}
    assert told["placing"] == {"process": "OnLines", "sd_x_mm": 0.7, "sd_y_mm": 0.7}
    press = told["fragments"]["press"]
    assert len(press["centres_mm"]) == len(press["index"]) == len(press["visible_ratio"])
    first = truth.fragments["press"].photos["press-1"]
    matrix = np.array(press["photos"]["press-1"]["homography"])
    assert np.allclose(matrix, first.camera.homography, rtol=1e-3, atol=1e-4)
    assert "trefoil" in repr(truth)
    assert "83.40 mm across" in truth._repr_html_()


def test_same_seed_same_bytes(study, tmp_path):
    folder, _ = study
    simulate_study(tmp_path / "again", seed=7, motif="trefoil", net=NETS["rectangular"], conditions=QUICK, lens=SMALL)
    names = sorted(path.name for path in folder.iterdir())
    assert names == sorted(path.name for path in (tmp_path / "again").iterdir())
    for name in names:
        assert (folder / name).read_bytes() == (tmp_path / "again" / name).read_bytes(), name


def test_a_folder_in_use_is_left_alone(tmp_path):
    (tmp_path / "mine.txt").write_text("mine")
    with pytest.raises(OutputError, match="already there and not empty"):
        simulate_study(tmp_path, seed=1)
    assert [path.name for path in tmp_path.iterdir()] == ["mine.txt"]


def test_a_study_that_breaks_off_leaves_nothing(tmp_path):
    with pytest.raises(AttributeError, match="size_px"):
        simulate_study(tmp_path / "new", seed=1, conditions=QUICK, lens=object())
    assert list(tmp_path.iterdir()) == []


def test_every_board_is_whole_in_every_view():
    board = Board()
    pictures = photograph_boards(board, lens=SMALL, shooting=PERFECT, rng=np.random.default_rng(1))
    assert len(pictures) == len(VIEWS)
    half = np.array([board.columns + 1, board.rows + 1]) * board.square_mm / 2.0
    for pixels, camera in pictures:
        corners = camera.project(board.middle_mm + half * np.array([[-1, -1], [1, -1], [1, 1], [-1, 1]]))
        assert (corners > 3.0).all()
        assert (corners < np.array(SMALL.size_px) - 4.0).all()
        inner = camera.project(board.corners_mm).round().astype(int)
        around = pixels[inner[:, 1, None] + np.arange(-6, 7), inner[:, 0, None] + 2]
        assert (np.ptp(around.mean(axis=2), axis=1) > 60).all()  # black meets white at every inner corner


def test_toml_is_written_as_toml():
    tomllib = pytest.importorskip("tomllib")
    text = toml_table("[t]", {"a": 'say "so" \\', "b": [1, 2.5], "c": {"d": True}, "e": None, "f": np.eye(2)})
    assert tomllib.loads(text) == {
        "t": {"a": 'say "so" \\', "b": [1, 2.5], "c": {"d": True}, "f": [[1.0, 0.0], [0.0, 1.0]]}
    }
    with pytest.raises(ValueError, match="has no TOML form"):
        toml_value(object())
