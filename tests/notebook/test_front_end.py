"""The scripts of the browser: joined from small files, and loading nothing from outside."""

import pytest

from fragkit.notebook.front_end import FOLDER, SHARED, script

WIDGETS = ("marking.js", "labelling.js", "reviewing.js", "tuning.js", "weighing.js")
MAX_LINES, MAX_LINE = 400, 120


@pytest.mark.parametrize("name", WIDGETS)
def test_nothing_is_loaded_from_outside(name):
    text = script(name)
    assert "export default { render }" in text
    assert not any(word in text for word in ("http", "import ", "import(", "fetch(", "eval("))
    assert "url(" not in (FOLDER / "look.css").read_text(encoding="utf-8")


@pytest.mark.parametrize("name", [*SHARED, *WIDGETS])
def test_sizes(name):
    lines = (FOLDER / name).read_text(encoding="utf-8").splitlines()
    assert len(lines) <= MAX_LINES
    assert max(map(len, lines)) <= MAX_LINE
