"""What a record is written from: the results of a study, as far as it got."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from types import SimpleNamespace
from typing import TYPE_CHECKING, Any, Protocol, cast

import numpy as np
from numpy.typing import NDArray

if TYPE_CHECKING:
    from fragkit.colour import Colours
    from fragkit.lattice import Lattice, LocalSpacing, Pooled, PooledStep, RowFit
    from fragkit.layout import Layout
    from fragkit.motifs import Centres, Motif
    from fragkit.net import Nets
    from fragkit.rectify import Comparison, Rectified
    from fragkit.setting_out import SettingOut
    from fragkit.survey import Survey
    from fragkit.technique import RegularArea, Technique
    from fragkit.works import TakeOff, WorksPlan


FloatArray = NDArray[np.float64]


class StudyResult(Protocol):
    """Results of a study; what was not reached is None or missing from its mapping.

    Attributes
    ----------
    survey : Survey
    rectified, nets : mapping by photograph
    centres : mapping by photograph, or by fragment when its centres were measured by tape
    overlaps : mapping by two photographs of one fragment
    lattices, rows, spacings : mapping by fragment
    motif, pooled, step, colours, layout, setting, takeoff, works : one result each, or None
    technique : Technique, mapping of them by fragment, or None
        One for all fragments together, or one for each.
    skipped : sequence
        What was left out, and why: strings, or objects with `stage` and `reason`.
    provenance : mapping
        Version, options, time and machine-independent hashes.
    """

    @property
    def survey(self) -> Survey: ...
    @property
    def rectified(self) -> Mapping[str, Rectified]: ...
    @property
    def nets(self) -> Mapping[str, Nets]: ...
    @property
    def centres(self) -> Mapping[str, Centres]: ...
    @property
    def overlaps(self) -> Mapping[tuple[str, str], Comparison | None]: ...
    @property
    def lattices(self) -> Mapping[str, Lattice]: ...
    @property
    def rows(self) -> Mapping[str, RowFit]: ...
    @property
    def spacings(self) -> Mapping[str, LocalSpacing | None]: ...
    @property
    def motif(self) -> Motif | None: ...
    @property
    def pooled(self) -> Pooled | None: ...
    @property
    def step(self) -> PooledStep | None: ...
    @property
    def colours(self) -> Colours | None: ...
    @property
    def technique(self) -> Technique | Mapping[str, Technique] | None: ...
    @property
    def layout(self) -> Layout | None: ...
    @property
    def setting(self) -> SettingOut | None: ...
    @property
    def takeoff(self) -> TakeOff | None: ...
    @property
    def works(self) -> WorksPlan | None: ...
    @property
    def skipped(self) -> Sequence[Any]: ...
    @property
    def provenance(self) -> Mapping[str, Any]: ...


_ATTRIBUTES = tuple(name for name, value in vars(StudyResult).items() if isinstance(value, property))


def without_pictures(result: StudyResult) -> StudyResult:
    """The result without photographs and motif, which are by far the largest part of it."""
    kept = {name: getattr(result, name) for name in _ATTRIBUTES if name != "rectified"}
    plain = {name: dict(value) if isinstance(value, Mapping) else value for name, value in kept.items()}
    return cast("StudyResult", SimpleNamespace(**plain | {"rectified": {}, "motif": None}))


def fits_of(result: StudyResult) -> dict[str, Lattice | RowFit]:
    """The fit of each fragment by name: of its net, or of the single row that it shows."""
    return {**result.lattices, **result.rows}


def techniques(result: StudyResult) -> dict[str, Technique]:
    """The technique by fragment; "" stands for all fragments weighed together."""
    if result.technique is None:
        return {}
    return dict(result.technique) if isinstance(result.technique, Mapping) else {"": result.technique}


def regular_areas_by_wall(result: StudyResult) -> dict[str, list[tuple[str, FloatArray, RegularArea]]]:
    """The suspiciously regular areas on each wall: fragment, outline (m, 2) in mm in the wall's frame, and area."""
    names, placed = list(fits_of(result)), {one.name: one for one in result.survey.fragments}
    found: dict[str, list[tuple[str, FloatArray, RegularArea]]] = {}
    for name, technique in techniques(result).items():
        for area in technique.regular_areas or ():
            fragment = placed[name or names[area.fragment]]
            if fragment.wall is not None and fragment.origin_mm is not None:
                own = found.setdefault(fragment.wall, [])
                own.append((fragment.name, fragment.to_wall_mm(area.outline_mm), area))
    return found


def fragment_of(result: StudyResult, name: str) -> str:
    """The fragment that the photograph `name` shows; a fragment measured by tape is its own."""
    return next((photo.fragment for photo in result.survey.photos if photo.name == name), name)


def photo_file(result: StudyResult, name: str) -> str | None:
    """The file of the photograph `name`, as the study names it: relative to the study folder where it lies in it."""
    path = next((Path(photo.file) for photo in result.survey.photos if photo.name == name), None)
    if path is None:
        return None
    folder = Path(result.survey.folder)
    return path.relative_to(folder).as_posix() if path.is_relative_to(folder) else path.name


def fields_of(holder: Any, *names: str) -> dict[str, Any]:
    """Some attributes of `holder` by name."""
    return {name: getattr(holder, name) for name in names}


def skipped_rows(result: StudyResult) -> list[dict[str, str]]:
    """What was left out, each with stage and reason."""
    rows = []
    for entry in result.skipped:
        if isinstance(entry, str):
            rows.append({"stage": "", "reason": entry})
        elif isinstance(entry, Mapping):
            rows.append({key: str(value) for key, value in entry.items()})
        else:
            subject = str(getattr(entry, "subject", ""))
            rows.append({"stage": str(entry.stage), "subject": subject, "reason": str(entry.reason)})
    return rows
