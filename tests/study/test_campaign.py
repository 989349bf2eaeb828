"""A campaign does every study that it can, side by side with the same results, and says what stopped the others."""

import json
import shutil
from functools import partial

import pytest
from tape_study import write_tape_study

from fragkit.crew import processes
from fragkit.study import run_campaign


@pytest.fixture
def folders(tmp_path):
    return [write_tape_study(tmp_path / f"room-{k}", across_mm=60 + k, offset_mm=0) for k in range(3)]


def run(folders, tmp_path, name, **options):
    return run_campaign(folders, out=tmp_path / name, cache=tmp_path / f"{name}-cache", **options)


def test_every_study_has_its_record(folders, tmp_path):
    seen = []
    campaign = run(folders, tmp_path, "records", progress=lambda *step: seen.append(step))
    assert list(campaign) == ["room-0", "room-1", "room-2"]
    assert repr(campaign) == "Campaign(3 of 3 studies answered)"
    assert "3 studies" in campaign._repr_html_()
    for k, name in enumerate(campaign):
        results = json.loads((tmp_path / "records" / name / "results.json").read_text(encoding="utf-8"))
        assert results["proposal"]["across_mm"] == pytest.approx(60 + k, rel=0, abs=0.01)  # exact centres
    assert [step[0::2] for step in seen] == [("study", 0), ("study", 1), ("study", 2)]


def test_a_faulty_study_does_not_stop_the_rest(folders, tmp_path):
    (folders[1] / "north.csv").write_text("x_mm,y_mm,sd_mm\n0,zero,0.5\n")
    (folders[2] / "north.csv").write_text("x_mm,y_mm,sd_mm\n0,0,0.5\n70,3,0.5\n31,90,0.5\n158,41,0.5\n")
    campaign = run(folders, tmp_path, "records")
    assert campaign["room-0"].is_answered
    assert "zero" in campaign["room-1"].fault
    assert "north.csv" in campaign["room-1"].fault
    assert campaign["room-2"].fault is None
    assert not campaign["room-2"].is_answered
    assert campaign["room-2"].skipped
    assert [one.folder.name for one in campaign.faulty] == ["room-1"]
    assert [one.folder.name for one in campaign.unanswered] == ["room-2"]


def test_workers_change_nothing_but_the_time(folders, tmp_path):
    run(folders, tmp_path, "one")
    run(folders, tmp_path, "two", executor=partial(processes, 2))
    for name in ("room-0", "room-1", "room-2"):
        for table in ("centres.csv", "results.json"):
            one, two = ((tmp_path / which / name / table).read_text(encoding="utf-8") for which in ("one", "two"))
            if table == "results.json":
                one, two = json.loads(one), json.loads(two)
                assert one.pop("provenance").keys() == two.pop("provenance").keys()
            assert one == two


def test_two_studies_of_one_name_are_refused(folders, tmp_path):
    shutil.copytree(folders[0], tmp_path / "other" / "room-0")
    with pytest.raises(ValueError, match="Two studies bear the name 'room-0'"):
        run([*folders, tmp_path / "other" / "room-0"], tmp_path, "records")
    assert not (tmp_path / "records").exists()
