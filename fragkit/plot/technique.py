"""Technique as a figure: both verdicts, their evidence, and how such evidence fares on this fragment."""

from __future__ import annotations

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from fragkit.technique import PLACINGS, Technique, Verdict

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
        f"{rights}; firmly and wrongly: {100 * calibration['wrong_firm_ratio']:.0f} %",
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
        axes.text(LEAST_SHOWN + 0.08, height, f"{100 * verdict.posterior[name]:.0f} %", va="center", fontsize=8)
    axes.set_yticks(heights, names, fontsize=8)
    axes.set_xlim(LEAST_SHOWN, 0.3)
    axes.set_xlabel("odds against the best answer, powers of ten", fontsize=8)
    axes.set_title(f"{title}: {verdict.verdict}", loc="left", fontsize=10)
