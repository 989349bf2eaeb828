"""The cache gives back what was stored, forgets what is damaged or old, and is never in the way."""

import os
import pickle
import stat
from dataclasses import dataclass
from types import MappingProxyType

import numpy as np
import pytest

from fragkit.study.cache import open_cache


@dataclass(frozen=True, eq=False)
class Result:
    values: np.ndarray
    support: MappingProxyType


@pytest.fixture
def cache(tmp_path):
    return open_cache(tmp_path / "cache")


@pytest.mark.parametrize("is_opened_again", [False, True])
def test_a_result_comes_back_read_only(cache, is_opened_again):
    assert cache.store("k", Result(np.arange(3.0), MappingProxyType({"a": np.ones(2)})))
    is_kept, value = (open_cache(cache.folder) if is_opened_again else cache).load("k")
    assert is_kept
    assert value.values.tolist() == [0.0, 1.0, 2.0]
    assert not value.values.flags.writeable
    assert not value.support["a"].flags.writeable
    with pytest.raises(TypeError, match="does not support item assignment"):
        value.support["a"] = 1


def test_none_is_a_result_and_a_missing_key_is_not(cache):
    cache.store("k", None)
    assert cache.load("k") == (True, None)
    assert cache.load("other") == (False, None)


@pytest.mark.parametrize("damage", ["cut", "altered", "empty"])
def test_a_damaged_result_is_forgotten(cache, damage):
    cache.store("k", np.arange(50))
    path = cache.folder / "k.pickle"
    content = bytearray(path.read_bytes())
    content[60] ^= 1
    path.write_bytes({"cut": bytes(content[:-5]), "altered": bytes(content), "empty": b""}[damage])
    again = open_cache(cache.folder)
    assert again.holds("k")
    assert again.load("k") == (False, None)
    assert not path.exists()


def test_what_cannot_be_kept_is_noted_and_does_no_harm(cache):
    assert not cache.store("k", unkept := lambda: 0)
    assert cache.load("k") == (True, unkept)
    assert open_cache(cache.folder).load("k") == (False, None)
    assert "could not be kept for the next run" in cache.note
    assert [path.name for path in cache.folder.iterdir()] == []


def test_a_full_disk_is_noted_and_keeps_no_scraps(cache, monkeypatch):
    def full(*_):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("fragkit.study.cache.os.replace", full)
    assert not cache.store("a", np.arange(1000))
    assert "No space left" in cache.note
    assert list(cache.folder.iterdir()) == []
    assert cache.load("a")[0]  # remembered for this run


def test_the_results_used_last_are_kept(cache):
    for k in range(4):
        cache.store(f"k{k}", np.zeros(1000, np.uint8))
        os.utime(cache.folder / f"k{k}.pickle", (1000 + k, 1000 + k))
    open_cache(cache.folder).load("k0")  # its turn is now the latest
    cache.prune(limit_bytes=2700)
    assert sorted(path.stem for path in cache.folder.iterdir()) == ["k0", "k3"]


def test_a_folder_that_cannot_be_made_is_a_note(tmp_path):
    (tmp_path / "file").write_text("")
    cache = open_cache(tmp_path / "file" / "cache")
    assert not cache.store("k", 1)
    cache.prune()
    assert cache.load("k") == (True, 1)
    assert "Nothing is kept for the next run" in cache.note
    assert "Not a directory" in cache.note


def test_the_environment_chooses_the_place_or_none(tmp_path, monkeypatch):
    monkeypatch.setenv("FRAGKIT_CACHE", str(tmp_path / "mine"))
    assert open_cache().folder == tmp_path / "mine"
    assert open_cache(tmp_path / "given").folder == tmp_path / "given"
    monkeypatch.setenv("FRAGKIT_CACHE", "off")
    assert open_cache().folder is None
    assert open_cache().note is None
    monkeypatch.delenv("FRAGKIT_CACHE")
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path / "xdg"))
    monkeypatch.setenv("HOME", str(tmp_path))
    assert tmp_path in open_cache().folder.parents


def test_the_folder_belongs_to_the_user_alone(cache):
    assert stat.S_IMODE(cache.folder.stat().st_mode) & 0o077 == 0


def test_only_what_was_used_last_is_held_in_memory(cache, monkeypatch):
    monkeypatch.setattr("fragkit.study.cache.HELD_BYTES", 2500)
    for k in range(3):
        cache.store(f"k{k}", np.zeros(1000, np.uint8))
    (cache.folder / "k0.pickle").unlink()
    (cache.folder / "k2.pickle").unlink()
    assert cache.load("k0") == (False, None)
    assert cache.load("k2")[0]


def test_a_worker_gets_the_folder_and_not_the_memory(cache):
    cache.store("k", np.arange(3))
    cache.remember("unkept", 1)
    sent = pickle.loads(pickle.dumps(cache))
    assert sent.load("k")[0]
    assert sent.load("unkept") == (False, None)
