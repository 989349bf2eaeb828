"""Technique as figures: both verdicts with their evidence and its calibration; areas too regular for hand work."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from numpy.typing import NDArray

from fragkit.lattice import Fitted
from fragkit.technique import PLACINGS, Change, RegularArea, Technique, Verdict
from fragkit.units import by_chance, in_percent

FloatArray = NDArray[np.float64]

LEAST_SHOWN = -4.0
"""Odds below one in ten thousand of the best answer are drawn as this power of ten."""
ODDS = {-4: "10,000 to 1\nor more", -3: "1,000 to 1", -2: "100 to 1", -1: "10 to 1", 0: "even"}


def evidence(technique: Technique) -> Figure:
    """Evidence for each way of placing and forming, as odds against the best, and how such evidence fares."""
    figure = Figure(figsize=(9.0, 3.4), layout="constrained")
    placing, forming = figure.subplots(1, 2)
    _bars(placing, technique.placing, "Placing")
    _bars(forming, technique.forming, "Forming")
    calibration = technique.calibration
    n_each = calibration["n_sets"] / len(PLACINGS)
    rights = ", ".join(f"{name} {in_percent(calibration[name], n_tried=n_each)}" for name in PLACINGS)
    figure.supxlabel(
        f"{technique.n_motifs} motifs. Of walls simulated on these very sites, named firmly and rightly:\n"
        f"{rights}; firmly but wrongly: {in_percent(calibration['wrong_firm_ratio'])}",
        fontsize=7.5,
    )
    return figure


def _bars(axes: Axes, verdict: Verdict, title: str) -> None:
    names = list(verdict.log10_bayes_factors)
    values = np.array(list(verdict.log10_bayes_factors.values()))
    below = np.maximum(values - values.max(), LEAST_SHOWN)
    heights = np.arange(len(names))[::-1]
    axes.barh(heights, below - LEAST_SHOWN, left=LEAST_SHOWN, color="0.6", edgecolor="black", height=0.6)
    for height, name in zip(heights, names, strict=True):
        axes.text(LEAST_SHOWN + 0.08, height, in_percent(verdict.posterior[name]), va="center", fontsize=8)
    axes.set_yticks(heights, names, fontsize=8)
    axes.set_xlim(LEAST_SHOWN, 0.3)
    axes.set_xticks(list(ODDS), list(ODDS.values()), fontsize=7)
    axes.set_xlabel("odds against it, beside the best answer", fontsize=8)
    axes.set_title(f"{title}: {verdict.verdict}", loc="left", fontsize=10)


def regular_areas(lattices: Mapping[str, Fitted], technique: Technique) -> Figure:
    """Every fragment's motifs: outlined what is too regular for a hand, dashed where the net steps aside."""
    figure = Figure(figsize=(9.0, 3.6), layout="constrained")
    axes = np.atleast_1d(figure.subplots(1, len(lattices)))
    for number, (name, lattice) in enumerate(lattices.items()):
        _map(axes[number], name, lattice, [a for a in technique.regular_areas if a.fragment == number])
        _steps(axes[number], [change for change in technique.changes if change.fragment == number])
    return figure


def _map(axes: Axes, name: str, lattice: Fitted, areas: Sequence[RegularArea]) -> None:
    axes.plot(*lattice.xy_mm.T, "o", color="0.5", markersize=3.0)
    for area in areas:
        closed = np.vstack([area.outline_mm, area.outline_mm[:1]])
        axes.plot(*closed.T, color="black", linewidth=1.5)
        top = closed[closed[:, 1] >= closed[:, 1].max() - 1.0]
        _word(axes, by_chance(area.p), top.mean(axis=0))
    low, high = lattice.xy_mm.min(axis=0), lattice.xy_mm.max(axis=0)
    room = 0.12 * float((high - low).max())
    axes.set(aspect="equal", xlim=(low[0] - room, high[0] + room), ylim=(low[1] - room, high[1] + 1.5 * room))
    axes.set_title(name, loc="left", fontsize=9)
    axes.set_xlabel("mm", fontsize=8)
    axes.tick_params(labelsize=7)


def _steps(axes: Axes, changes: Sequence[Change]) -> None:
    """Dashed lines, with how far the motifs beyond stand aside, to the right and up."""
    for change in changes:
        axes.plot(*change.line_mm.T, color="black", linewidth=1.2, linestyle="--")
        x, y = change.step_mm
        _word(axes, f"{x:+.1f}, {y:+.1f} mm", change.line_mm[1])


def _word(axes: Axes, text: str, at_mm: FloatArray) -> None:
    """A word above a place, clear of the line there and of the motifs behind."""
    clear = {"facecolor": "white", "edgecolor": "none", "pad": 0.5, "alpha": 0.8}
    axes.annotate(
        text,
        (at_mm[0], at_mm[1]),
        xytext=(0.0, 3.0),
        textcoords="offset points",
        fontsize=7,
        ha="center",
        va="bottom",
        bbox=clear,
    )
