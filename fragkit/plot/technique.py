"""Technique as figures: both verdicts with their evidence and its calibration; areas too regular for hand work."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from fragkit.lattice import Fitted
from fragkit.technique import PLACINGS, Change, RegularArea, Technique, Verdict
from fragkit.units import in_percent

LEAST_SHOWN = -4.0
"""Odds below one in ten thousand of the best answer are drawn as this."""


def evidence(technique: Technique) -> Figure:
    """Evidence for each way of placing and forming, as powers of ten below the best, and the calibration."""
    figure = Figure(figsize=(9.0, 3.4), layout="constrained")
    placing, forming = figure.subplots(1, 2)
    _bars(placing, technique.placing, "Placing")
    _bars(forming, technique.forming, "Forming")
    calibration = technique.calibration
    rights = ", ".join(f"{name} {100 * calibration[name]:.0f} %" for name in PLACINGS)
    figure.supxlabel(
        f"{technique.n_motifs} motifs. Of sets simulated on these very sites, named firmly and rightly:\n"
        f"{rights}; firmly and wrongly: {in_percent(calibration['wrong_firm_ratio'])}",
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
    axes.set_xlabel("odds against the best answer, powers of ten", fontsize=8)
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
        axes.annotate(f"p = {area.p:.1g}", closed.max(axis=0), fontsize=7, ha="right", va="bottom")
    axes.set_aspect("equal")
    axes.set_title(name, loc="left", fontsize=9)
    axes.set_xlabel("mm", fontsize=8)
    axes.tick_params(labelsize=7)


def _steps(axes: Axes, changes: Sequence[Change]) -> None:
    """Dashed lines, with how far the motifs beyond stand aside, to the right and up."""
    for change in changes:
        axes.plot(*change.line_mm.T, color="black", linewidth=1.2, linestyle="--")
        x, y = change.step_mm
        axes.annotate(f"{x:+.1f}, {y:+.1f} mm", change.line_mm[1], fontsize=7, ha="center", va="bottom")
