"""The open tables of a record, as CSV that a spreadsheet opens and never runs."""

from __future__ import annotations

import csv
import io
import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import asdict, is_dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from fragkit.record.study_result import StudyResult, fits_of, fragment_of

if TYPE_CHECKING:
    from fragkit.layout import Layout
    from fragkit.record.register import Claim
    from fragkit.setting_out import Mark
    from fragkit.works import TakeOff, WorksPlan

CENTRES = (
    "photo",
    "fragment",
    "i",
    "j",
    "x_mm",
    "y_mm",
    "sd_x_mm",
    "sd_y_mm",
    "cov_xy_mm2",
    "score",
    "visible_ratio",
    "status",
)
LAYOUT = (
    "id",
    "wall",
    "i",
    "j",
    "x_mm",
    "y_mm",
    "dx_mm",
    "dy_mm",
    "scale_ratio",
    "rotation_deg",
    "form",
    "position_class",
    "form_class",
    "material_class",
    "reason",
)
EVIDENCE = (
    "id",
    "about",
    "claim",
    "evidence_class",
    "value",
    "low",
    "high",
    "interval_ratio",
    "unit",
    "method",
    "regions",
    "evidence",
    "who",
    "when",
)
READINGS = ("id", "x_mm", "y_mm")
WORKS = (
    "part",
    "item",
    "unit",
    "low",
    "middle",
    "high",
    "price",
    "currency",
    "amount_low",
    "amount_middle",
    "amount_high",
    "gap",
    "source",
)

_RUNS_AS_FORMULA = ("=", "+", "-", "@", "\t", "\r", "\n", "＝", "＋", "－", "＠")


def csv_text(header: Sequence[str], rows: Iterable[Sequence[Any]]) -> str:
    """A CSV table: numbers with a decimal point, absent as empty, text made harmless.

    Notes
    -----
    Text that begins with a sign a spreadsheet would run (`= + - @`, tab, line end, their full-width
    forms, also after blanks) or with an apostrophe gets one apostrophe in front; `plain_text` takes it off
    again.
    """
    stream = io.StringIO()
    writer = csv.writer(stream, lineterminator="\n")
    writer.writerow([_cell(name) for name in header])
    writer.writerows([_cell(value) for value in row] for row in rows)
    return stream.getvalue()


def plain_text(cell: str) -> str:
    """The text of a cell as it was before `csv_text`."""
    return cell[1:] if cell.startswith("'") else cell


def _cell(value: Any) -> str:
    if value is None:
        return ""
    if isinstance(value, str):
        value = value.replace("\r\n", "\n").replace("\r", "\n")
        risky = value.startswith("'") or value[:1] in _RUNS_AS_FORMULA or value.lstrip()[:1] in _RUNS_AS_FORMULA
        return f"'{value}" if value and risky else value
    if isinstance(value, (float, np.floating)):
        return f"{float(value):.9g}" if math.isfinite(value) else ""
    return str(value)


def centres_csv(result: StudyResult) -> str:
    """Every site within a picture, or measured by tape: where, how well, how much is seen."""
    rows: list[list[Any]] = []
    shown = set()
    for name, centres in result.centres.items():
        fragment = fragment_of(result, name)
        shown.add(fragment)
        photo = name if name in {entry.name for entry in result.survey.photos} else ""
        for k, status in enumerate(centres.status):
            if status != "outside":
                seen = [round(float(centres.score[k]), 4), round(float(centres.visible_ratio[k]), 4), status]
                place = _place(centres.index[k], centres.xy_mm[k], centres.cov_mm2[k])
                rows.append([photo, fragment, *place, *seen])
    for fragment, lattice in fits_of(result).items():
        if fragment not in shown:
            sites = zip(lattice.index, lattice.xy_mm, lattice.cov_mm2, strict=True)
            rows += [["", fragment, *_place(*site), None, None, "seen"] for site in sites]
    return csv_text(CENTRES, rows)


def _place(index: NDArray[Any], xy_mm: NDArray[Any], cov_mm2: NDArray[Any]) -> list[float]:
    sds = np.sqrt(np.diag(cov_mm2))
    place = [round(float(value), 4) for value in (*xy_mm, *sds)]
    return [int(index[0]), int(index[1]), *place, float(cov_mm2[0, 1])]


def layout_csv(layout: Layout) -> str:
    """Every motif of every wall."""
    rows = []
    for wall in layout.walls:
        for k, motif_id in enumerate(wall.id):
            i, j = (int(v) for v in wall.index[k])
            place = [round(float(v), 3) for v in (*wall.xy_mm[k], *wall.shift_mm[k])]
            size = [round(float(wall.scale_ratio[k]), 5), round(float(wall.rotation_deg[k]), 4)]
            classes = [wall.position_class[k], wall.form_class[k], wall.material_class[k], wall.reason[k]]
            rows.append([motif_id, wall.name, i, j, *place, *size, wall.form[k], *classes])
    return csv_text(LAYOUT, rows)


def evidence_csv(claims: Iterable[Claim]) -> str:
    """The evidence register: one claim a row, its regions as "photograph: part", parted by semicolons."""
    rows = []
    for claim in claims:
        regions = "; ".join(f"{region.photo}: {region.part}" for region in claim.regions)
        rows.append([regions if name == "regions" else getattr(claim, name) for name in EVIDENCE])
    return csv_text(EVIDENCE, rows)


def setting_csv(rows: Sequence[Any]) -> str:
    """The setting-out table of one wall; columns are the fields of its rows."""
    plain = [asdict(row) if is_dataclass(row) and not isinstance(row, type) else dict(row) for row in rows]
    header = list(plain[0]) if plain else ["id"]
    return csv_text(header, [[_flat(row[name]) for name in header] for row in plain])


def readings_form_csv(marks: Sequence[Mark]) -> str:
    """A form for what a second person reads on the wall: the marks of the check sheet, the readings empty."""
    return csv_text(READINGS, [[mark.id, None, None] for mark in marks])


def _flat(value: Any) -> Any:
    return " ".join(str(part) for part in value) if isinstance(value, (tuple, list, np.ndarray)) else value


def works_csv(takeoff: TakeOff | None, plan: WorksPlan | None) -> str:
    """Leaf, labour, costs, batches and assumptions in one long table."""
    rows: list[dict[str, Any]] = []
    if takeoff is not None:
        rows += _leaf_rows(takeoff)
    if plan is not None:
        rows += _plan_rows(plan)
    return csv_text(WORKS, [[row.get(name) for name in WORKS] for row in rows])


def _leaf_rows(takeoff: TakeOff) -> list[dict[str, Any]]:
    source = takeoff.format_source
    counts: list[tuple[str, str, float]] = [
        ("motifs", "motif", takeoff.n_motifs),
        ("cut leaves", "leaf", takeoff.n_leaves_cut),
        ("torn leaves allowed for", "leaf", takeoff.n_leaves_spoilt),
        ("leaves kept for repair", "leaf", takeoff.n_leaves_reserve),
        ("leaves", "leaf", takeoff.n_leaves),
        ("books", "book", takeoff.n_books),
        ("leaves by area alone", "leaf", round(takeoff.n_leaves_by_area, 1)),
        ("offcuts", "m2", round(takeoff.scrap_area_m2, 4)),
    ]
    rows: list[dict[str, Any]] = [
        {"part": "leaf", "item": item, "unit": unit, "middle": count, "source": source} for item, unit, count in counts
    ]
    for cut in takeoff.forms:
        item = f"form {cut.form} at {cut.scale_ratio:g}"
        rows.append({"part": "leaf by form", "item": item, "unit": "motif", "middle": cut.n_motifs})
    for need in takeoff.metals:
        row = {
            "part": "metals",
            "item": need.metal,
            "unit": "book",
            "middle": need.n_books,
            "source": need.source,
        }
        rows.append(row)
    return rows + [_assumed(one) for one in takeoff.assumptions]


def _plan_rows(plan: WorksPlan) -> list[dict[str, Any]]:
    rows: list[dict[str, Any]] = []
    for item, spread in (("labour", plan.labour_h), ("programme", plan.days)):
        low, middle, high = (round(value, 1) for value in (spread.p05, spread.p50, spread.p95))
        row = {"part": "time", "item": item, "unit": spread.unit, "low": low, "middle": middle, "high": high}
        rows.append({**row, "source": plan.basis})
    for batch in plan.batches:
        row = {"part": "batch", "item": batch.size.name, "unit": "motif", "middle": batch.n_motifs}
        rows.append({**row, "source": batch.size.source})
    rows += [*_programme_rows(plan), *_material_rows(plan)]
    for line in plan.costs:
        row = {"part": "cost", "item": line.item, "unit": line.unit, "price": line.price, "gap": line.gap}
        row |= _three(line.quantity, "") | _three(line.amount, "amount_")
        rows.append({**row, "currency": plan.currency if line.price is not None else None})
    return rows + [*_metal_rows(plan), *(_assumed(one) for one in plan.assumptions)]


def _programme_rows(plan: WorksPlan) -> list[dict[str, Any]]:
    """The day on which each wall and lift is done."""
    return [
        {"part": "programme", "item": f"{one.wall}, {one.place}, done", "unit": "day"} | _three(one.end_day, "")
        for one in plan.programme
    ]


def _material_rows(plan: WorksPlan) -> list[dict[str, Any]]:
    rows = []
    for need in plan.materials:
        row: dict[str, Any] = {"part": "material", "item": need.item, "unit": need.unit} | _three(need.quantity, "")
        gap = need.basis if need.quantity is None else None
        rows.append(row | {"gap": gap, "source": need.source if gap else f"{need.basis} ({need.source})"})
    return rows


def _metal_rows(plan: WorksPlan) -> list[dict[str, Any]]:
    """Metals over fifty years, the prices at which the choice changes, and what drives the spread."""
    rows: list[dict[str, Any]] = []
    for one in plan.metals:
        row: dict[str, Any] = {"part": "over years", "item": one.metal, "gap": one.gap, "currency": plan.currency}
        spread = one.over_horizon
        if spread is not None:
            row |= _three((spread.p05, spread.p50, spread.p95), "amount_")
        rows.append(row)
    for flip in plan.flips:
        row = {"part": "price that moves", "item": f"{flip.moving} against {flip.fixed}", "unit": flip.unit}
        row |= {"price": flip.price, "currency": plan.currency, "source": flip.words}
        rows.append(row | _three(flip.flip_price, ""))
    for name, share in plan.known_total.drivers if plan.known_total is not None else ():
        rows.append({"part": "drives the cost", "item": name, "unit": "share of the spread", "middle": round(share, 4)})
    return rows


def _three(values: tuple[float, float, float] | None, prefix: str) -> dict[str, Any]:
    names = (f"{prefix}low", f"{prefix}middle", f"{prefix}high")
    return {} if values is None else dict(zip(names, (round(value, 2) for value in values), strict=True))


def _assumed(assumption: Any) -> dict[str, Any]:
    item = f"{assumption.name}: {assumption.value}"
    return {"part": "assumption", "item": item, "source": assumption.source}


def read_csv(text: str) -> tuple[Mapping[str, str], ...]:
    """Rows of a table written by `csv_text`, as text by column."""
    reader = csv.reader(io.StringIO(text))
    header, rows = [plain_text(cell) for cell in next(reader, [])], list(reader)
    for number, row in enumerate(rows, start=2):
        if len(row) != len(header):
            raise ValueError(f"row {number} has {len(row)} cells and the header {len(header)}")
    return tuple(dict(zip(header, map(plain_text, row), strict=True)) for row in rows)
