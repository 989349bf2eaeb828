"""What fragkit is built on may be used, changed and given away with it: the licence of every library it installs."""

import re
from importlib.metadata import distribution, requires
from pathlib import Path

import pytest
from packaging.requirements import Requirement

FREE = re.compile(
    r"BSD|MIT|Apache|PSF|Python Software Foundation|HPND|ISC|MPL|Mozilla|Unlicense|public domain|CMU|LGPL|Zlib|0BSD"
    r"|Matplotlib|OFL|SIL",
    re.IGNORECASE,
)
RUNTIME = sorted(Requirement(text).name for text in requires("fragkit") or () if "extra ==" not in text)


def licence_of(name):
    """SPDX expression, else classifiers, else the licence field's first line."""
    about = distribution(name).metadata
    classifiers = [line.split("::")[-1].strip() for line in about.get_all("Classifier") or () if "License ::" in line]
    first_line = (about.get("License") or "").strip().splitlines()[:1]
    return about.get("License-Expression") or "; ".join(classifiers) or "".join(first_line)


def needed_by(name, known):
    """`name` and all that it pulls in on this machine."""
    if name in known:
        return known
    known.add(name)
    for text in distribution(name).requires or ():
        need = Requirement(text)
        if need.marker is None or need.marker.evaluate({"extra": ""}):
            needed_by(re.sub(r"[-_.]+", "-", need.name).lower(), known)
    return known


@pytest.mark.parametrize("name", RUNTIME)
def test_every_library_is_free_with_all_it_needs(name):
    licences = {one: licence_of(one) for one in needed_by(name, set())}
    assert not {one: text for one, text in licences.items() if not FREE.search(text)}


def test_the_table_for_developers_names_every_library():
    table = (Path(__file__).resolve().parents[1] / "DEVELOPERS.md").read_text(encoding="utf-8")
    assert not [name for name in RUNTIME if name not in table]
