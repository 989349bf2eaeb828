import copy

import pytest
import record_room


@pytest.fixture(scope="session")
def whole(tmp_path_factory):
    """A study with everything in it."""
    return record_room.whole_study(tmp_path_factory.mktemp("study"))


@pytest.fixture(scope="session")
def written(whole, tmp_path_factory):
    """The folder of its record."""
    out = tmp_path_factory.mktemp("record") / "out"
    record_room.write_record(whole, out)
    return out


@pytest.fixture(scope="session")
def small(whole):
    """The same study without walls: quick to write."""
    study = copy.copy(whole)
    study.layout = study.setting = study.takeoff = study.works = None
    return study
