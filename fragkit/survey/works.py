"""What the works need: leaf, prices, a timed trial; and the list of paints."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np

from fragkit.frozen import frozen_array
from fragkit.survey.document import Document, validated
from fragkit.survey.entries import CoverageEntry, DropsEntry, FloatArray, PriceEntry, WorksEntry
from fragkit.survey.folder import Folder, Place
from fragkit.survey.schema import CoverageTable, StudyTable, WorksTable
from fragkit.survey.tables import Column, CsvTable, check_unique, read_table

_PAINT_COLUMNS = (Column("name", "text"), Column("L"), Column("a"), Column("b"))
_PRICE_COLUMNS = (
    Column("item", "text"),
    Column("unit", "text"),
    Column("price", least=0.0),
    Column("currency", "text"),
    Column("low", optional=True, blank=True, least=0.0),
    Column("high", optional=True, blank=True, least=0.0),
    Column("quantity", optional=True, blank=True, least=0.0),
    Column("side_mm", optional=True, blank=True, above=0.0),
    Column("leaves_per_book", "whole", optional=True, blank=True, least=1),
)
_TRIAL_COLUMNS = (Column("motif", "whole", least=1), Column("minutes", above=0.0))


def read_works(folder: Folder, document: Document) -> WorksEntry | None:
    """`[works]` with its tables, or None and its faults."""
    table = validated(folder, document, WorksTable, document.data.get("works", {}), ("works",))
    if table is None:
        return None
    coverage = {name: _coverage(one) for name, one in table.coverage if one is not None}
    drops = None if table.drops is None else DropsEntry(**table.drops.model_dump())
    return WorksEntry(
        metal=table.metal,
        leaf_side_mm=_pair(table.leaf_side_mm),
        leaves_per_book=table.leaves_per_book,
        margin_mm=table.margin_mm,
        cut=table.cut,
        spoilage_ratio=table.spoilage_ratio,
        reserve_ratio=table.reserve_ratio,
        prices=_read_prices(folder, document, table),
        contingency_ratio=_pair(table.contingency_ratio),
        trial_minutes=_read_trial(folder, document, table),
        minutes_per_motif=_pair(table.minutes_per_motif),
        lay_min=table.lay_min,
        size=table.size,
        open_h=_pair(table.open_h),
        crew=table.crew,
        hours_per_day=table.hours_per_day,
        lift_mm=table.lift_mm,
        reach_mm=table.reach_mm,
        life_years={metal: (years[0], years[1]) for metal, years in table.life_years.items()},
        coverage=coverage,
        drops=drops,
        instruments=tuple(table.instruments),
    )


def _pair(values: list[float] | None) -> tuple[float, float] | None:
    return None if values is None else (values[0], values[1])


def _coverage(table: CoverageTable) -> CoverageEntry:
    low, high = table.m2_per_unit
    return CoverageEntry(m2_per_unit=(low, high), unit=table.unit, coats=table.coats, waste_ratio=table.waste_ratio)


def _read_prices(folder: Folder, document: Document, works: WorksTable) -> tuple[PriceEntry, ...]:
    place = document.place("works", "prices")
    path = folder.find(works.prices, place, "the table of prices") if works.prices else None
    table = read_table(folder, path, _PRICE_COLUMNS) if path else None
    if table is None:
        return ()
    check_unique(folder, table, "item")
    currencies = sorted(set(table.columns["currency"]))
    if len(currencies) > 1:
        folder.fault(Place(table.file), f"prices in {' and '.join(currencies)}.", "Use one currency throughout.")
    names = [column.name for column in _PRICE_COLUMNS if column.name in table.columns]
    rows = [dict(zip(names, row, strict=True)) for row in zip(*(table.columns[n] for n in names), strict=True)]
    for k, row in enumerate(rows):
        _check_range(folder, table, k, row)
    return tuple(PriceEntry(**row) for row in rows)


def _check_range(folder: Folder, table: CsvTable, k: int, row: Mapping[str, Any]) -> None:
    low, high = row.get("low"), row.get("high")
    if (low is None) != (high is None):
        missing = "low" if low is None else "high"
        remedy = "Write both ends of the price's range, or leave both cells empty."
        folder.fault(table.place(k, missing), "the range of the price has one end only.", remedy)
    elif low is not None and high is not None and not 0 < low <= row["price"] <= high:
        message = f"the price {row['price']:g} is not between low {low:g} and high {high:g}, or low is 0."
        folder.fault(table.place(k, "price"), message, "Write low, price and high in ascending order.")


def _read_trial(folder: Folder, document: Document, works: WorksTable) -> FloatArray | None:
    place = document.place("works", "trial")
    path = folder.find(works.trial, place, "the table of the timed trial") if works.trial else None
    table = read_table(folder, path, _TRIAL_COLUMNS) if path else None
    if table is None or not check_unique(folder, table, "motif"):
        return None
    order = np.argsort(table.columns["motif"])
    missing = set(range(1, len(table) + 1)) - set(table.columns["motif"])
    if missing:
        message = f"motif {min(missing)} is missing: the motifs are numbered 1, 2, 3 … in the order of work."
        folder.fault(Place(table.file), message, "Number the timed motifs without a gap.")
        return None
    return frozen_array(table.numbers("minutes")[order])


def read_paints(
    folder: Folder, document: Document, study: StudyTable | None
) -> tuple[tuple[str, tuple[float, float, float]], ...]:
    """The user's paints: name and (L, a, b)."""
    name = study.paints if study else None
    path = folder.find(name, document.place("study", "paints"), "the list of paints") if name else None
    table = read_table(folder, path, _PAINT_COLUMNS) if path else None
    if table is None or not check_unique(folder, table, "name"):
        return ()
    lab = table.numbers("L", "a", "b")
    return tuple(
        (paint, (float(v[0]), float(v[1]), float(v[2]))) for paint, v in zip(table.columns["name"], lab, strict=True)
    )
