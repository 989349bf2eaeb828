"""The sheets to fill in: what they say, what they leave empty, and that the form feeds the trial table."""

import csv
import io
import re

import pytest

from fragkit.record.handouts import N_TIMED, care_sheet, order_csv, order_list, stopwatch_form, trial_csv
from fragkit.record.tables import read_csv


def words(page):
    return re.sub(r"\s+", " ", re.sub(r"<[^>]+>", " ", page[page.index("<body>") :]))


def test_order_list_names_leaf_and_leaves_batches_empty(whole):
    page = order_list(whole)
    takeoff = whole.takeoff
    assert f"{takeoff.n_books:,} books ({takeoff.n_leaves:,} leaves)" in words(page)
    assert "Batch number" in page
    assert page.count('<tr><th scope="row"></th>') == 6
    for wall in whole.layout.walls:
        assert wall.name in words(page)


def test_order_table_has_cells_to_fill_in(whole):
    rows = read_csv(order_csv(whole.takeoff, whole.works))
    assert rows[0]["order"] == f"{whole.takeoff.n_books}"
    assert {row["batch_number"] for row in rows} == {""}
    assert [row["item"] for row in rows[1:4]] == ["size", "ground", "shadow colour"]
    assert all(float(row["order"]) > 0 for row in rows)


def test_stopwatch_form_is_the_trial_table(whole):
    page = stopwatch_form(whole)
    assert re.findall(r'<th scope="row">(\d+)</th>', page) == [f"{k}" for k in range(1, N_TIMED + 1)]
    assert "motif,minutes" in page
    header, *rows = csv.reader(io.StringIO(trial_csv()))
    assert header == ["motif", "minutes"]
    assert rows == [[f"{k}", ""] for k in range(1, N_TIMED + 1)]


def test_care_sheet_says_how_the_metal_ages(whole):
    page = words(care_sheet(whole))
    assert "Does not tarnish at 22 carat" in page
    assert f"{whole.takeoff.n_leaves_reserve} leaves of the same batch" in page
    assert "common practice, not confirmed by a source" in page


@pytest.mark.parametrize("sheet", [order_list, stopwatch_form, care_sheet])
def test_every_sheet_carries_the_cautions_and_runs_nothing(whole, sheet):
    page = sheet(whole)
    for caution in whole.works.cautions:
        assert caution.hazard in page
    assert "licensed or qualified people decide" in page
    assert "<script" not in page
    assert "default-src 'none'" in page


def test_the_sheets_lie_in_the_record(written):
    names = {path.name for path in (written / "works").iterdir()}
    assert names == {"order.html", "order.csv", "stopwatch.html", "trial-to-fill-in.csv", "care.html"}
    rows = read_csv((written / "works.csv").read_text(encoding="utf-8"))
    parts = {row["part"] for row in rows}
    assert {"programme", "material", "over years", "drives the cost"} <= parts
    paper = next(row for row in rows if row["item"] == "paper or canvas")
    assert (paper["middle"], "[works.drops]" in paper["gap"]) == ("", True)
