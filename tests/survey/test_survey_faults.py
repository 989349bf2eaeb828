"""Every fault of a study folder is named by file, table, row and key, with what to do."""

import pytest

from fragkit.errors import SurveyError
from fragkit.survey import read_survey


def faults_of(study):
    with pytest.raises(SurveyError, match=r".") as caught:
        read_survey(study.root)
    return caught.value.faults


def only_fault(study):
    faults = faults_of(study)
    assert len(faults) == 1, "\n".join(map(str, faults))
    return faults[0]


KEY_FAULTS = [
    ("flatness_mm = 3.0", "flatnes_mm = 3.0", "unknown key 'flatnes_mm'", "Did you mean 'flatness_mm'?"),
    ("flatness_mm = 3.0", "flatness_mm = 3,0", "decimal comma in 3,0", "Write 3.0."),
    ("flatness_mm = 3.0", 'flatness_mm = "3,0"', "decimal comma in 3,0", "Write 3.0."),
    (
        "flatness_mm = 3.0",
        'flatness_mm = "3 mm"',
        "'flatness_mm' must be a number, found '3 mm'",
        "without a unit",
    ),
    (
        "flatness_mm = 3.0",
        "flatness_mm = nan",
        "'flatness_mm' is nan, which is no measurement",
        "measured value",
    ),
    ("flatness_mm = 3.0", "flatness_mm = inf", "'flatness_mm' is inf", "measured value"),
    ("flatness_mm = 3.0", "flatness_mm = -1", "'flatness_mm' is -1; it must be at least 0", "Correct"),
    ("sd_px = 0.4 }", "sd_pixel = 0.4 }", "unknown key 'sd_pixel'", "Did you mean 'sd_px'?"),
    ("square_mm = 25.0 }", "square_mm = 25.0, sides = 1 }", "unknown key 'sides'", "Known here: "),
    (
        'fragment = "north"\nlens',
        'fragment = "nort"\nlens',
        "names the fragment 'nort', which is not described",
        "Did you mean 'north'?",
    ),
    ('lens = "a"', 'lens = "b"', "names the lens 'b', which is not described", "[lens.b]"),
    ('wall = "N"\norigin', 'wall = "W"\norigin', "names the wall 'W', which is not described", "[[wall]]"),
    ('next = "E"', 'next = "S"', "names the wall 'S', which is not described", "Known here: N, E"),
    ('name = "north-2"', 'name = "NORTH-1"', "two photos are called 'NORTH-1'", "Give each its own name"),
    ('name = "north-2"', 'name = "a/b"', "cannot be used in a file name (/)", ""),
    ('name = "north-2"', 'name = "a\\u202Eb"', "holds an invisible character (U+202E)", ""),
    ('name = "north-2"\n', "", "key 'name' is missing", "Add it."),
    (
        'kind = "board"',
        'kind = "bord"',
        "'control' is 'bord'; it must be one of points, board, tape, bar",
        "Did you mean 'board'?",
    ),
    ('kind = "board", ', "", "'control' does not say its kind", "kind = "),
    ("columns = 9", "columns = 6", "a board of 6 × 6 inner corners looks the same when turned", "unequal"),
    ("columns = 9", "columns = 9.5", "'columns' must be a whole number, found 9.5", "decimal point"),
    (
        "centre_px = [119.5, 79.5]",
        "centre_px = [119,5, 79,5]",
        "'centre_px' needs two numbers, found 4",
        "write 12.5, not 12,5",
    ),
    ("k1 = -0.05\n", "", "lens 'a' is not complete", "or a board"),
    ("seed = 7", "seed = 7.5", "'seed' must be a whole number", ""),
    ("seed = 7", "sed = 7", "unknown key 'sed'", "Did you mean 'seed'?"),
    ("[works]", "[work]", "unknown key 'work'", "Did you mean 'works'?"),
    (
        "[[decision]]",
        "[decision]",
        "'decision' is not a table of the kind that belongs here",
        "Write [[decision]]",
    ),
    ("schema = 1", "schema = 3", "schema is 3", "reads schema 1"),
    (
        'rule = "reduce"',
        'rule = "cut"',
        "'rule' is 'cut'; it must be one of shift, reduce, reshape, omit",
        "",
    ),
    ("leaf_side_mm = 80.0", "leaf_side_mm = [80.0]", "'leaf_side_mm' needs two numbers, found 1", ""),
    (
        'reason = "only plumb line in the room"',
        "reason = 4",
        "'reason' must be text, found 4",
        "quotation marks",
    ),
    ('authors = ["A. Reader"]', 'authors = "A. Reader"', "'authors' must be a list", "square brackets"),
]


@pytest.mark.parametrize(("old", "new", "message", "remedy"), KEY_FAULTS, ids=[row[2][:40] for row in KEY_FAULTS])
def test_a_wrong_key_is_named_with_its_line(study, old, new, message, remedy):
    study.replace(old, new)
    fault = only_fault(study)
    assert fault.file == "survey.toml"
    assert message in fault.message
    assert remedy in fault.remedy


@pytest.mark.parametrize(
    ("old", "new"),
    [
        ("flatness_mm = 3.0", "flatness_mm = -1.0"),
        ('rule = "reduce"', 'rule = "cut"'),
        ("radius_mm = 400.0", "radius_mm = 0"),
        ("leaf_side_mm = 80.0", 'leaf_side_mm = "big"'),
        ("k1 = -0.05", 'k1 = "none"'),
    ],
)
def test_the_line_is_that_of_the_key(study, old, new):
    study.replace(old, new)
    assert only_fault(study).where == str(study.line_of(new))


def test_an_entry_of_a_list_over_several_lines_is_named(study):
    study.replace(
        "[[0, 0], [3000, 0], [3000, 2700], [0, 2700]]", "[\n[0, 0],\n[3000, 0],\n[3000, 0, 2700],\n[0, 2700]]"
    )
    fault = only_fault(study)
    assert "'outline_mm' (entry 3) needs two numbers, found 3: [3000, 0, 2700]" in fault.message
    assert fault.where == str(study.line_of("[3000, 0],") - 2)  # the line of the key


def test_a_line_that_is_no_toml(study):
    study.replace('title = "', "title = ")
    fault = only_fault(study)
    assert fault.where == "4"
    assert "the line cannot be read" in fault.message
    assert "once this line is put right" in fault.remedy


def test_all_faults_come_in_one_pass(study):
    study.replace("flatness_mm = 3.0", "flatness_mm = 3,5")
    study.replace('name = "dado"', 'nam = "dado"')
    study.replace(
        "[[500, 0], [1400, 0], [1400, 2000], [500, 2000]]", "[[500, 0], [1400, 2000], [1400, 0], [500, 2000]]"
    )
    study.replace("2,220,12,300,200,0.3", '2,220,"12,5",300,200,0.3', file="north-1.csv")
    study.replace("leaf,book,42.5,GBP", "leaf,book,free,GBP", file="prices.csv")
    (study.root / "north-2.png").unlink()
    text = "\n".join(str(fault) for fault in faults_of(study))
    for part in (
        "decimal comma in 3,5. Write 3.5.",
        "unknown key 'nam'",
        "edge 1: key 'name' is missing",
        "the outline of opening 'door' crosses or touches itself near x = 950, y = 1000 mm",
        "north-1.csv:row 3, column y_px: decimal comma in 12,5. Write 12.5.",
        "prices.csv:row 2, column price: 'free' is not a number.",
        "the photograph 'north-2.png' is not there",
    ):
        assert part in text
    assert len(text.splitlines()) == 7


def test_a_wrong_key_does_not_hide_the_faults_of_the_table_it_stands_beside(study):
    study.replace("flatness_mm = 3.0", "flatnes_mm = 3.0")
    study.replace("square_mm = 25.0 }", "square_mm = 25.0, sides = 1 }")
    study.replace("columns = 9", "columns = 6")
    study.replace("220", "nan", file="north-1.csv")
    messages = [fault.message for fault in faults_of(study)]
    assert len(messages) == 4
    assert "nan is no measurement." in messages
    assert "a board of 6 × 6 inner corners looks the same when turned." in messages


@pytest.mark.parametrize("value", ["[1]", "{ a = 1 }", "3", "true", "1979-05-27", "''"])
@pytest.mark.parametrize("key", ["name", "file", "fragment", "control", "lens"])
def test_values_of_any_kind_are_named_as_faults(study, key, value):
    text = (study.root / "survey.toml").read_text(encoding="utf-8").splitlines()
    start = text.index("[[photo]]")
    at = next(k for k in range(start, len(text)) if text[k].startswith(f"{key} ="))
    text[at] = f"{key} = {value}"
    (study.root / "survey.toml").write_text("\n".join(text), encoding="utf-8")
    assert str(at + 1) in {fault.where for fault in faults_of(study)}


def test_a_decimal_comma_does_not_hide_the_rest_of_the_file(study):
    study.replace("seed = 7", "seed = 7,0")
    study.replace("k1 = -0.05", "k1 = -0,05  # from the board")
    messages = [fault.message for fault in faults_of(study)]
    assert "decimal comma in -0,05." in messages
    assert "decimal comma in 7,0." in messages


POINT_FAULTS = [
    ("x_px", "x_pix", "row 1", "unknown column 'x_pix'", "Did you mean 'x_px'?"),
    (",sd_mm", "", "row 1", "missing column sd_mm", "point,x_px,y_px,x_mm,y_mm,sd_mm"),
    ("220", "nan", "row 3, column x_px", "nan is no measurement", "remove the row"),
    ("220", "inf", "row 3, column x_px", "inf is no measurement", ""),
    ("220", "", "row 3, column x_px", "the cell is empty", "Fill it in"),
    ("220", "22o", "row 3, column x_px", "'22o' is not a number", "no unit"),
    ("220,", "220,5,", "row 3", "7 cells where the header has 6", "write 12.5, not 12,5"),
    ("220", "1e999", "row 3, column x_px", "too large", ""),
    (
        "220",
        "400",
        "row 3, column x_px",
        "400 lies outside the photograph, which shows 240 × 160 px",
        "upright",
    ),
    ("300,200,0.3", "300,200,0", "row 3, column sd_mm", "the value is 0; it must be more than 0", ""),
    ("\n3,", "\n2,", "row 4, column point", "'2' stands in row 3 already", "Give each its own"),
    ("\n3,222,150,300,0,0.3\n4,8,149,0,0,0.3", "", "", "3 control points cannot fix a plane", "At least 4"),
]


@pytest.mark.parametrize(
    ("old", "new", "where", "message", "remedy"), POINT_FAULTS, ids=[r[3][:40] for r in POINT_FAULTS]
)
def test_a_wrong_cell_is_named_with_row_and_column(study, old, new, where, message, remedy):
    study.replace(old, new, file="north-1.csv")
    fault = only_fault(study)
    assert (fault.file, fault.where) == ("north-1.csv", where)
    assert message in fault.message
    assert remedy in fault.remedy


def test_points_on_one_line(study):
    rows = "".join(f"{k},{20 + 30 * k},{30 + 10 * k},{50 * k},{120 - 20 * k + 0.1 * (k == 2)},0.3\n" for k in range(5))
    (study.root / "north-1.csv").write_text("point,x_px,y_px,x_mm,y_mm,sd_mm\n" + rows, encoding="utf-8")
    fault = only_fault(study)
    assert "lie on one line on the wall (all, or all but one)" in fault.message
    assert "near the four corners" in fault.remedy


def test_four_points_of_which_three_are_on_one_line(study):
    study.replace(
        "3,222,150,300,0,0.3\n4,8,149,0,0,0.3\n5,115,80,150,100,0.3",
        "3,222,150,300,0,0.3\n4,221,80,300,100,0.3",
        file="north-1.csv",
    )
    assert "lie on one line" in only_fault(study).message


def test_a_spreadsheet_saved_with_semicolons(study):
    path = study.root / "north-1.csv"
    path.write_text(path.read_text().replace(",", ";"))
    fault = only_fault(study)
    assert "the columns are separated by semicolons" in fault.message
    assert "points in the numbers" in fault.remedy


def test_an_empty_table_and_one_that_is_no_text(study):
    (study.root / "north-1.csv").write_text("")
    (study.root / "east.csv").write_bytes(b"x_mm,y_mm,sd_mm\n\xff\xfe,1,1\n")
    messages = {fault.file: fault for fault in faults_of(study)}
    assert "the table is empty" in messages["north-1.csv"].message
    assert "the text is not UTF-8 (byte 17 cannot be read)" in messages["east.csv"].message
    assert "CSV UTF-8" in messages["east.csv"].remedy


def test_a_table_with_a_byte_order_mark_is_read(study):
    path = study.root / "north-1.csv"
    path.write_bytes(b"\xef\xbb\xbf" + path.read_bytes())
    assert read_survey(study.root).photos[0].control.names == ("1", "2", "3", "4", "5")


WALL_FAULTS = [
    (
        "[[0, 0], [4000, 0], [4000, 2700], [0, 2700]]",
        "[[0, 0], [4000, 2700], [4000, 0], [0, 2700]]",
        "the outline of wall 'N' crosses or touches itself near x = 2000, y = 1350 mm",
        "in order round",
    ),
    (
        "[[0, 0], [3000, 0], [3000, 2700], [0, 2700]]",
        "[[0, 0], [3, 0], [3, 2.7], [0, 2.7]]",
        "wall 'E' is only 3 × 2.7 mm",
        "a wall of 4 m is 4000",
    ),
    (
        "[[0, 0], [3000, 0], [3000, 2700], [0, 2700]]",
        "[[0, 0], [3000, 0]]",
        "'outline_mm' holds 2 entries; 3 are needed",
        "Complete",
    ),
    (
        "axis_x_mm = 2000.0",
        "axis_x_mm = 5000.0",
        "the axis at x = 5000 mm is off the wall",
        "Correct axis_x_mm",
    ),
    (
        "[[500, 0], [1400, 0], [1400, 2000], [500, 2000]]",
        "[[5500, 0], [6400, 0], [6400, 2000], [5500, 2000]]",
        "opening 'door' lies outside its wall",
        "its own wall",
    ),
    (
        "[[500, 0], [1400, 0], [1400, 2000], [500, 2000]]",
        "[[-300, 0], [1400, 0], [1400, 2000], [-300, 2000]]",
        "opening 'door' reaches 300 mm beyond its wall",
        "Correct its outline",
    ),
    ("centre_mm = [3000, 1500]\n", "", "a circle needs centre_mm and radius_mm", "both or none"),
    (
        "centre_mm = [3000, 1500]\nradius_mm = 400.0\n",
        "",
        "opening 'round' has no outline",
        "centre_mm and radius_mm",
    ),
    ('name = "round"', 'name = "door"', "two openings of one wall are called 'door'", "own name"),
    (
        "[[0, 900], [4000, 905]]",
        "[[0, 9000], [4000, 9005]]",
        "edge 'dado' lies 6300 mm off its wall",
        "line_mm",
    ),
    ("[[0, 900], [4000, 905]]", "[[0, 900], [0, 900]]", "edge 'dado' has no length", "two points"),
    (
        "outline_mm = [[0, 0], [3000, 0], [3000, 2700], [0, 2700]]",
        'measures = "m.csv"',
        "table of measures 'm.csv' is not there",
        "study folder",
    ),
]


@pytest.mark.parametrize(("old", "new", "message", "remedy"), WALL_FAULTS, ids=[row[2][:50] for row in WALL_FAULTS])
def test_a_wall_that_cannot_be(study, old, new, message, remedy):
    study.replace(old, new)
    fault = only_fault(study)
    assert message in fault.message
    assert remedy in fault.remedy


def test_an_opening_that_reaches_a_little_past_its_wall_is_a_note(study):
    study.replace("[[500, 0], [1400, 0]", "[[500, -12], [1400, -12]")
    assert read_survey(study.root).notes == (
        "opening 'door' reaches 12 mm beyond its wall; the part outside is ignored.",
    )


def test_a_missing_photograph(study):
    (study.root / "north-1.jpg").rename(study.root / "North-1.JPG")
    fault = only_fault(study)
    assert fault.where == str(study.line_of('file = "north-1.jpg"'))
    assert "the photograph 'north-1.jpg' is not there" in fault.message
    assert fault.remedy == "There is 'North-1.JPG': capitals and small letters count."


@pytest.mark.parametrize("name", ["../outside.jpg", "/etc/hostname", "link.jpg", "sub/../../outside.jpg"])
def test_files_outside_the_folder_are_refused(study, name):
    (study.root.parent / "outside.jpg").write_bytes((study.root / "north-1.jpg").read_bytes())
    (study.root / "link.jpg").symlink_to(study.root.parent / "outside.jpg")
    study.replace('file = "north-1.jpg"', f'file = "{name}"')
    fault = only_fault(study)
    assert f"{name!r} lies outside the study folder" in fault.message
    assert "Copy the file into the study folder" in fault.remedy


def test_a_lens_from_board_photographs_finds_its_files(study):
    study.replace(
        "f_px = 2100.0\ncentre_px = [119.5, 79.5]\nk1 = -0.05",
        'board = { columns = 9, rows = 6, square_mm = 25.0, files = ["north-*.png", "board-*.jpg"] }',
    )
    fault = only_fault(study)
    assert "the board photograph 'board-*.jpg': no file has such a name" in fault.message
    study.replace(', "board-*.jpg"', "")
    assert [path.name for path in read_survey(study.root).lenses["a"].files] == ["north-2.png"]


def test_a_fragment_without_evidence_and_a_study_without_fragment(study):
    study.replace('centres = "east.csv"\n', "")
    assert "'east' has neither a photograph nor a table of centres" in only_fault(study).message
    (study.root / "survey.toml").write_text("schema = 1\n")
    assert only_fault(study).message == "the study has no fragment."


def test_too_few_centres(study):
    study.replace("30,50,1\n90,50,1\n", "", file="east.csv")
    assert "2 motif centres cannot show a repeat" in only_fault(study).message


def test_a_trial_with_a_gap(study):
    study.replace("3,10", "5,10", file="trial.csv")
    assert "motif 3 is missing" in only_fault(study).message


def test_prices_in_two_currencies(study):
    study.replace("leaf,book,42.5,GBP", "leaf,book,42.5,GBP\nsize,litre,30,EUR", file="prices.csv")
    assert "prices in EUR and GBP" in only_fault(study).message


def test_a_survey_file_of_absurd_size_is_refused(study):
    path = study.root / "survey.toml"
    path.write_text(path.read_text() + "# padding\n" * 600_000)
    assert "the file is 6 MB; 5 MB is the most" in only_fault(study).message


def test_a_pinned_motif_on_an_unknown_wall(study):
    study.replace("[works]", '[layout]\npinned = [{ wall = "Q", i = 0, j = 0, x_mm = 1, y_mm = 2 }]\n[works]')
    assert "pinned motif 1 names the wall 'Q'" in only_fault(study).message


def test_a_proposal_that_types_nothing(study):
    study.replace("[works]", '[proposal]\nreason = "It looked right."\n[works]')
    assert "gives no length; state across_mm, down_mm or offset_ratio" in only_fault(study).message
