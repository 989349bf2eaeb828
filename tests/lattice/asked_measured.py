"""The figures of the net, asked and measured, in one table: `python tests/lattice/asked_measured.py [SETS]`.

SETS nets for each way of placing (1,000 by default); the other rows scale with it.
"""

import sys
from dataclasses import dataclass

import numpy as np
from fragment_indexing import NETS, count_slips

from fragkit.lattice import columns_and_rows, fit_lattice, fit_row, least_squares, measure_spacing, random_effects
from fragkit.placing import ContinuousPrint, OnLines, RigidGroups, SteppedOff, covariance, draw
from fragkit.units import Z95

HALF_DROP = np.array([[80.0, 0.0], [40.0, 90.0]])
SQUARE = np.array([[85.0, 0.0], [0.0, 85.0]])
PLATE = {"shift_sd_mm": 0.7, "turn_sd_rad": 0.003, "seat_sd_mm": 0.08, "own_sd_mm": 0.04}
PROCESSES = {
    "on lines": OnLines(sd_x_mm=0.7, sd_y_mm=0.7),
    "on lines, rows snapped": OnLines(sd_x_mm=0.7, sd_y_mm=0.25),
    "stepped along rows": SteppedOff(step_sd_mm=0.7, start_sd_mm=0.7),
    "stepped along columns": SteppedOff(step_sd_mm=0.7, start_sd_mm=0.7, along="columns"),
    "weak steps, own scatter": SteppedOff(step_sd_mm=0.2, start_sd_mm=0.2, own_sd_mm=0.6),
    "plate 3 × 2": RigidGroups(columns=3, rows=2, **PLATE),
    "plate 2 × 2": RigidGroups(columns=2, rows=2, **PLATE),
    "print, 200 mm": ContinuousPrint(swing_sd_mm=0.7, stretch_sd_ratio=0.004, own_sd_mm=0.04, correlation_mm=200.0),
    "print, 120 mm": ContinuousPrint(swing_sd_mm=0.8, stretch_sd_ratio=0.004, own_sd_mm=0.1, correlation_mm=120.0),
}
INDEPENDENT = ("on lines", "on lines, rows snapped")
PLANE_GROWTH_SD_MM = 0.03
"""What a plane from 8 points of 0.3 mm puts into a growth, in mm per motif (derived; checked by simulation)."""


@dataclass(frozen=True)
class Figure:
    """One line of the table: the least and the most that is asked, and what was measured on how many."""

    what: str
    low: float
    high: float
    measured: float
    n: int
    beside: str = ""

    @property
    def holds(self):
        return self.low <= self.measured <= self.high

    def __str__(self):
        asked = f"{self.low:.2f} to {self.high:.2f}" if np.isfinite(self.high) else f"{self.low:.2f} or more"
        if self.low == 0.0:
            asked = f"at most {self.high:.2f}" if np.isfinite(self.high) else "printed"
        verdict = "yes" if self.holds else "NO"
        return f"{self.what:70s} {asked:14s} {self.measured:7.3f} {self.n:6d}  {verdict:4s}{self.beside}"


def sites(rng, columns, rows, missing):
    index = np.array([[i, j] for i in range(columns) for j in range(rows)])
    return index[rng.random(len(index)) > missing]


def figures_under(name, n, seed=2026):
    """Coverage, rms against the bound, and false alarms: 7 × 6 half-drop sites, 25 % missing, measured to 0.2 mm."""
    rng = np.random.default_rng(seed)
    process, inside, squares, bounds, alarms = PROCESSES[name], [], [], [], 0
    for _ in range(n):
        index = sites(rng, 7, 6, 0.25)
        ideal = index @ HALF_DROP
        places = columns_and_rows(*HALF_DROP, index)
        xy = ideal + draw(process, places, ideal, rng=rng) + rng.normal(0.0, 0.2, ideal.shape)
        lattice = fit_lattice((xy, np.tile(np.eye(2) * 0.04, (len(index), 1, 1)), index))
        error = np.concatenate([lattice.a_mm, lattice.b_mm]) - HALF_DROP.ravel()
        design = np.kron(np.column_stack([np.ones(len(index)), index]), np.eye(2))
        whole = covariance(process, places, ideal) + 0.04 * np.eye(2 * len(index))
        bounds.append(np.diag(least_squares(xy.ravel(), design, whole)[1])[2:])
        inside.append(np.abs(error) < Z95 * np.sqrt(np.diag(lattice.vectors_cov)))
        squares.append(error**2)
        alarms += lattice.drift.kind != "none"
    ratio = float(np.sqrt(np.sum(squares) / np.sum(bounds)))
    most = 1.15 if name in INDEPENDENT else 1.20
    return [
        Figure(f"{name}: 95 % intervals of the net vectors hold", 0.93, 0.97, float(np.mean(inside)), n),
        Figure(f"{name}: rms over its bound", 0.0, most, ratio, n),
        Figure(f"{name}: a drift stated where there is none", 0.0, 0.05, alarms / n, n),
    ]


def plane_covariance(xy_mm):
    """What two unsure terms of a homography, (p x + q y) times the place, make all centres share."""
    at = xy_mm - xy_mm.mean(axis=0)
    sd = PLANE_GROWTH_SD_MM / (2.0 * SQUARE[0, 0] ** 2)
    fields = sd * np.stack([(at[:, :1] * at).ravel(), (at[:, 1:] * at).ravel()])
    return fields.T @ fields


def growth_figures(scatter_mm, n, *, growth_mm, with_plane=False, seed=2027):
    """Growth of 8 × 6 sites, 30 % missing; best test: the field known, scatter known, 5 % two-sided."""
    rng = np.random.default_rng(seed)
    stated, grown, best = 0, 0, 0
    for _ in range(n):
        index = sites(rng, 8, 6, 0.3)
        u = index[:, 0] - index[:, 0].mean()
        xy = index @ SQUARE + np.column_stack([0.5 * growth_mm * u**2, 0.0 * u])
        own, plane = 0.01 * np.eye(2 * len(index)), plane_covariance(xy) * with_plane
        shared = rng.multivariate_normal(np.zeros(len(own)), plane).reshape(-1, 2) if with_plane else 0.0
        xy = xy + shared + rng.normal(0.0, np.hypot(scatter_mm, 0.1), xy.shape)
        blocks = (own + plane).reshape(len(index), 2, len(index), 2)
        cov = np.array([blocks[k, :, k] for k in range(len(index))])
        drift = fit_lattice((xy, cov, index), plane_covariance=plane if with_plane else None).drift
        stated += drift.kind != "none"
        grown += drift.kind == "growth" and drift.along == "rows"
        design = np.kron(np.column_stack([np.ones(len(u)), index]), np.eye(2))
        design = np.column_stack([design, np.kron(0.5 * u**2, [1.0, 0.0])])
        value, known = least_squares(xy.ravel(), design, own + plane + scatter_mm**2 * np.eye(len(own)))
        best += abs(value[6]) > Z95 * np.sqrt(known[6, 6])
    under = f"at {scatter_mm} mm scatter" + (", with the plane's error" if with_plane else "")
    if growth_mm == 0.0:
        return Figure(f"no growth {under}: a drift stated", 0.0, 0.05, stated / n, n)
    low = 0.95 if scatter_mm == 0.5 and not with_plane else 0.0
    beside = f" (best test {best / n:.3f}; any drift {stated / n:.3f})"
    return Figure(f"growth of {growth_mm} mm {under}: found", low, np.inf, grown / n, n, beside)


def spacing_figure(name, n, seed=2030):
    """95 % intervals of the local spacing, by centres: 8 × 6 half-drop sites, 25 % missing, measured to 0.2 mm."""
    rng, inside = np.random.default_rng(seed), []
    for _ in range(n):
        index = sites(rng, 8, 6, 0.25)
        ideal = index @ HALF_DROP
        places = columns_and_rows(*HALF_DROP, index)
        xy = ideal + draw(PROCESSES[name], places, ideal, rng=rng) + rng.normal(0.0, 0.2, ideal.shape)
        spacing = measure_spacing(fit_lattice((xy, np.tile(np.eye(2) * 0.04, (len(index), 1, 1)), index)))
        for axis, true_mm in ((spacing.rows, 80.0), (spacing.columns, 90.0)):
            inside += list(np.abs(axis.spacing_mm - true_mm) < Z95 * axis.sd_mm)
    return Figure(f"{name}: 95 % intervals of the local spacing hold", 0.91, 0.99, float(np.mean(inside)), n)


def row_figure(name, n, seed=2031):
    """95 % intervals of the step of a single row: 12 motifs of which 2 are lost, measured to 0.2 mm.

    So few motifs in one line hardly show how they were placed, so the intervals are meant to hold for the worst of
    the ways and are too wide for the others: no upper limit.
    """
    rng, inside = np.random.default_rng(seed), []
    for _ in range(n):
        number = np.sort(rng.permutation(12)[:10])
        index = np.column_stack([number, np.zeros_like(number)])
        ideal = index * [80.0, 0.0]
        xy = ideal + draw(PROCESSES[name], index, ideal, rng=rng) + rng.normal(0.0, 0.2, ideal.shape)
        row = fit_row((xy, np.tile(np.eye(2) * 0.04, (len(index), 1, 1)), index))
        inside.append(np.abs(row.step_mm - [80.0, 0.0]) < Z95 * np.sqrt(np.diag(row.vectors_cov)))
    return Figure(f"{name}: 95 % intervals of a single row's step hold", 0.93, np.inf, float(np.mean(inside)), n)


def new_wall_figure(n_fragments, n, seed=3000):
    """The interval for a wall not yet seen, with differences drawn from the stated prior."""
    rng = np.random.default_rng(seed + n_fragments)
    inside = 0
    for _ in range(n):
        tau, sd = abs(rng.normal(0.0, 0.8)), rng.uniform(0.05, 0.3, n_fragments)
        values = 80.0 + rng.normal(0.0, tau, n_fragments) + rng.normal(0.0, sd)
        low, high = random_effects(values, sd**2, between_scale=0.8).interval_new
        inside += low < 80.0 + rng.normal(0.0, tau) < high
    return Figure(f"interval for a new wall from {n_fragments} fragments holds", 0.93, 0.97, inside / n, n)


def indexing_figure(n):
    """Share of found motifs whose index slipped, at steps of 5 % of the repeat with 40 % of the sites missing."""
    each = -(-n // len(NETS))
    counts = [count_slips(name, 1000 + k, along=("rows", "columns")[k % 2]) for name in NETS for k in range(each)]
    found, slipped, there = np.sum(counts, axis=0)
    beside = f" ({slipped} of {found} found motifs, {there} there)"
    return Figure("index slipped by a cell", 0.0, 0.0, slipped / found, each * len(NETS), beside)


def main(n=1000):
    for name in PROCESSES:
        print(*figures_under(name, n), spacing_figure(name, max(n // 5, 1)), sep="\n", flush=True)
        print(row_figure(name, max(n // 5, 1)), flush=True)
    for scatter, plane in ((0.5, False), (1.0, False), (0.5, True), (1.0, True)):
        for growth in (0.2, 0.0):
            figure = growth_figures(scatter, max(n // 2, 1), growth_mm=growth, with_plane=plane)
            print(figure, flush=True)
    for fragments in (1, 2, 3, 5, 10):
        print(new_wall_figure(fragments, 2 * n), flush=True)
    print(indexing_figure(max(n // 8, 1)), flush=True)


if __name__ == "__main__":
    main(*(int(argument) for argument in sys.argv[1:2]))
