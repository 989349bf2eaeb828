"""Input made to do harm, or damaged beyond reading, is refused in one line; among it what the fuzzer found."""

import struct
import zlib

import pytest

from fragkit.errors import SurveyError
from fragkit.survey import read_photo, read_survey

SMALL = 'schema = 1\n[[fragment]]\nname = "north"\ncentres = "east.csv"\n'


def refusal(study, text=None):
    if text is not None:
        (study.root / "survey.toml").write_text(text, encoding="utf-8")
    with pytest.raises(SurveyError, match=r".") as caught:
        read_survey(study.root)
    (fault, *_) = caught.value.faults
    assert len(str(fault)) < 400
    return fault


@pytest.mark.parametrize(
    "addition",
    ["x = " + "[" * 20_000 + "]" * 20_000 + "\n", "x = " + "1" * 5_000 + "\n"],
    ids=["brackets without end", "a number of 5,000 digits"],
)
def test_what_the_toml_reader_cannot_hold(study, addition):
    assert "the file cannot be read" in refusal(study, SMALL + addition).message


def test_a_survey_of_50_megabytes_is_not_read(study):
    assert "50 MB; 5 MB is the most" in refusal(study, "schema = 1\n#" + "x" * 50_000_000).message


@pytest.mark.parametrize(
    ("name", "message"),
    [
        ("n" * 5000, "a name of 5000 characters"),
        ("n\\u0000.csv", "lies outside the study folder"),
        ("sub", "is a folder"),
    ],
)
def test_file_names_that_cannot_be(study, name, message):
    (study.root / "sub").mkdir()
    assert message in refusal(study, SMALL.replace("east.csv", name)).message


def test_a_name_that_is_read_in_another_direction_than_it_is_shown(study):
    fault = refusal(study, SMALL.replace('"north"', '"nor\\u202eth"'))
    assert "invisible character (U+202E)" in fault.message


@pytest.mark.parametrize(
    ("row", "message"),
    [
        ('"' + "1" * 200_000 + '",2,3', "field larger than field limit"),
        ("1" * 5000 + ",2,3", "too large for a measurement"),
        ('"1,2,3\n4,5,6', "cells where the header has 3"),
    ],
    ids=["a cell of 200,000 digits", "a cell of 5,000 digits", "a quotation mark that never closes"],
)
def test_cells_that_never_end(study, row, message):
    (study.root / "east.csv").write_text("x_mm,y_mm,sd_mm\n" + row + "\n")
    assert message in refusal(study).message


def png(width, height, data):
    def chunk(kind, content):
        return struct.pack(">I", len(content)) + kind + content + struct.pack(">I", zlib.crc32(kind + content))

    header = struct.pack(">IIBBBBB", width, height, 8, 2, 0, 0, 0)
    return b"\x89PNG\r\n\x1a\n" + chunk(b"IHDR", header) + chunk(b"IDAT", data) + chunk(b"IEND", b"")


def test_a_header_of_100_000_pixels_a_side_opens_nothing(tmp_path):
    path = tmp_path / "a.png"
    path.write_bytes(png(100_000, 100_000, b""))
    with pytest.raises(SurveyError, match="more pixels than the 200 million"):
        read_photo(path)


def test_pixels_that_unpack_to_more_than_the_header_says_are_left(tmp_path):
    path = tmp_path / "a.png"
    path.write_bytes(png(100, 100, zlib.compress(b"\0" * 20_000_000, 9)))  # 667 times too much
    assert read_photo(path).pixels.shape == (100, 100, 3)


def test_pixels_that_do_not_unpack(tmp_path):
    path = tmp_path / "a.png"
    path.write_bytes(png(100, 100, b"abc"))
    with pytest.raises(SurveyError, match="cannot be decoded"):
        read_photo(path)
