"""Content hashes change when, and only when, the content does."""

from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pytest

from fragkit.study.digest import code_digest, digest, versions


@dataclass(frozen=True)
class Entry:
    name: str
    values: np.ndarray


SAME = [
    (np.arange(6.0).reshape(2, 3), np.arange(6.0).reshape(2, 3).copy()),
    (np.arange(6.0).reshape(2, 3).T, np.ascontiguousarray(np.arange(6.0).reshape(2, 3).T)),
    ({"a": 1, "b": 2}, {"b": 2, "a": 1}),
    (Entry("x", np.zeros(2)), Entry("x", np.zeros(2))),
    (Path("/one/photo.jpg"), Path("/other/photo.jpg")),
]
DIFFERENT = [
    (np.zeros(4), np.zeros((2, 2))),
    (np.zeros(2), np.zeros(2, np.float32)),
    (1, 1.0),
    (1, True),
    ("1", 1),
    (None, "None"),
    (("ab", "c"), ("a", "bc")),
    ((1, (2, 3)), ((1, 2), 3)),
    ({"a": 1}, {"a": 2}),
    (Entry("x", np.zeros(2)), Entry("x", np.ones(2))),
    (0.1 + 0.2, 0.3),
]


@pytest.mark.parametrize(("one", "other"), SAME)
def test_like_content_has_one_digest(one, other):
    assert digest(one) == digest(other)


@pytest.mark.parametrize(("one", "other"), DIFFERENT)
def test_other_content_has_another_digest(one, other):
    assert digest(one) != digest(other)


def test_what_has_no_content_is_refused():
    with pytest.raises(TypeError, match="function has no content that could be hashed"):
        digest(lambda: 0)


def test_code_and_libraries_are_named():
    assert len(code_digest()) == 64
    assert {"fragkit", "python", "numpy", "opencv-python", "scipy"} <= set(versions())
