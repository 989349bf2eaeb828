"""A study folder read and checked: every fault in one pass, or a `Survey`."""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path
from typing import Any, TypeVar

import numpy as np

from fragkit.errors import SurveyError
from fragkit.frozen import frozen_array
from fragkit.survey.areas import read_areas
from fragkit.survey.control import image_header, read_chart, read_control, read_lens
from fragkit.survey.document import Document, read_document, validated
from fragkit.survey.entries import (
    DecisionEntry,
    FragmentEntry,
    LayoutEntry,
    LensEntry,
    PhotoEntry,
    ProposalEntry,
    Survey,
)
from fragkit.survey.folder import Folder, Place
from fragkit.survey.image_files import ImageHeader
from fragkit.survey.photographs import read_labels
from fragkit.survey.references import check_evidence, check_references
from fragkit.survey.review import ReviewEntry, read_review
from fragkit.survey.schema import (
    DecisionTable,
    FragmentTable,
    LayoutTable,
    LensTable,
    PhotoTable,
    ProposalTable,
    StudyTable,
    Table,
)
from fragkit.survey.tables import Column, read_table
from fragkit.survey.technique import read_technique
from fragkit.survey.walls import read_wall
from fragkit.survey.works import read_paints, read_works

_CENTRE_COLUMNS = (
    Column("x_mm"),
    Column("y_mm"),
    Column("sd_mm", above=0.0),
    Column("i", "whole", optional=True),
    Column("j", "whole", optional=True),
)
_FEWEST_CENTRES = 4
T = TypeVar("T", bound=Table)


def read_survey(folder: Path) -> Survey:
    """What the study folder says: photographs, control, fragments, walls, works and decisions.

    Parameters
    ----------
    folder : Path
        Holds survey.toml, its CSV tables and its photographs.

    Raises
    ------
    SurveyError
        With every fault of the folder, each with file, line or row, and what to do.

    Notes
    -----
    Photographs are checked by their header and their ends; their pixels are not decoded.
    """
    folder = Path(folder)
    study = Folder(folder)
    document = _open(study)
    survey = _read(study, document) if document is not None else None
    if study.faults or survey is None:
        raise SurveyError(tuple(study.faults))
    return survey


def _open(folder: Folder) -> Document | None:
    if not folder.root.is_dir():
        place = Place(str(folder.root))
        folder.fault(place, "there is no such folder.", "Correct the path, or start one with `fragkit new`.")
        return None
    return read_document(folder)


def _read(folder: Folder, document: Document) -> Survey | None:
    study = _section(folder, document, StudyTable, "study")
    layout = _section(folder, document, LayoutTable, "layout")
    walls = _some(read_wall(folder, document, k) for k in range(len(document.tables("wall"))))
    lenses = _read_lenses(folder, document)
    photos = _some(_read_photo_entry(folder, document, k) for k in range(len(document.tables("photo"))))
    fragments = _some(_read_fragment(folder, document, k) for k in range(len(document.tables("fragment"))))
    decisions = _read_decisions(folder, document)
    proposal = _read_proposal(folder, document)
    works = read_works(folder, document)
    technique = read_technique(folder, document)
    paints = read_paints(folder, document, study)
    check_references(folder, document)
    check_evidence(folder, document)
    if folder.faults or study is None or layout is None or technique is None or works is None:
        return None
    return Survey(
        folder=folder.root,
        title=study.title or folder.root.resolve().name,
        authors=tuple(study.authors),
        date=study.date,
        regime=study.regime,
        record_level=study.record_level,
        seed=study.seed,
        between_sd_ratio=study.between_sd_ratio,
        lenses=lenses,
        photos=photos,
        fragments=fragments,
        walls=walls,
        proposal=proposal,
        layout=_layout_entry(layout, study.seed),
        works=works,
        technique=technique,
        decisions=decisions,
        paints=paints,
        sources=dict(sorted(folder.sources.items())),
        notes=tuple(folder.notes),
    )


def _section(folder: Folder, document: Document, model: type[T], key: str) -> T | None:
    return validated(folder, document, model, document.data.get(key, {}), (key,))


def _some(entries: Iterable[Any]) -> tuple[Any, ...]:
    return tuple(entry for entry in entries if entry is not None)


def _read_lenses(folder: Folder, document: Document) -> dict[str, LensEntry]:
    lenses = {}
    for name, data in document.data.get("lens", {}).items():
        table = validated(folder, document, LensTable, data, ("lens", name))
        entry = read_lens(folder, document, name, table) if table else None
        if entry is not None:
            lenses[name] = entry
    return lenses


def _read_photo_entry(folder: Folder, document: Document, k: int) -> PhotoEntry | None:
    table = validated(folder, document, PhotoTable, document.tables("photo")[k], ("photo", k))
    if table is None:
        return None
    path = folder.find(table.file, document.place("photo", k, "file"), "the photograph")
    header = image_header(folder, path) if path else None
    control = read_control(folder, table.control, document.place("photo", k, "control"), header)
    labels = _find_labels(folder, document, k, table, header)
    example_px = _example(folder, document, k, table)
    repeat_range_mm = _repeat_range(folder, document, k, table)
    review = _review(folder, document, k, table)
    areas = read_areas(folder, table.areas, document.place("photo", k, "areas")) if table.areas else ()
    chart = None
    if table.chart is not None:
        chart = read_chart(folder, table.chart, document.place("photo", k, "chart"), header)
    if path is None or control is None:
        return None
    return PhotoEntry(
        name=table.name,
        file=path,
        fragment=table.fragment,
        control=control,
        lens=table.lens,
        flatness_mm=table.flatness_mm,
        labels=labels,
        chart=chart,
        example_px=example_px,
        repeat_range_mm=repeat_range_mm,
        review=review,
        areas=areas,
    )


def _review(folder: Folder, document: Document, k: int, table: PhotoTable) -> ReviewEntry | None:
    return read_review(folder, table.review, document.place("photo", k, "review")) if table.review else None


def _example(folder: Folder, document: Document, k: int, table: PhotoTable) -> tuple[float, float, float, float] | None:
    if table.example_px is None:
        return None
    x0, y0, x1, y1 = table.example_px
    if not (x0 < x1 and y0 < y1):
        message = f"the box of the example, {table.example_px}, is empty."
        folder.fault(document.place("photo", k, "example_px"), message, "Give [x0, y0, x1, y1] with x0 < x1, y0 < y1.")
    return x0, y0, x1, y1


def _repeat_range(folder: Folder, document: Document, k: int, table: PhotoTable) -> tuple[float, float] | None:
    if table.repeat_range_mm is None:
        return None
    shortest, longest = table.repeat_range_mm
    if shortest >= longest:
        message = f"the expected range of the repeat, {table.repeat_range_mm}, is empty."
        place = document.place("photo", k, "repeat_range_mm")
        folder.fault(place, message, "Give [shortest, longest] in mm.")
        return None
    return shortest, longest


def _find_labels(
    folder: Folder, document: Document, k: int, table: PhotoTable, photo: ImageHeader | None
) -> Path | None:
    place = document.place("photo", k, "labels")
    path = folder.find(table.labels, place, "the label picture") if table.labels else None
    header = image_header(folder, path) if path else None
    if path is None or header is None:
        return None
    size = (header.width_px, header.height_px)
    if photo is not None and size != (photo.width_px, photo.height_px):
        message = (
            f"{folder.label(path)!r} is {size[0]} × {size[1]} px, "
            f"its photograph {photo.width_px} × {photo.height_px} px as displayed."
        )
        folder.fault(place, message, "Draw the labels on the upright photograph at its full size.")
        return None
    try:
        read_labels(path)
    except SurveyError as error:
        folder.faults.extend(error.faults)
    return path


def _read_fragment(folder: Folder, document: Document, k: int) -> FragmentEntry | None:
    table = validated(folder, document, FragmentTable, document.tables("fragment")[k], ("fragment", k))
    if table is None:
        return None
    if table.wall is not None and table.origin_mm is None:
        folder.notes.append(
            f"Fragment {table.name!r} is on wall {table.wall!r}, but its origin_mm is not given: "
            "the layout is not tied to it."
        )
    origin = (table.origin_mm[0], table.origin_mm[1]) if table.origin_mm is not None else None
    return FragmentEntry(
        name=table.name,
        wall=table.wall,
        origin_mm=origin,
        origin_sd_mm=table.origin_sd_mm,
        turn_deg=table.turn_deg,
        turn_sd_deg=table.turn_sd_deg,
        **_read_centres(folder, document.place("fragment", k, "centres"), table),
    )


def _read_centres(folder: Folder, place: Place, table: FragmentTable) -> dict[str, Any]:
    path = folder.find(table.centres, place, "the table of centres") if table.centres else None
    centres = read_table(folder, path, _CENTRE_COLUMNS) if path else None
    if centres is None:
        return {}
    if len(centres) < _FEWEST_CENTRES:
        message = f"{len(centres)} motif centres cannot show a repeat."
        folder.fault(Place(centres.file), message, f"At least {_FEWEST_CENTRES} are needed; 30 or more are better.")
    if ("i" in centres.columns) != ("j" in centres.columns):
        folder.fault(Place(centres.file), "the columns i and j go together.", "Give both or none.")
        return {}
    index = frozen_array(centres.numbers("i", "j"), dtype=np.int64) if "i" in centres.columns else None
    return {
        "centres_xy_mm": frozen_array(centres.numbers("x_mm", "y_mm")),
        "centres_sd_mm": frozen_array(centres.numbers("sd_mm")),
        "centres_index": index,
    }


def _read_decisions(folder: Folder, document: Document) -> tuple[DecisionEntry, ...]:
    tables = [
        validated(folder, document, DecisionTable, data, ("decision", k))
        for k, data in enumerate(document.tables("decision"))
    ]
    return tuple(DecisionEntry(**table.model_dump()) for table in tables if table is not None)


def _read_proposal(folder: Folder, document: Document) -> ProposalEntry | None:
    if "proposal" not in document.data:
        return None
    table = _section(folder, document, ProposalTable, "proposal")
    return ProposalEntry(**table.model_dump()) if table is not None else None


def _layout_entry(table: LayoutTable, seed: int) -> LayoutEntry:
    values = table.model_dump()
    values["pinned"], values["panels"] = tuple(values["pinned"]), tuple(values["panels"])
    values["seed"] = seed if table.seed is None else table.seed
    return LayoutEntry(**values)
