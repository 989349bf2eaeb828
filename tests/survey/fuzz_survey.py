"""Damages survey files, tables and pictures at random, guided by the code that each reaches, until one escapes.

A reader may refuse what it is given with a SurveyError and with nothing else; what escaped belongs into
`test_hostile_input.py`. Needs atheris (`pip install atheris`); run it as

    python tests/survey/fuzz_survey.py --seconds 600
"""

import argparse
import sys
import tempfile
import warnings
from pathlib import Path

import atheris
import numpy as np

with atheris.instrument_imports(include=["fragkit.survey"]):
    from fragkit.errors import SurveyError
    from fragkit.survey import read_photo, read_survey

sys.path.insert(0, str(Path(__file__).parent))
import tifffile
from conftest import SURVEY, TABLES
from PIL import Image
from survey_pictures import picture

PICTURES = ("north-1.jpg", "north-2.png", "deep.tif")


def write_sound(root: Path) -> list[str]:
    """A faultless study; the names of its files."""
    (root / "survey.toml").write_text(SURVEY, encoding="utf-8")
    for name, text in TABLES.items():
        (root / name).write_text(text, encoding="utf-8")
    small = picture(height=48, width=64)
    Image.fromarray(small).save(root / PICTURES[0], quality=92)
    Image.fromarray(small).save(root / PICTURES[1])
    tifffile.imwrite(root / PICTURES[2], small.astype(np.uint16) * 257, photometric="rgb")
    return sorted(path.name for path in root.iterdir())


def try_one(root: Path, sound: dict[str, bytes], data: bytes) -> None:
    """One damaged file among sound ones: its number, then its content."""
    if not data:
        return
    name = sorted(sound)[data[0] % len(sound)]
    (root / name).write_bytes(data[1:])
    try:
        if name in PICTURES:
            read_photo(root / name)
        else:
            read_survey(root)
    except SurveyError:
        pass
    finally:
        (root / name).write_bytes(sound[name])


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--seconds", type=int, default=600)
    seconds = parser.parse_args().seconds
    warnings.simplefilter("ignore")
    with tempfile.TemporaryDirectory() as folder, tempfile.TemporaryDirectory() as corpus:
        root = Path(folder)
        sound = {name: (root / name).read_bytes() for name in write_sound(root)}
        for number, name in enumerate(sorted(sound)):
            (Path(corpus) / name).write_bytes(bytes([number]) + sound[name])
        atheris.Setup(
            [sys.argv[0], corpus, f"-max_total_time={seconds}", "-max_len=20000", "-print_final_stats=1"],
            lambda data: try_one(root, sound, data),
        )
        atheris.Fuzz()


if __name__ == "__main__":
    main()
