"""Every public function of the rooms that measure and lay out has a property test."""

from pathlib import Path

import pytest

from fragkit import lattice, layout, rectify

PROPERTIES = sorted(Path(__file__).parent.rglob("test_*properties*.py"))


@pytest.mark.parametrize("room", [rectify, lattice, layout], ids=lambda room: room.__name__)
def test_every_public_function_has_a_property(room):
    functions = [name for name in room.__all__ if name[0].islower()]
    text = "\n".join(path.read_text(encoding="utf-8") for path in PROPERTIES if path.name != Path(__file__).name)
    missing = [name for name in functions if f"{name}(" not in text]
    assert functions
    assert not missing, f"no property test calls {missing} of {room.__name__}"
