"""A widget to tune the layout of a wall by sliders, and to keep a version with its reason."""

from __future__ import annotations

import datetime
from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Any

import anywidget
import numpy as np
import traitlets

from fragkit.errors import EstimationError, FragkitError
from fragkit.lattice import Pooled
from fragkit.layout import Layout, WallLayout, lay_out
from fragkit.motifs import Motif
from fragkit.notebook.front_end import script, style
from fragkit.notebook.history import History
from fragkit.record.choices import write_choices
from fragkit.study.proposal import adopt_proposal
from fragkit.study.results import StudyResult
from fragkit.survey import ProposalEntry, WallEntry

SLIDE_RATIO = 0.03
"""The repeat can be drawn this far beyond its measured value, to either side."""

MARKS = {"measured on the wall": 0, "legible trace": 0, "interpolated between evidence": 1}
"""How a motif is drawn by the class of its place: 0 filled, 1 half filled, 2 (all others) in outline."""


class WallTuner(anywidget.AnyWidget):
    """Settings of the layout of one wall, as they stand.

    They live here, in the kernel: reloading the page loses nothing. `layout` is the room that follows, as
    `fragkit run` lays it out once a version is kept with `keep(reason)`.
    """

    _esm = script("tuning.js")
    _css = style()
    settings: traitlets.Dict[str, Any] = traitlets.Dict().tag(sync=True)
    limits: traitlets.Dict[str, Any] = traitlets.Dict().tag(sync=True)
    shapes: traitlets.Dict[str, Any] = traitlets.Dict().tag(sync=True)
    motifs = traitlets.Bytes().tag(sync=True)
    outcome: traitlets.Dict[str, Any] = traitlets.Dict().tag(sync=True)
    versions: traitlets.List[Any] = traitlets.List().tag(sync=True)

    def __init__(self, result: StudyResult, pooled: Pooled, motif: Motif, *, number: int) -> None:
        self._result, self._number, self._pooled, self._motif = result, number, pooled, motif
        wall = result.survey.walls[number]
        settings = _opened(result, pooled, wall)
        self._layout: Layout | None = None
        self._is_draft = True
        self._n_drawn = 0
        super().__init__(settings=settings, limits=_limits(pooled), versions=[])
        self._history = History(settings)
        self.observe(self._changed, "settings")
        self.on_msg(self._asked)
        self._draw(whole=True)
        self.shapes = self._plain_shapes()

    @property
    def layout(self) -> Layout | None:
        """The room with these settings; None where it has no room for a motif."""
        if self._is_draft:
            self._draw(whole=True)
        return self._layout

    @property
    def wall(self) -> WallLayout | None:
        """The tuned wall with these settings."""
        layout = self.layout
        return None if layout is None else self._own(layout)

    def keep(self, reason: str) -> str:
        """Write the settings and why they were chosen into survey.toml; say what was written.

        Raises
        ------
        ValueError
            There is no reason, or no layout.
        OutputError
            The file cannot be edited safely or written; it is then untouched.
        """
        if not reason.strip():
            raise ValueError("Say why this version is kept: the record lists every choice with its reason.")
        if self.wall is None:
            raise ValueError("These settings give no layout; change them before they are kept.")
        words = self._words()
        proposal = self._proposal(reason.strip())
        keys = None if proposal is None else proposal.typed
        choices = {name: self.settings[name] for name in ("on_axis", "follow", "irregularity_ratio")}
        decision = {"what": f"Layout of the wall {self.wall.name}", "choice": words, "reason": reason.strip()}
        write_choices(
            self._result.survey.folder,
            {"proposal": None if keys is None else {**keys, "reason": reason.strip()}, "layout": choices},
            inner=self._wall_keys(),
            decision={**decision, "date": datetime.date.today().isoformat()},
        )
        self.versions = [*self.versions, {"words": words, "reason": reason.strip(), "settings": dict(self.settings)}]
        return f"Version {len(self.versions)} kept in survey.toml with its reason; `fragkit run` now lays it out."

    def _wall_keys(self) -> dict[tuple[str | int, ...], dict[str, Any]]:
        wall = self._result.survey.walls[self._number]
        keys: dict[tuple[str | int, ...], dict[str, Any]] = {}
        if self.settings["clearance_mm"] != wall.clearance_mm:
            keys[("wall", self._number)] = {"clearance_mm": self.settings["clearance_mm"]}
        if self.settings["rule"] != "as surveyed":
            for k in range(len(wall.edges)):
                keys[("wall", self._number, "edge", k)] = {"rule": self.settings["rule"]}
        return keys

    def _proposal(self, reason: str) -> ProposalEntry | None:
        """The repeat as typed; None where it is the measured one."""
        measured = self._pooled
        sides = {key: (getattr(measured, key), self.settings[key]) for key in ("across_mm", "down_mm")}
        if all(round(before, 1) == now for before, now in sides.values()):
            return self._result.survey.proposal
        typed = {key: round(before, 3) if round(before, 1) == now else now for key, (before, now) in sides.items()}
        return ProposalEntry(**typed, offset_ratio=round(measured.offset_ratio, 4), reason=reason)

    def _changed(self, change: dict[str, Any]) -> None:
        self._history.keep(change["new"])
        self._draw(whole=False)

    def _draw(self, *, whole: bool) -> None:
        """Lay out and show the wall: alone, which is quick, or with the whole room, whose rows are fitted together."""
        self._n_drawn += 1
        self._is_draft = not whole
        try:
            self._layout = self._lay_out(whole=whole)
        except (EstimationError, ValueError) as error:
            self._layout, self.motifs = None, b""
            lines = [f"No layout with these settings. {error}"]
            self.outcome = {"lines": lines, "dropped": [], "n": self._n_drawn}
            return
        wall = self._own(self._layout)
        room = f"{self._layout.n_motifs} in the room" if whole else "this wall alone, the room follows"
        lines = [self._words(), *_wall_lines(wall, room)]
        dropped = [[float(x), float(y)] for _, _, (x, y), _ in wall.dropped]
        with self.hold_sync():
            self.motifs = _plain_motifs(wall, list(self._layout.forms))
            self.outcome = {"lines": lines, "dropped": dropped, "n": self._n_drawn}

    def _own(self, layout: Layout) -> WallLayout:
        name = self._result.survey.walls[self._number].name
        return next(wall for wall in layout.walls if wall.name == name)

    def _lay_out(self, *, whole: bool) -> Layout:
        survey = self._result.survey
        chosen = {name: self.settings[name] for name in ("on_axis", "follow", "irregularity_ratio")}
        options = replace(survey.layout, choice=None, **chosen)
        walls = [self._tuned(wall) if k == self._number else wall for k, wall in enumerate(survey.walls)]
        if not whole:
            walls = [replace(walls[self._number], next=None)]
            pinned, panels = (_of_wall(entries, walls[0].name) for entries in (options.pinned, options.panels))
            options = replace(options, closing=None, pinned=pinned, panels=panels)
        names = [wall.name for wall in walls]
        return lay_out(
            walls,
            adopt_proposal(self._pooled, self._proposal("being tuned")),
            self._motif,
            fragments=[placed for placed in self._result.placed if placed.wall in names],
            options=options,
        )

    def _tuned(self, wall: WallEntry) -> WallEntry:
        rule = self.settings["rule"]
        edges = wall.edges if rule == "as surveyed" else tuple(replace(edge, rule=rule) for edge in wall.edges)
        return replace(wall, edges=edges, clearance_mm=self.settings["clearance_mm"])

    def _words(self) -> str:
        s = self.settings
        return (
            f"{s['across_mm']:.1f} × {s['down_mm']:.1f} mm, a {s['on_axis']} on the axis, rows follow the "
            f"{s['follow'].replace('level', 'level line')}, edges {s['rule']}, {s['clearance_mm']:.0f} mm clear, "
            f"{s['irregularity_ratio']:.1f} of the old hand's scatter"
        )

    def _plain_shapes(self) -> dict[str, Any]:
        wall = self._result.survey.walls[self._number]
        forms = {} if self._layout is None else self._layout.forms
        return {
            "name": wall.name,
            "outline": np.round(wall.outline_mm, 1).tolist(),
            "openings": [np.round(opening.outline_mm, 1).tolist() for opening in wall.openings],
            "axis": None if wall.axis_x_mm is None else float(wall.axis_x_mm),
            "forms": [[np.round(ring, 2).tolist() for ring in outlines["metal"]] for outlines in forms.values()],
        }

    def _asked(self, _widget: Any, message: dict[str, Any], _buffers: Any) -> None:
        """Do what the browser asks, and answer in words."""
        try:
            if message["ask"] == "save":
                self.settings = message["settings"]
                self.send({"say": self.keep(message.get("reason", ""))})
            elif message["ask"] == "settle":
                self._draw(whole=True)
            else:
                self.send({"say": self._step(message["by"])})
        except (FragkitError, ValueError) as error:
            self.send({"say": str(error)})

    def _step(self, by: int) -> str:
        settings = self._history.step(by)
        if settings is None:
            return "There is nothing to undo." if by < 0 else "There is nothing to redo."
        self.settings = settings
        return "Undone." if by < 0 else "Done again."


def tune_wall(result: StudyResult, wall: str) -> WallTuner:
    """A widget to tune the layout of a wall: repeat, axis, edges, clearance and irregularity.

    Parameters
    ----------
    result : StudyResult
        From `run_study`, with a layout.
    wall : str
        Name of the wall.

    Raises
    ------
    ValueError
        The study has no layout, or no wall of that name.
    """
    names = [entry.name for entry in result.survey.walls]
    if result.layout is None or result.pooled is None or result.motif is None:
        raise ValueError("The study has no layout to tune: run it with walls first, and see what was skipped.")
    if wall not in names:
        raise ValueError(f"There is no wall called {wall!r}; there are: {', '.join(names)}.")
    return WallTuner(result, result.pooled, result.motif, number=names.index(wall))


def _opened(result: StudyResult, pooled: Pooled, wall: WallEntry) -> dict[str, Any]:
    """The settings that the study was laid out with."""
    across_mm, down_mm = _rounded(pooled)
    options = result.survey.layout
    return {
        "across_mm": across_mm,
        "down_mm": down_mm,
        "on_axis": options.on_axis,
        "follow": options.follow,
        "rule": "as surveyed",
        "clearance_mm": wall.clearance_mm,
        "irregularity_ratio": options.irregularity_ratio,
    }


def _of_wall(entries: Sequence[Mapping[str, Any]], wall: str) -> tuple[Mapping[str, Any], ...]:
    return tuple(entry for entry in entries if entry["wall"] == wall)


def _rounded(pooled: Pooled) -> tuple[float, float]:
    return round(float(pooled.across_mm), 1), round(float(pooled.down_mm), 1)


def _limits(pooled: Pooled) -> dict[str, Any]:
    across, down = _rounded(pooled)
    sides = {"across_mm": across, "down_mm": down}
    return {
        **{key: [round(s * (1 - SLIDE_RATIO), 1), round(s * (1 + SLIDE_RATIO), 1), 0.1] for key, s in sides.items()},
        "clearance_mm": [0.0, 60.0, 1.0],
        "irregularity_ratio": [0.0, 2.0, 0.1],
        "on_axis": ["motif", "gap"],
        "follow": ["level", "edges", "fan"],
        "rule": ["as surveyed", "shift", "reduce", "reshape", "omit"],
    }


def _wall_lines(wall: WallLayout, room: str) -> list[str]:
    strain = 100.0 * np.asarray(wall.strain_ratio)
    margins: Mapping[str, float] = dict(zip(("left", "right", "bottom", "top"), wall.margins_mm, strict=True))
    edges = ", ".join(f"{side} {value:.0f}" for side, value in margins.items())
    return [
        f"{wall.n_motifs} motifs on {wall.name}, {len(wall.eased)} eased at edges, {wall.n_dropped} left out; {room}.",
        f"Laid at {wall.across_mm:.2f} × {wall.down_mm:.2f} mm: {strain[0]:+.2f} % across, {strain[1]:+.2f} % down.",
        f"Outermost lines to the edges, mm: {edges}.",
        f"On the axis: {wall.on_axis}.",
    ]


def _plain_motifs(wall: WallLayout, forms: list[str]) -> bytes:
    """x, y (mm), scale, number of the form, mark of its class, and 1 if eased: six float32 a motif."""
    eased = np.zeros(wall.n_motifs)
    eased[list(wall.eased)] = 1.0
    places = np.asarray(wall.xy_mm) + np.asarray(wall.scatter_mm)
    marks = [MARKS.get(name, 2) for name in wall.position_class]
    numbers = [forms.index(name) for name in wall.form]
    return np.column_stack([places, wall.scale_ratio, numbers, marks, eased]).astype("<f4").tobytes()
