"""A study goes through all rooms, does again only what changed, and says what it left out and why."""

import numpy as np
import pytest
from PIL import Image

from fragkit.errors import FragkitError, SurveyError
from fragkit.study import Skipped, run_study
from fragkit.study.refit import refit

ALL = {
    "lens": 1,
    "rectify": 3,
    "net": 3,
    "centres": 3,
    "compare": 1,
    "merge": 1,
    "lattice": 2,
    "motif": 1,
    "repeat": 1,
    "colour": 1,
    "technique": 1,
    "layout": 1,
    "setting-out": 1,
    "leaf": 1,
    "works": 1,
}


@pytest.fixture
def run(folder, tmp_path, rooms):
    def once(**options):
        rooms.CALLS.clear()
        return run_study(folder, cache=tmp_path / "cache", **options)

    return once


def test_every_room_is_entered_once_for_each_subject(run, rooms):
    result = run()
    assert rooms.CALLS == ALL
    assert result.skipped == ()
    assert list(result.rectified) == ["north-1", "north-2", "east-1"]
    assert set(result.lattices) == {"north", "east"}
    assert result.pooled.turns == (1.5, 0.0)
    assert result.is_answered
    assert repr(result) == (
        'StudyResult("Partners\' Room, Orrowby Maltings", 3 photographs, 2 fragments measured, '
        "1 walls laid out, 0 skipped)"
    )


def test_nothing_is_done_twice(run, rooms, tmp_path):
    first = run(out=tmp_path / "out")
    assert rooms.CALLS == ALL | {"record": 1}
    again = run(out=tmp_path / "out")
    assert not rooms.CALLS
    assert again.technique.draw == first.technique.draw


def test_a_changed_photograph_is_measured_again_and_no_other(run, rooms, folder):
    run()
    pixels = np.full((80, 120, 3), 7, np.uint8)
    Image.fromarray(pixels).save(folder / "east-1.png")
    run()
    once = dict.fromkeys(set(ALL) - {"lens", "compare"}, 1)
    once["lattice"] = 2  # the motif rests on all photographs, and the centres of all refer to it
    assert dict(rooms.CALLS) == once


def test_a_changed_wall_leaves_the_measuring_alone(run, rooms, folder):
    run()
    survey = folder / "survey.toml"
    survey.write_text(survey.read_text().replace("[4000, 2700]", "[4010, 2700]"))
    run()
    assert set(rooms.CALLS) == {"layout", "setting-out", "leaf", "works"}


def test_a_changed_record_is_written_again(run, rooms, tmp_path):
    out = tmp_path / "out"
    run(out=out)
    (out / "results.json").write_text("spoilt")
    run(out=out)
    assert rooms.CALLS == {"record": 1}
    assert (out / "results.json").read_text() == "0 skipped"


def test_the_seed_of_the_study_decides_the_draws(run, folder):
    first = run()
    survey = folder / "survey.toml"
    survey.write_text(survey.read_text().replace("seed = 7", "seed = 8"))
    assert run().technique.draw != first.technique.draw


def test_one_failing_photograph_does_not_stop_the_rest(run, rooms):
    rooms.REFUSED.add(("rectify", "north-1.png"))
    result = run()
    assert result.skipped == (
        Skipped(
            stage="rectify",
            subject="north-1",
            why="rectify has no answer Found: too little.",
            remedy="Needed: one more photograph.",
        ),
    )
    assert set(result.rectified) == {"north-2", "east-1"}
    assert set(result.lattices) == {"north", "east"}
    assert result.layout is not None


def test_a_failure_is_remembered_too(run, rooms):
    rooms.REFUSED.add("technique")
    first = run()
    again = run()
    assert not rooms.CALLS
    assert again.skipped == first.skipped
    assert again.technique is None


def test_a_fragment_without_centres_is_named(run, rooms):
    rooms.REFUSED.add(("centres", "east-1.png"))
    result = run()
    assert [(entry.stage, entry.subject) for entry in result.skipped] == [
        ("centres", "east-1"),
        ("lattice", "east"),
    ]
    assert result.skipped[1].reason == "none of its photographs gave motif centres. See what stopped its photographs."
    assert set(result.lattices) == {"north"}


def test_no_fragment_carries_an_answer(run, rooms, tmp_path):
    rooms.REFUSED.add("lattice")
    result = run(out=tmp_path / "out")
    assert not result.is_answered
    assert set(result.centres) == {"north-1", "north-2", "east-1"}
    assert result.motif is not None
    assert [entry.stage for entry in result.skipped] == [
        "lattice",
        "lattice",
        "repeat",
        "technique",
        "layout",
    ]
    assert (tmp_path / "out" / "results.json").read_text() == "5 skipped"


def test_a_photograph_of_another_decoration_is_left_out(run, folder):
    survey = folder / "survey.toml"
    (folder / "east-1.png").rename(folder / "odd-1.png")
    survey.write_text(survey.read_text().replace("east-1", "odd-1"))
    result = run()
    assert result.skipped[0] == Skipped(
        stage="centres",
        subject="odd-1",
        why="its repeat of 90 × 90 mm is not that of the other photographs, 60 × 60 mm.",
        remedy="Check its control; if it shows another decoration, put it into a study of its own.",
    )


def test_a_lens_that_fails_stops_its_photographs_only(run, rooms):
    rooms.REFUSED.add("lens")
    result = run()
    assert [entry.stage for entry in result.skipped[:2]] == ["lens", "rectify"]
    assert "leave it out: it is then solved with the plane" in result.skipped[1].remedy
    assert result.rectified == {}


def test_without_walls_the_study_ends_after_technique(run, rooms, folder):
    survey = folder / "survey.toml"
    text = survey.read_text().split("[[wall]]")[0].replace('wall = "N"\norigin_mm = [1200.0, 900.0]\n', "")
    survey.write_text(text)
    result = run()
    assert result.skipped == ()
    assert result.is_answered
    assert result.layout is None
    assert "layout" not in rooms.CALLS


def test_fragments_stand_in_the_frame_of_their_wall(run):
    result = run()
    (placed,) = result.placed
    turn = np.deg2rad(1.5)
    expected = np.array([1200.0, 900.0]) + 60.0 * np.array([np.cos(turn), np.sin(turn)])
    np.testing.assert_allclose(placed.xy_mm[1], expected, rtol=0, atol=1e-9)  # rounding
    assert placed.status == ("seen", "seen", "seen", "lost")
    assert result.layout.placed[0].fragment == "north"


def test_what_planes_share_reaches_the_lattice(run):
    result = run()
    np.testing.assert_allclose(result.lattices["east"].shared, 0.01, rtol=0, atol=1e-12)
    # two photographs of one fragment: each centre takes half of each plane, so the shared part is halved
    np.testing.assert_allclose(result.lattices["north"].shared, 0.005, rtol=0, atol=1e-12)


def test_centres_by_tape_join_in(run, folder):
    rows = "".join(f"{60 * i},{60 * j},0.5\n" for j in range(3) for i in range(3))
    (folder / "tape.csv").write_text("x_mm,y_mm,sd_mm\n" + rows)
    with (folder / "survey.toml").open("a") as survey:
        survey.write('[[fragment]]\nname = "tape"\ncentres = "tape.csv"\n')
    result = run()
    assert result.skipped == ()
    assert set(result.lattices) == {"north", "east", "tape"}
    np.testing.assert_allclose(result.merged["tape"].net.a_mm, [60.0, 0.0], rtol=0, atol=1e-9)  # exact centres
    assert result.lattices["tape"].shared is None


def test_progress_counts_up_to_the_end(run):
    seen = []
    run(progress=lambda *step: seen.append(step))
    assert seen[0] == ("lens", "a", 0, len(seen) - 1)
    assert seen[-1] == ("done", "", len(seen) - 1, len(seen) - 1)
    assert [step[2] for step in seen] == list(range(len(seen)))
    assert all(done <= total for _, _, done, total in seen)


def test_provenance_names_versions_sources_and_seed(run, folder):
    provenance = run().provenance
    assert provenance["seed"] == 7
    assert {"fragkit", "numpy", "opencv-python", "scipy"} <= set(provenance["versions"])
    assert set(provenance["sources_sha256"]) == {path.name for path in folder.iterdir()}
    assert provenance["options"]["on_axis"] == "motif"


def test_a_cache_that_cannot_be_written_is_a_note(folder, rooms, tmp_path):
    (tmp_path / "file").write_text("")
    result = run_study(folder, cache=tmp_path / "file" / "cache")
    assert rooms.CALLS == ALL
    assert "Nothing is kept for the next run" in result.notes[0]


def test_the_study_folder_is_left_as_it_was(run, folder, tmp_path):
    before = {path: path.stat().st_mtime_ns for path in folder.rglob("*")}
    run(out=tmp_path / "out")
    assert {path: path.stat().st_mtime_ns for path in folder.rglob("*")} == before


def test_faults_of_the_folder_come_before_any_work(run, rooms, folder):
    (folder / "north-1.png").write_bytes(b"")
    with pytest.raises(SurveyError, match=r"north-1\.png: the file is empty"):
        run()
    assert not rooms.CALLS


def test_a_photograph_that_changes_while_it_is_read_ends_the_run(run, rooms, folder, monkeypatch):
    def change(stage, subject, done, total):
        if stage == "rectify":
            Image.fromarray(np.full((80, 120, 3), 9, np.uint8)).save(folder / "east-1.png")

    with pytest.raises(FragkitError, match=r"east-1\.png changed while the study was being read"):
        run(progress=change)
    run()  # and the next run takes it as it is now
    assert rooms.CALLS["rectify"] == 1


def test_photographs_of_one_fragment_are_compared(run):
    assert list(run().overlaps) == [("north-1", "north-2")]


def test_two_that_share_too_little_are_no_fault(run, rooms):
    rooms.REFUSED.add("compare")
    result = run()
    assert result.overlaps[("north-1", "north-2")] is None
    assert result.skipped == ()


def test_the_prior_on_the_difference_between_fragments_can_be_stated(run, rooms, folder):
    assert run().pooled.between == 0.01
    survey = folder / "survey.toml"
    survey.write_text(survey.read_text().replace("seed = 7", "seed = 7\nbetween_sd_ratio = 0.002"))
    assert run().pooled.between == 0.002
    assert rooms.CALLS["repeat"] == 1
    assert "rectify" not in rooms.CALLS


def test_what_a_photograph_says_of_its_net_reaches_net_and_centres(run, rooms, folder, monkeypatch):
    """An expected repeat, a boxed example and labels of one photograph; the others are searched without."""
    labels = np.ones((80, 120), np.uint8)
    labels[:, :30] = 5
    Image.fromarray(labels).save(folder / "later.png")
    monkeypatch.setattr("fragkit.study.fragments.labels_in_plane", lambda codes, plane: codes)
    survey = folder / "survey.toml"
    said = 'repeat_range_mm = [40.0, 130.0]\nexample_px = [20.0, 10.0, 60.0, 40.0]\nlabels = "later.png"\n'
    survey.write_text(survey.read_text().replace('file = "east-1.png"\n', 'file = "east-1.png"\n' + said))
    result = run()
    asked = result.nets["east-1"].asked
    assert tuple(asked.repeat_range_mm) == (40.0, 130.0)
    assert asked.example_mm == (10.0, -20.0, 30.0, -5.0)  # half a millimetre to the pixel, y up
    np.testing.assert_array_equal(asked.mask, labels != 5)
    found = result.unreviewed["east-1"].asked
    assert found.example_mm == asked.example_mm
    np.testing.assert_array_equal(found.mask, labels != 5)
    other = result.nets["north-1"].asked
    assert (other.mask, other.repeat_range_mm, other.example_mm) == (None, None, None)
    survey.write_text(survey.read_text().replace("130.0", "120.0"))
    run()
    assert (rooms.CALLS["net"], rooms.CALLS["centres"], "rectify" in rooms.CALLS) == (1, 1, False)


def test_a_repeat_fitted_anew_keeps_the_stated_prior(run, rooms, folder, monkeypatch):
    survey = folder / "survey.toml"
    survey.write_text(survey.read_text().replace("seed = 7", "seed = 7\nbetween_sd_ratio = 0.002"))
    result = run()
    for name in ("fit_lattice", "merge_centres"):
        monkeypatch.setattr(f"fragkit.study.refit.{name}", getattr(rooms, name))
    refitted = refit(result, "east-1", result.centres["east-1"])
    assert refitted.repeat.between == 0.002
