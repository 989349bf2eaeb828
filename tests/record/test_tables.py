import csv
import io

import numpy as np
import pytest
import record_room

from fragkit.record.tables import CENTRES, LAYOUT, centres_csv, csv_text, layout_csv, read_csv


@pytest.mark.parametrize("text", ["=1+1", "+A1", "-2", "@SUM(A1)", "\tx", "\rx", "  =1", "＝1", "'quoted", "\n=1"])
def test_text_that_a_spreadsheet_would_run_is_made_harmless_and_comes_back(text):
    table = csv_text(["name"], [[text]])
    cell = list(csv.reader(io.StringIO(table)))[1][0]
    kept = text.replace("\r", "\n")
    assert cell == f"'{kept}"
    assert read_csv(table)[0]["name"] == kept


def test_plain_text_and_numbers_stay_as_they_are():
    table = csv_text(["a", "b", "c", "d"], [["hop cone", -1.5, None, float("nan")]])
    assert table == "a,b,c,d\nhop cone,-1.5,,\n"


def test_commas_quotes_and_lines_survive():
    row = ['said "no", twice', "two\nlines"]
    assert list(read_csv(csv_text(["a", "b"], [row]))[0].values()) == row


def test_centres(whole):
    rows = read_csv(centres_csv(whole))
    assert tuple(rows[0]) == CENTRES
    assert ",".join(CENTRES) == ("photo,fragment,i,j,x_mm,y_mm,sd_x_mm,sd_y_mm,cov_xy_mm2,score,visible_ratio,status")
    assert len(rows) == 2 * 29 + 27  # one site of each picture is outside; 27 were measured by tape
    first = rows[0]
    assert (first["photo"], first["fragment"], first["status"]) == ("north-1", "north", "seen")
    assert (float(first["sd_x_mm"]), float(first["sd_y_mm"]), float(first["cov_xy_mm2"])) == (0.4, 0.5, 0.01)
    tape = [row for row in rows if row["fragment"] == "tape"]
    assert {row["photo"] for row in tape} == {""}
    assert {row["score"] for row in tape} == {""}


def test_layout(whole):
    rows = read_csv(layout_csv(whole.layout))
    assert ",".join(LAYOUT) == (
        "id,wall,i,j,x_mm,y_mm,dx_mm,dy_mm,scale_ratio,rotation_deg,form,position_class,form_class,"
        "material_class,reason"
    )
    assert len({row["id"] for row in rows}) == len(rows) == whole.layout.n_motifs
    wall = whole.layout.walls[0]
    xy = np.array([(float(row["x_mm"]), float(row["y_mm"])) for row in rows[: wall.n_motifs]])
    np.testing.assert_allclose(xy, wall.xy_mm, rtol=0, atol=6e-4)  # written to a thousandth of a millimetre


def test_nasty_reasons_stay_text(whole):
    wall = record_room.SimpleNamespace(**{name: getattr(whole.layout.walls[0], name) for name in (
        "id", "name", "index", "xy_mm", "shift_mm", "scale_ratio", "rotation_deg", "form",
        "position_class", "form_class", "material_class",
    )})  # fmt: skip
    wall.reason = ('=HYPERLINK("http://x")',) * len(wall.id)
    table = layout_csv(record_room.SimpleNamespace(walls=(wall,)))
    assert "\"'=HYPERLINK(" in table
    assert read_csv(table)[0]["reason"] == '=HYPERLINK("http://x")'


def test_works_table_keeps_gaps_empty(written):
    rows = read_csv((written / "works.csv").read_text(encoding="utf-8"))
    gaps = [row for row in rows if row["part"] == "cost" and row["gap"]]
    assert gaps
    for row in gaps:
        assert row["amount_middle"] == ""
    assert {row["part"] for row in rows} >= {"leaf", "metals", "time", "batch", "cost", "assumption"}
