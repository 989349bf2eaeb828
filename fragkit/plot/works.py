"""Works as figures: the learning curve, the programme, what drives the cost, and a price that moves."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from matplotlib.figure import Figure
from matplotlib.ticker import ScalarFormatter

from fragkit.works import LearningCurve, PriceFlip, Spread, Stretch

WIDTH_IN = 8.0
DARK, MID, PALE = "0.25", "0.6", "0.85"


def learning(curve: LearningCurve, *, n_motifs: int) -> Figure:
    """The timed trial, the curve that it allows, and how that goes on to the end of the job.

    Parameters
    ----------
    curve : LearningCurve
    n_motifs : int
        Motifs for one hand.
    """
    figure = Figure(figsize=(WIDTH_IN, 3.2), layout="constrained")
    axes = figure.subplots()
    units = np.unique(np.round(np.geomspace(1, max(n_motifs, curve.n_timed), 80)))
    low, middle, high = np.quantile(curve.mean_minutes(units), [0.025, 0.5, 0.975], axis=0)
    axes.fill_between(units, low, high, color=PALE, label="95 % of the curves allowed", linewidth=0)
    axes.plot(units, middle, color=DARK, label="their middle")
    timed = np.arange(1, curve.n_timed + 1)
    axes.plot(timed, curve.minutes, "o", color="black", markersize=3.5, fillstyle="none", label="timed")
    axes.set_xscale("log")
    axes.xaxis.set_major_formatter(ScalarFormatter())
    axes.set_xlim(0.9, units[-1] * 1.1)
    axes.set_ylim(0, 1.1 * max(float(curve.minutes.max()), float(high.max())))
    axes.set_xlabel("motif, counted for one hand")
    axes.set_ylabel("minutes, interruptions included")
    axes.legend(frameon=False, fontsize=8)
    return figure


def programme(stretches: Sequence[Stretch]) -> Figure:
    """A bar for every wall and lift: the middle of the estimate, with a line to the late end."""
    figure = Figure(figsize=(WIDTH_IN, 1.1 + 0.28 * len(stretches)), layout="constrained")
    axes = figure.subplots()
    for k, stretch in enumerate(stretches):
        begin, end, late = stretch.begin_day[1], stretch.end_day[1], stretch.end_day[2]
        axes.barh(k, end - begin, left=begin, height=0.6, color=MID, edgecolor="black", linewidth=0.6)
        axes.plot([end, late], [k, k], color="black", linewidth=0.9)
        axes.plot([late, late], [k - 0.2, k + 0.2], color="black", linewidth=0.9)
    names = [f"{one.wall}, {one.place}: {one.n_motifs:,}" for one in stretches]
    axes.set_yticks(range(len(stretches)), names, fontsize=8)
    axes.invert_yaxis()
    axes.set_xlim(0, None)
    axes.set_xlabel("working days from the start; the thin line ends where one job in twenty is later", fontsize=8)
    axes.spines[["top", "right"]].set_visible(False)
    return figure


def drivers(total: Spread, *, most: int = 8) -> Figure:
    """Inputs ranked by their share of the spread of the cost."""
    shown = [pair for pair in total.drivers if pair[1] >= 0.005][:most]
    figure = Figure(figsize=(WIDTH_IN, 0.9 + 0.27 * max(len(shown), 1)), layout="constrained")
    axes = figure.subplots()
    places = np.arange(len(shown))
    axes.barh(places, [100 * share for _, share in shown], height=0.6, color=MID, edgecolor="black", linewidth=0.6)
    for place, (_, share) in zip(places.tolist(), shown, strict=True):
        axes.text(100 * share + 1, place, f"{100 * share:.0f} %", va="center", fontsize=8)
    axes.set_yticks(places, [name for name, _ in shown], fontsize=8)
    axes.invert_yaxis()
    axes.set_xlim(0, 108)
    axes.set_xlabel("share of the spread of the known lines, %", fontsize=8)
    axes.spines[["top", "right"]].set_visible(False)
    return figure


def flips(found: Sequence[PriceFlip], *, currency: str = "") -> Figure:
    """Cost of one metal against its price of leaf, and the cost of each other metal."""
    figure = Figure(figsize=(WIDTH_IN, 3.1 * len(found)), layout="constrained")
    rows = figure.subplots(len(found), 1, squeeze=False)[:, 0]
    for axes, flip in zip(rows, found, strict=True):
        low, middle, high = flip.moving_cost.T
        axes.fill_between(flip.prices, low, high, color=PALE, linewidth=0)
        axes.plot(flip.prices, middle, color=DARK, label=flip.moving)
        axes.axhspan(flip.fixed_cost[0], flip.fixed_cost[2], color=PALE, alpha=0.6, linewidth=0)
        axes.axhline(flip.fixed_cost[1], color=DARK, linestyle="--", label=f"{flip.fixed}, at its own price")
        axes.axvline(flip.price, color="black", linestyle=":", label="today's price")
        if flip.flip_price is not None:
            axes.plot(flip.flip_price[1], flip.fixed_cost[1], "o", color="black", markersize=5)
        span = "leaf, first time" if flip.over_years is None else f"{flip.over_years:g} years"
        axes.set_xlabel(f"price of {flip.moving} leaf, {currency} a {flip.unit}".replace("  ", " "), fontsize=8)
        axes.set_ylabel(f"cost ({span}), {currency}".rstrip(", "), fontsize=8)
        axes.set_xlim(flip.prices[0], flip.prices[-1])
        axes.set_ylim(0, None)
        axes.legend(frameon=False, fontsize=8)
    return figure
