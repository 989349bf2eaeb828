"""What is assumed before the evidence is weighed: stated, changeable, and measurable on the spot."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from types import MappingProxyType

import numpy as np
from numpy.typing import NDArray

from fragkit.card import card
from fragkit.sketch import sketch_bars
from fragkit.survey import FORMINGS, PLACINGS

FloatArray = NDArray[np.float64]

SCATTER_MM = (1.4, 0.6)
"""Median and log-sd of the placing scatter. Common practice, no source: lines 1–2 mm, dividers 0.5–1 mm, eye 2–5 %."""

SCATTERS_MM = np.geomspace(0.03, 30.0, 70)
"""Nodes of the scatter; a tenth apart in the logarithm, finer than eighty motifs can tell it."""

ASSUMED = "assumptions of fragkit; no published statistics of these spreads were found"


@dataclass(frozen=True, kw_only=True)
class OutlineSpread:
    """How far one copy's edge strays from the common outline (rms): a part in mm and a part of the motif's size.

    Attributes
    ----------
    own_mm : float
        Unsteadiness of brush or edge, the same whatever the motif's size.
    size_ratio : float
        Error of proportion, as a share of the larger side of the metal.
    log_sd : float
        Spread of the whole from workshop to workshop, one standard deviation of its logarithm.
    """

    own_mm: float
    size_ratio: float
    log_sd: float = 0.5

    def median_mm(self, size_mm: float) -> float:
        """Median spread in mm for a motif of this size."""
        return float(np.hypot(self.own_mm, self.size_ratio * size_mm))


OUTLINES = MappingProxyType(
    {
        "drawn free": OutlineSpread(own_mm=0.3, size_ratio=0.014),
        "along an outline": OutlineSpread(own_mm=0.4, size_ratio=0.002),
        "through a plate": OutlineSpread(own_mm=0.15, size_ratio=0.001),
        "by block or roller": OutlineSpread(own_mm=0.08, size_ratio=0.001),
    }
)
"""Free hand: the eye judges lengths to 2–5 %, which moves an edge by 0.6–1.5 % of the motif's size, and the brush's
own unsteadiness on top. An outline holds the proportions but not the brush. Assumptions, no source."""


def _equal(names: tuple[str, ...]) -> Mapping[str, float]:
    return MappingProxyType({name: 1.0 / len(names) for name in names})


@dataclass(frozen=True, eq=False, kw_only=True)
class Priors:
    """What is assumed before the evidence is weighed. Every part can be changed; `reweigh` takes the change up.

    Attributes
    ----------
    placing, forming : mapping of str to float
        Prior weight of each answer; they need not sum to 1. An answer that is left out weighs nothing. By default a
        continuous print starts at a third of the others, because the decorations in question are hand-applied.
    scatter_mm : mapping of str to (float, float)
        For each way of placing the median in mm and the log-sd of its scatter, which is log-normal. Stepping
        off: of one step; rigid groups: of a group's shift; print: of its swing.
    outlines : mapping of str to OutlineSpread
        For each forming.
    source : str
        Where they come from; goes to the report.
    """

    placing: Mapping[str, float] = field(
        default_factory=lambda: MappingProxyType(dict(zip(PLACINGS, (0.3, 0.3, 0.3, 0.1), strict=True)))
    )
    forming: Mapping[str, float] = field(default_factory=lambda: _equal(FORMINGS))
    scatter_mm: Mapping[str, tuple[float, float]] = field(
        default_factory=lambda: MappingProxyType(dict.fromkeys(PLACINGS, SCATTER_MM))
    )
    outlines: Mapping[str, OutlineSpread] = field(default_factory=lambda: OUTLINES)
    source: str = ASSUMED

    def __post_init__(self) -> None:
        _check_weights("placing", self.placing, PLACINGS)
        _check_weights("forming", self.forming, FORMINGS)
        object.__setattr__(self, "scatter_mm", {**dict.fromkeys(PLACINGS, SCATTER_MM), **self.scatter_mm})
        object.__setattr__(self, "outlines", {**OUTLINES, **self.outlines})
        for name, (median, log_sd) in self.scatter_mm.items():
            if name not in PLACINGS or not (0.05 <= median <= 20.0 and 0.05 <= log_sd <= 2.0):
                raise ValueError(
                    f"scatter of {name!r} is {median} mm with log-sd {log_sd}; give one of {', '.join(PLACINGS)}, "
                    "a median of 0.05–20 mm and a log-sd of 0.05–2"
                )

    def __repr__(self) -> str:
        return f"<Priors {self.source}>"

    def _repr_html_(self) -> str:
        rows = [
            (name, f"weight {weight:.2g}, scatter {self.scatter_mm[name][0]:.2g} mm × / ÷ {_factor(self, name):.1f}")
            for name, weight in self.placing.items()
        ]
        rows += [(name, f"weight {weight:.2g}") for name, weight in self.forming.items()]
        drawn = sketch_bars("Weights before any evidence", {**self.placing, **self.forming})
        return card("What is assumed", [*rows, ("source", self.source)], drawing=drawn)

    def placing_logs(self) -> FloatArray:
        """Log prior weights (4,) of the placings."""
        return _logs(self.placing, PLACINGS)

    def forming_logs(self) -> FloatArray:
        """Log prior weights (4,) of the formings."""
        return _logs(self.forming, FORMINGS)

    def scatter_logs(self, placing: str) -> FloatArray:
        """Log weights (nodes,) of `SCATTERS_MM` under one way of placing."""
        median, log_sd = self.scatter_mm[placing]
        logs = -0.5 * (np.log(SCATTERS_MM / median) / log_sd) ** 2
        return np.asarray(logs - np.log(np.exp(logs).sum()))


def _factor(priors: Priors, name: str) -> float:
    return float(np.exp(priors.scatter_mm[name][1]))


def _logs(weights: Mapping[str, float], names: tuple[str, ...]) -> FloatArray:
    values = np.array([weights.get(name, 0.0) for name in names])
    with np.errstate(divide="ignore"):
        return np.asarray(np.log(values / values.sum()))


def _check_weights(what: str, weights: Mapping[str, float], names: tuple[str, ...]) -> None:
    wrong = [name for name in weights if name not in names]
    if wrong:
        raise ValueError(f"prior of {what} names {wrong[0]!r}; the answers are {', '.join(names)}")
    values = list(weights.values())
    if not values or min(values) < 0.0 or not 0.0 < sum(values) < np.inf:
        raise ValueError(f"prior weights of {what} are {values}; give none below 0, and at least one above")
