"""Priors measured on the spot: a few people set marks by eye, by grid and by plate, and the marks are measured."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from types import MappingProxyType

import numpy as np
from numpy.typing import NDArray
from scipy.special import logsumexp

from fragkit.errors import EstimationError
from fragkit.frozen import frozen_array
from fragkit.placing import OnLines, Process, SteppedOff
from fragkit.technique.hypotheses import CLEAN_PLATE, plate_phases
from fragkit.technique.likelihoods import Evidence, log_likelihood, net_sieve
from fragkit.technique.priors import PLACINGS, SCATTER_MM, SCATTERS_MM, Priors

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int_]

METHODS = MappingProxyType({"eye": PLACINGS[1], "grid": PLACINGS[0], "plate": PLACINGS[2]})
LEAST_MARKS = 12
ASSUMED_PEOPLE = 2.0
"""The assumed log-sd counts like this many people, so that two who happen to agree do not make the prior too narrow."""


@dataclass(frozen=True, eq=False, kw_only=True)
class Marks:
    """Marks that one person set by one method: 48 of them, in 8 columns and 6 rows, are a good number.

    Attributes
    ----------
    method : {"eye", "grid", "plate"}
        Each mark spaced by eye from the one before it; on snapped lines; through a plate with several openings.
    person : str
    index : (n, 2) int array
        Column and row of each mark.
    xy_mm : (n, 2) array
        Where the mark is, x to the right, y up.
    sd_mm : float
        Error of measuring a mark, one standard deviation per coordinate.
    group : (int, int)
        Columns and rows of the plate's openings; (1, 1) for the other methods.
    """

    method: str
    person: str
    index: IntArray
    xy_mm: FloatArray
    sd_mm: float = 0.3
    group: tuple[int, int] = (1, 1)

    def __post_init__(self) -> None:
        if self.method not in METHODS:
            raise ValueError(f"method is {self.method!r}; use one of {', '.join(METHODS)}")
        object.__setattr__(self, "index", frozen_array(self.index, dtype=int))
        object.__setattr__(self, "xy_mm", frozen_array(self.xy_mm, dtype=float))
        if self.index.shape != self.xy_mm.shape or self.index.ndim != 2 or self.index.shape[1] != 2:
            raise ValueError(f"index is {self.index.shape} and xy_mm {self.xy_mm.shape}; both must be (n, 2)")
        if not self.sd_mm > 0.0:
            raise ValueError(f"sd_mm is {self.sd_mm}; state the error of measuring a mark, above 0 mm")
        if self.method == "plate" and self.group[0] * self.group[1] < 2:
            raise ValueError(f"a plate of {self.group} has one opening; give its columns and rows of openings")


def measure_priors(marks: Sequence[Marks], *, assumed: Priors | None = None) -> Priors:
    """Priors whose scatters are those of people who set marks on the spot.

    Parameters
    ----------
    marks : sequence of Marks
        One for each person and method. A method that nobody tried keeps what is assumed.
    assumed : Priors, optional
        What stays for everything else.

    Notes
    -----
    Ask a few people who can hold a brush to set 48 marks each by eye, on a snapped grid, and through a plate, at the
    spacing of the decoration; measure every mark's place. Each set gives the scatter that its own way of placing
    makes most probable (posterior mean of the logarithm). The prior's median is their geometric mean, its log-sd the
    spread between people, with the assumed log-sd counting like two more.
    """
    if not marks:
        raise EstimationError("There are no marks to measure.", found="no set of marks", needed="at least one")
    base = assumed or Priors()
    scatter, told = dict(base.scatter_mm), []
    for method, placing in METHODS.items():
        logs = np.array([_log_scatter(one) for one in marks if one.method == method])
        if len(logs):
            squares = float(np.sum((logs - logs.mean()) ** 2)) + ASSUMED_PEOPLE * SCATTER_MM[1] ** 2
            log_sd = float(np.sqrt(squares / (len(logs) - 1 + ASSUMED_PEOPLE)))
            scatter[placing] = float(np.exp(logs.mean())), float(np.clip(log_sd, 0.05, 2.0))
            told.append(f"{len(logs)} by {method}")
    return Priors(
        placing=base.placing,
        forming=base.forming,
        scatter_mm=scatter,
        outlines=base.outlines,
        source=f"scatters measured on the spot: sets of marks {', '.join(told)}; the rest {base.source}",
    )


def _log_scatter(marks: Marks) -> float:
    """Mean logarithm of the scatter under the marks' own way of placing."""
    if len(marks.index) < LEAST_MARKS:
        raise EstimationError(
            f"{marks.person} set too few marks by {marks.method}.",
            found=f"{len(marks.index)} marks",
            needed=f"{LEAST_MARKS}, better 48",
        )
    root = marks.sd_mm * np.eye(2 * len(marks.index))
    design = np.column_stack([np.ones(len(marks.index)), marks.index])
    net = np.linalg.lstsq(design, marks.xy_mm, rcond=None)[0]
    area = Evidence(
        sites=marks.index - marks.index.min(axis=0),
        places_mm=marks.index @ net[1:],
        offsets_mm=marks.xy_mm - design @ net,
        noise_root=root,
        sieve=net_sieve(marks.index, root)[1],
        drift=None,
    )
    spacing = np.linalg.norm(net[1:], axis=1)
    logs = logsumexp(
        [log_likelihood(area, (p,), area.offsets_mm.reshape(-1, 1))[:, 0] for p in _ways(marks, spacing)], 0
    )
    weights = np.exp(logs - logs.max())
    return float(weights @ np.log(SCATTERS_MM) / weights.sum())


def _ways(marks: Marks, spacing_mm: FloatArray) -> list[Process]:
    if marks.method == "grid":
        return [OnLines(sd_x_mm=1.0, sd_y_mm=1.0)]
    if marks.method == "eye":
        return [SteppedOff(step_sd_mm=1.0, start_sd_mm=1.0, along=along) for along in ("rows", "columns")]
    width = max(marks.group[0] * spacing_mm[0], marks.group[1] * spacing_mm[1])
    return list(plate_phases(marks.group, CLEAN_PLATE, width_mm=float(width)))
