"""A widget to weigh the evidence of how motifs were placed: for an area of a fragment, under stated priors."""

from __future__ import annotations

import datetime
from dataclasses import replace
from typing import Any

import anywidget
import numpy as np
import traitlets

from fragkit.errors import EstimationError, FragkitError
from fragkit.lattice import Lattice, fit_lattice
from fragkit.notebook.front_end import picture_bytes, script, style
from fragkit.notebook.history import History
from fragkit.record.choices import write_choices
from fragkit.study.results import StudyResult
from fragkit.survey import PhotoEntry
from fragkit.technique import FORMINGS, PLACINGS, Priors, Technique, Verdict, reweigh, weigh_technique

FEWEST_MOTIFS = 6
N_CALIBRATION = 20
"""Sets simulated for an area: enough to warn, and quick; the study itself simulates more."""


class EvidenceScale(anywidget.AnyWidget):
    """Prior weights and an area of one photograph, as they stand.

    They live here, in the kernel: reloading the page loses nothing. `technique` is the verdict of the study under
    the weights, `area` that of the chosen area alone; `keep(reason)` writes the weights into the study.
    """

    _esm = script("weighing.js")
    _css = style()
    picture = traitlets.Bytes().tag(sync=True)
    size_px: traitlets.List[Any] = traitlets.List().tag(sync=True)
    motifs: traitlets.List[Any] = traitlets.List().tag(sync=True)
    regular: traitlets.List[Any] = traitlets.List().tag(sync=True)
    chosen: traitlets.Dict[str, Any] = traitlets.Dict().tag(sync=True)
    outcome: traitlets.Dict[str, Any] = traitlets.Dict().tag(sync=True)

    def __init__(self, result: StudyResult, technique: Technique, entry: PhotoEntry) -> None:
        self._folder, self._seed, self._technique = result.survey.folder, result.survey.seed, technique
        self._plane = result.rectified[entry.name].picture
        self._lattice = result.lattices[entry.fragment]
        fragment = list(result.lattices).index(entry.fragment)
        areas = [area.outline_mm for area in technique.regular_areas if area.fragment == fragment]
        height, width = self._plane.pixels.shape[:2]
        weights = {"placing": dict(technique.priors.placing), "forming": dict(technique.priors.forming)}
        super().__init__(
            picture=picture_bytes(self._plane),
            size_px=[width, height],
            motifs=np.round(self._plane.to_px(self._lattice.xy_mm), 2).tolist(),
            regular=[np.round(self._plane.to_px(outline), 1).tolist() for outline in areas],
            chosen={"box_px": [], **weights},
        )
        self._area: Technique | None = None
        self._weighed_box: list[float] = []
        self._history = History(self.chosen)
        self.observe(self._changed, "chosen")
        self.on_msg(self._asked)
        self._judge()

    @property
    def priors(self) -> Priors:
        """The priors as they stand."""
        before = self._technique.priors
        placing, forming = self.chosen["placing"], self.chosen["forming"]
        if placing == dict(before.placing) and forming == dict(before.forming):
            return before
        return replace(before, placing=placing, forming=forming, source="stated in the study")

    @property
    def technique(self) -> Technique:
        """The evidence of the whole study under these priors."""
        return reweigh(self._technique, priors=self.priors)

    @property
    def area(self) -> Technique | None:
        """The evidence of the motifs in the chosen area alone; None without one, or with too few motifs."""
        return None if self._area is None else reweigh(self._area, priors=self.priors)

    def keep(self, reason: str) -> str:
        """Write the prior weights and why they were chosen into survey.toml; say what was written.

        Raises
        ------
        ValueError
            There is no reason.
        OutputError
            The file cannot be edited safely or written; it is then untouched.
        """
        if not reason.strip():
            raise ValueError("Say why these weights are kept: the record lists every choice with its reason.")
        weights = {name: dict(self.chosen[name]) for name in ("placing", "forming")}
        words = "; ".join(f"{name}: " + _weights_words(values) for name, values in weights.items())
        decision = {"what": "What is assumed before the evidence is weighed", "choice": words, "reason": reason.strip()}
        write_choices(
            self._folder,
            {"technique": {**weights, "reason": reason.strip()}},
            decision={**decision, "date": datetime.date.today().isoformat()},
        )
        return "Weights kept in survey.toml with their reason; `fragkit run` now weighs with them."

    def _changed(self, change: dict[str, Any]) -> None:
        self._history.keep(change["new"])
        self._judge()

    def _judge(self) -> None:
        try:
            whole = self.technique
            about_area = self._weigh_area()
        except ValueError as error:
            self.outcome = {"lines": [str(error)], "posterior": {}}
            return
        verdicts = {"placing": whole.placing, "forming": whole.forming}
        lines = [f"All fragments, {name}: {_said(verdict)}." for name, verdict in verdicts.items()]
        settle = [f"What would settle the {n}: {v.would_settle}." for n, v in verdicts.items() if _is_open(v)]
        posterior = {name: dict(verdict.posterior) for name, verdict in verdicts.items()}
        self.outcome = {"lines": [*about_area, *lines, *settle], "posterior": posterior}

    def _weigh_area(self) -> list[str]:
        box = list(self.chosen["box_px"])
        if box != self._weighed_box:
            self._area, self._weighed_box = None, box
        if not box:
            return ["No area chosen."]
        inside = self._inside(box)
        if inside.sum() < FEWEST_MOTIFS:
            return [f"The area holds {inside.sum()} motifs; {FEWEST_MOTIFS} are the least to weigh."]
        try:
            self._area = self._area or self._weigh(inside)
        except EstimationError as error:
            return [f"The area cannot be weighed. {error}"]
        area = reweigh(self._area, priors=self.priors)
        return [f"The area, {inside.sum()} motifs, placing: {_said(area.placing)}.", *_regular_words(area)]

    def _inside(self, box: list[float]) -> np.ndarray:
        places = np.asarray(self.motifs, float)
        low, high = np.minimum(box[:2], box[2:]), np.maximum(box[:2], box[2:])
        return np.asarray(((places >= low) & (places <= high)).all(axis=1))

    def _weigh(self, inside: np.ndarray) -> Technique:
        own: Lattice = self._lattice
        part = fit_lattice((own.xy_mm[inside], own.cov_mm2[inside], own.index[inside]))
        rng = np.random.default_rng([self._seed, int(inside.sum())])
        return weigh_technique([part], None, rng=rng, n_calibration=N_CALIBRATION, priors=self.priors)

    def _asked(self, _widget: Any, message: dict[str, Any], _buffers: Any) -> None:
        """Do what the browser asks, and answer in words."""
        try:
            if message["ask"] == "save":
                self.chosen = message["chosen"]
                self.send({"say": self.keep(message.get("reason", ""))})
            else:
                self.send({"say": self._step(message["by"])})
        except (FragkitError, ValueError) as error:
            self.send({"say": str(error)})

    def _step(self, by: int) -> str:
        chosen = self._history.step(by)
        if chosen is None:
            return "There is nothing to undo." if by < 0 else "There is nothing to redo."
        self.chosen = chosen
        return "Undone." if by < 0 else "Done again."


def weigh_evidence(result: StudyResult, photo: str) -> EvidenceScale:
    """A widget to weigh the evidence of an area of a photograph, and to change what is assumed.

    Parameters
    ----------
    result : StudyResult
        From `run_study`, with a technique.
    photo : str
        Name of the photograph on which areas are chosen.

    Raises
    ------
    ValueError
        The technique was not weighed, or there is no such photograph with a net.
    """
    if result.technique is None:
        raise ValueError("The study weighed no technique: see what was skipped, and why.")
    known = [entry.name for entry in result.survey.photos if entry.fragment in result.lattices]
    if photo not in known or photo not in result.rectified:
        raise ValueError(f"No photograph called {photo!r} shows a net; there are: {', '.join(known) or 'none'}.")
    return EvidenceScale(result, result.technique, next(entry for entry in result.survey.photos if entry.name == photo))


def _said(verdict: Verdict) -> str:
    best = max(verdict.posterior, key=verdict.posterior.__getitem__)
    return f"{verdict.words} (posterior of “{best}” {verdict.posterior[best]:.2f})"


def _is_open(verdict: Verdict) -> bool:
    return verdict.verdict not in (*PLACINGS, *FORMINGS)


def _regular_words(area: Technique) -> list[str]:
    return [f"In it: {found.words}." for found in area.regular_areas]


def _weights_words(weights: dict[str, float]) -> str:
    total = sum(weights.values()) or 1.0
    return ", ".join(f"{name} {100.0 * weight / total:.0f} %" for name, weight in weights.items())
