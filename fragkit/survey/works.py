"""What the works need: leaf, prices, a timed trial; and the list of paints."""

from __future__ import annotations

import numpy as np

from fragkit.frozen import frozen_array
from fragkit.survey.document import Document, validated
from fragkit.survey.entries import FloatArray, PriceEntry, WorksEntry
from fragkit.survey.folder import Folder, Place
from fragkit.survey.schema import StudyTable, WorksTable
from fragkit.survey.tables import Column, check_unique, read_table

_PAINT_COLUMNS = (Column("name", "text"), Column("L"), Column("a"), Column("b"))
_PRICE_COLUMNS = (
    Column("item", "text"),
    Column("unit", "text"),
    Column("price", least=0.0),
    Column("currency", "text"),
)
_TRIAL_COLUMNS = (Column("motif", "whole", least=1), Column("minutes", above=0.0))


def read_works(folder: Folder, document: Document) -> WorksEntry | None:
    """`[works]` with its tables, or None and its faults."""
    table = validated(folder, document, WorksTable, document.data.get("works", {}), ("works",))
    if table is None:
        return None
    side = (table.leaf_side_mm[0], table.leaf_side_mm[1]) if table.leaf_side_mm is not None else None
    return WorksEntry(
        metal=table.metal,
        leaf_side_mm=side,
        leaves_per_book=table.leaves_per_book,
        margin_mm=table.margin_mm,
        prices=_read_prices(folder, document, table),
        trial_minutes=_read_trial(folder, document, table),
        crew=table.crew,
        hours_per_day=table.hours_per_day,
        instruments=tuple(table.instruments),
    )


def _read_prices(folder: Folder, document: Document, works: WorksTable) -> tuple[PriceEntry, ...]:
    place = document.place("works", "prices")
    path = folder.find(works.prices, place, "the table of prices") if works.prices else None
    table = read_table(folder, path, _PRICE_COLUMNS) if path else None
    if table is None:
        return ()
    check_unique(folder, table, "item")
    currencies = sorted(set(table.columns["currency"]))
    if len(currencies) > 1:
        folder.fault(
            Place(table.file), f"prices in {' and '.join(currencies)}.", "Use one currency throughout."
        )
    rows = zip(*(table.columns[column.name] for column in _PRICE_COLUMNS), strict=True)
    return tuple(
        PriceEntry(item=item, unit=unit, price=price, currency=cur) for item, unit, price, cur in rows
    )


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
        (paint, (float(v[0]), float(v[1]), float(v[2])))
        for paint, v in zip(table.columns["name"], lab, strict=True)
    )
