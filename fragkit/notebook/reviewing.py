"""A widget to review the motifs found in a photograph: the doubtful first; accept, move or drop each."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import anywidget
import numpy as np
import traitlets

from fragkit.errors import EstimationError, FragkitError
from fragkit.frozen import frozen_array
from fragkit.lattice import Lattice, Pooled, PooledStep, RowFit
from fragkit.motifs import Centres
from fragkit.notebook.doubts import weigh_doubts
from fragkit.notebook.front_end import picture_bytes, script, style
from fragkit.notebook.history import History
from fragkit.record.choices import write_review
from fragkit.record.control import name_in_survey
from fragkit.record.study_result import fits_of
from fragkit.study.refit import Refitted, refit
from fragkit.study.results import StudyResult
from fragkit.study.review import reviewed
from fragkit.survey import PhotoEntry, ReviewEntry
from fragkit.units import counted, interval

POINTING_SD_MM = 0.5
"""One standard deviation of a centre that a person points at, per coordinate; common practice, no source."""


class CentreReview(anywidget.AnyWidget):
    """Decisions about the motifs of one photograph, as they stand.

    They live here, in the kernel: reloading the page loses nothing. `centres`, `lattice` and `pooled` are what
    follows from them; `save()` writes them into the study, where `fragkit run` finds them.
    """

    _esm = script("reviewing.js")
    _css = style()
    picture = traitlets.Bytes().tag(sync=True)
    size_px: traitlets.List[Any] = traitlets.List().tag(sync=True)
    sites: traitlets.List[Any] = traitlets.List().tag(sync=True)
    decisions: traitlets.List[Any] = traitlets.List().tag(sync=True)
    outcome: traitlets.Dict[str, Any] = traitlets.Dict().tag(sync=True)

    def __init__(self, result: StudyResult, entry: PhotoEntry, *, sd_mm: float) -> None:
        self._result, self._entry, self._sd_mm = result, entry, sd_mm
        self._plane = result.rectified[entry.name]
        self._found = result.unreviewed[entry.name]
        self._before = result.step or result.pooled
        height, width = self._plane.picture.pixels.shape[:2]
        sites = self._plain_sites()
        super().__init__(
            picture=picture_bytes(self._plane.picture),
            size_px=[width, height],
            sites=sites,
            decisions=self._opened({site["number"]: site["name"] for site in sites}),
        )
        self._history = History(self.decisions)
        self.observe(self._changed, "decisions")
        self.on_msg(self._asked)
        self._judge()

    @property
    def review(self) -> ReviewEntry:
        """The decisions as the study keeps them, in mm on the plane."""
        sites = {site["name"]: site for site in self.sites}
        rows = [(one, sites[one["site"]]) for one in self.decisions if one["site"] in sites]
        to = self._plane.picture.to_mm(np.array([self._to_px(one, site) for one, site in rows], float).reshape(-1, 2))
        at = np.array([self._found.xy_mm[site["number"]] for _, site in rows], float).reshape(-1, 2)
        is_moved = np.array([one["verdict"] == "move" for one, _ in rows], bool)
        return ReviewEntry(
            xy_mm=frozen_array(at),
            verdict=tuple(one["verdict"] for one, _ in rows),
            to_xy_mm=frozen_array(np.where(is_moved[:, None], to, at)),
            sd_mm=frozen_array(np.where(is_moved, self._sd_mm, 0.0)),
        )

    @property
    def centres(self) -> Centres:
        """The motifs of the photograph with the decisions taken."""
        return reviewed(self._found, self.review, covariance_mm2=self._plane.covariance_mm2)

    @property
    def lattice(self) -> Lattice | RowFit | None:
        """The net or row of the fragment that follows; None where too little is left."""
        return self._refitted.fit if self._refitted else None

    @property
    def pooled(self) -> Pooled | PooledStep | None:
        """The repeat of the study, or the step of its frieze, that follows; None where too little is left."""
        return self._refitted.repeat if self._refitted else None

    def save(self) -> str:
        """Write the decisions into the study, and the name of their table into survey.toml; say what was written.

        Raises
        ------
        OutputError
            A file cannot be written; what was there before is untouched.
        """
        folder, table = self._result.survey.folder, f"{self._entry.name}-reviewed.csv"
        write_review(self.review, folder / table)
        file = self._entry.file.relative_to(folder).as_posix()
        is_named = name_in_survey(folder, file, {"review": table})
        said = f"{counted(len(self.decisions), 'decision')} saved in {table}; `fragkit run` now works with them"
        return f"{said}." if is_named else f"{table} saved, but no survey.toml names {file}."

    def _to_px(self, one: dict[str, Any], site: dict[str, Any]) -> tuple[float, float]:
        return (one["x_px"], one["y_px"]) if one["verdict"] == "move" else (site["x_px"], site["y_px"])

    def _plain_sites(self) -> list[dict[str, Any]]:
        centres, fragment = self._found, self._entry.fragment
        doubts = weigh_doubts(centres, fits_of(self._result).get(fragment))
        places = self._plane.picture.to_px(centres.xy_mm)
        return [
            {
                "number": int(k),
                "name": f"{centres.index[k, 0]}, {centres.index[k, 1]}",
                "x_px": round(float(places[k, 0]), 3),
                "y_px": round(float(places[k, 1]), 3),
                "status": centres.status[k],
                "why": doubts.words[k],
            }
            for k in doubts.order
        ]

    def _opened(self, names: dict[int, str]) -> list[dict[str, Any]]:
        """The decisions that the study holds already."""
        review = self._entry.review
        if review is None:
            return []
        numbers = [int(np.argmin(np.hypot(*(self._found.xy_mm - at).T))) for at in review.xy_mm]
        places = self._plane.picture.to_px(review.to_xy_mm)
        rows = zip(numbers, review.verdict, places, strict=True)
        return [_decision(names[k], verdict, place) for k, verdict, place in rows if k in names]

    def _changed(self, change: dict[str, Any]) -> None:
        self._history.keep(change["new"])
        self._judge()

    def _judge(self) -> None:
        self._refitted: Refitted | None = None
        try:
            self._refitted = refit(self._result, self._entry.name, self.centres)
            lines = _lines(self._refitted, self._before)
        except (EstimationError, ValueError) as error:
            lines = [f"No repeat with these decisions. {error}"]
        self.outcome = {"lines": lines}

    def _asked(self, _widget: Any, message: dict[str, Any], _buffers: Any) -> None:
        """Do what the browser asks, and answer in words."""
        try:
            if message["ask"] == "save":
                self.decisions = message["decisions"]
                self.send({"say": self.save()})
            else:
                self.send({"say": self._step(message["by"])})
        except (FragkitError, ValueError) as error:
            self.send({"say": str(error)})

    def _step(self, by: int) -> str:
        decisions = self._history.step(by)
        if decisions is None:
            return "There is nothing to undo." if by < 0 else "There is nothing to redo."
        self.decisions = decisions
        return "Undone." if by < 0 else "Done again."


def review_centres(result: StudyResult, photo: str, *, sd_mm: float = POINTING_SD_MM) -> CentreReview:
    """A widget to review the motifs that were found in a photograph of the study.

    Parameters
    ----------
    result : StudyResult
        From `run_study`.
    photo : str
        Name of the photograph.
    sd_mm : float
        One standard deviation, per coordinate, of a centre that is moved by eye.

    Raises
    ------
    ValueError
        No photograph of that name gave centres, or `sd_mm` is not positive.
    """
    if photo not in result.unreviewed:
        known = ", ".join(result.unreviewed) or "none"
        raise ValueError(f"No motifs were found in a photograph called {photo!r}; there are: {known}.")
    if not sd_mm > 0:
        raise ValueError(f"sd_mm is {sd_mm}; it must be above 0, as nobody points without error.")
    return CentreReview(result, next(entry for entry in result.survey.photos if entry.name == photo), sd_mm=sd_mm)


def _decision(site: str, verdict: str, place: Sequence[float]) -> dict[str, Any]:
    x, y = (round(float(value), 3) for value in place)
    return {"site": site, "verdict": verdict, "x_px": x, "y_px": y}


def _lines(refitted: Refitted, before: Pooled | PooledStep | None) -> list[str]:
    fit, repeat = refitted.fit, refitted.repeat
    lines = _repeat_lines(repeat) if isinstance(repeat, Pooled) else _step_lines(repeat)
    lines.append(f"This fragment: {fit.n_centres} motifs, placed within {fit.residual_sd_mm:.2f} mm (one sd).")
    moved = []
    if isinstance(repeat, Pooled) and isinstance(before, Pooled):
        moved = [(repeat.across_mm - before.across_mm, "across"), (repeat.down_mm - before.down_mm, "down")]
    if isinstance(repeat, PooledStep) and isinstance(before, PooledStep):
        moved = [(repeat.step_mm - before.step_mm, "along the row")]
    if moved:
        change = ", ".join(f"{round(by, 2) + 0.0:+.2f} mm {way}" for by, way in moved)
        lines.append(f"Against the study as it was run: {change}.")
    return [*lines, f"Drift: {fit.drift.text}."]


def _step_lines(step: PooledStep) -> list[str]:
    return [
        f"From motif to motif {step.step_mm:.2f} mm, in a single row.",
        f"On a new wall, 95 in 100: {interval(step.interval_new_wall, 'mm')}.",
    ]


def _repeat_lines(pooled: Pooled) -> list[str]:
    across, down = pooled.interval_new_wall["across_mm"], pooled.interval_new_wall["down_mm"]
    return [
        f"Repeat {pooled.across_mm:.2f} × {pooled.down_mm:.2f} mm, rows shifted by {pooled.offset_ratio:.3f}.",
        f"On a new wall, 95 in 100: {interval(across, 'mm')} across, {interval(down, 'mm')} from row to row.",
    ]
