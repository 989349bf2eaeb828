"""What a study gives back: the result of every stage, what was skipped and why, and where it came from."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from fragkit.card import card
from fragkit.colour import Colours
from fragkit.lattice import Lattice, LocalSpacing, Pooled, PooledStep, RowFit
from fragkit.layout import Layout, PlacedCentres
from fragkit.motifs import Centres, Motif
from fragkit.net import Nets
from fragkit.rectify import Comparison, Rectified
from fragkit.setting_out import SettingOut
from fragkit.study.skipped import Skipped
from fragkit.survey import Survey
from fragkit.technique import Technique
from fragkit.works import TakeOff, WorksPlan


@dataclass(frozen=True, eq=False, kw_only=True)
class StudyResult:
    """Everything that a study found.

    Attributes
    ----------
    survey : Survey
    rectified, nets, centres : mapping
        By name of photograph.
    unreviewed : mapping
        The centres by name of photograph as the program found them, before a person's decisions.
    merged : mapping
        Centres by name of fragment, all its photographs together; for fragments that were photographed.
    lattices : mapping
        By name of fragment.
    rows : mapping
        By name of fragment: the step of one that shows a single row.
    motif, pooled, step, colours, technique : or None
        What the fragments say together; `step` where every one shows a single row, as of a frieze.
    placed : tuple of PlacedCentres
        The found motifs of each fragment in the frame of its wall.
    layout, setting, takeoff, works : or None
        On the walls; None without walls.
    skipped : tuple of Skipped
    provenance : mapping
        Versions, hashes of the sources, options and seed.
    notes : tuple of str
    overlaps : mapping
        Each photograph of a fragment compared with the next, by both names; None where they share too little.
    spacings : mapping
        Local spacing by name of fragment; None for one with too few motifs to show it.
    """

    survey: Survey
    rectified: Mapping[str, Rectified]
    nets: Mapping[str, Nets]
    centres: Mapping[str, Centres]
    unreviewed: Mapping[str, Centres]
    merged: Mapping[str, Centres]
    lattices: Mapping[str, Lattice]
    motif: Motif | None
    pooled: Pooled | None
    colours: Colours | None
    technique: Technique | None
    placed: tuple[PlacedCentres, ...]
    layout: Layout | None
    setting: SettingOut | None
    takeoff: TakeOff | None
    works: WorksPlan | None
    skipped: tuple[Skipped, ...]
    provenance: Mapping[str, Any]
    notes: tuple[str, ...] = ()
    overlaps: Mapping[tuple[str, str], Comparison | None] = field(default_factory=dict)
    spacings: Mapping[str, LocalSpacing | None] = field(default_factory=dict)
    rows: Mapping[str, RowFit] = field(default_factory=dict)
    step: PooledStep | None = None

    @property
    def is_answered(self) -> bool:
        """Whether at least one fragment shows a repeat, of a net or along a single row."""
        return bool(self.n_measured)

    @property
    def n_measured(self) -> int:
        """Fragments with a net or a row."""
        return len(self.lattices) + len(self.rows)

    def __repr__(self) -> str:
        counts = f"{len(self.rectified)} photographs, {self.n_measured} fragments measured"
        walls = f", {len(self.layout.walls)} walls laid out" if self.layout else ""
        return f"StudyResult({self.survey.title!r}, {counts}{walls}, {len(self.skipped)} skipped)"

    def _repr_html_(self) -> str:
        rows = [
            ("photographs rectified", f"{len(self.rectified)} of {len(self.survey.photos)}"),
            ("fragments measured", f"{self.n_measured} of {len(self.survey.fragments)}"),
            ("repeat", self._repeat_words()),
            ("placed", self.technique.placing.words if self.technique else "not weighed"),
            ("formed", self.technique.forming.words if self.technique else "not weighed"),
            ("motifs laid out", str(self.layout.n_motifs) if self.layout else "none"),
        ]
        doubts = [f"Skipped: {entry}" for entry in self.skipped]
        drawn = self.layout.sketched() if self.layout else ""
        return card(self.survey.title, rows, notes=[*doubts, *self.notes], drawing=drawn)

    def _repeat_words(self) -> str:
        if self.step is not None:
            return f"{self.step.step_mm:.1f} mm along a single row"
        return f"{self.pooled.across_mm:.1f} × {self.pooled.down_mm:.1f} mm" if self.pooled else "none"
