"""The repeat of a wall from the nets of several fragments, with the interval that a new wall needs."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import product
from types import MappingProxyType

import numpy as np
from numpy.typing import NDArray

from fragkit.card import card
from fragkit.errors import EstimationError
from fragkit.frozen import frozen_array
from fragkit.lattice.fit import Lattice
from fragkit.lattice.fitted import overall_scatter_mm
from fragkit.lattice.net_type import NET_TYPES
from fragkit.lattice.one_row import RowFit
from fragkit.lattice.random_effects import RandomEffects, random_effects
from fragkit.lattice.rows import describe_repeat, repeat_jacobian, row_basis
from fragkit.sketch import sketch
from fragkit.turning import turning
from fragkit.units import interval, with_sd

FloatArray = NDArray[np.float64]

SAME_NET_RATIO = 0.15
LEVEL_LIMIT_DEG = 5.0


@dataclass(frozen=True, eq=False, kw_only=True)
class Pooled:
    """The repeat from all fragments.

    Motifs in a row are `across_mm` apart, rows are `down_mm` apart, and each row is shifted by
    `offset_ratio` × `across_mm` against the one below (0 rectangular, 0.5 half-drop or brick).

    Attributes
    ----------
    across_mm, down_mm, offset_ratio : float
    cov : (3, 3) array
        Covariance of (across_mm, down_mm, offset_ratio) as a mean over fragments.
    interval_across_mm, interval_down_mm : (float, float)
        95 % intervals of the mean.
    interval_new_wall : mapping
        95 % intervals for one unseen wall of the same scheme: "across_mm", "down_mm", "offset_ratio".
    between_sd_mm : (2,) array
        Expected difference between fragments, across and down.
    net_type : str
    n_fragments, n_centres : int
    typed : tuple of str
        Which of across_mm, down_mm and offset_ratio were typed and not measured.
    residual_sd_mm : float
        Placing scatter per coordinate, over all fragments.
    notes : tuple of str
    """

    across_mm: float
    down_mm: float
    offset_ratio: float
    cov: FloatArray
    interval_across_mm: tuple[float, float]
    interval_down_mm: tuple[float, float]
    interval_new_wall: Mapping[str, tuple[float, float]]
    between_sd_mm: FloatArray
    net_type: str
    n_fragments: int
    residual_sd_mm: float
    n_centres: int = 0
    notes: tuple[str, ...] = ()
    typed: tuple[str, ...] = ()

    @property
    def basis(self) -> str:
        """ "evidence", or "typed" when any of it was."""
        return "typed" if self.typed else "evidence"

    @property
    def a_mm(self) -> FloatArray:
        """Step (2,) to the next motif in a level row."""
        return np.array([self.across_mm, 0.0])

    @property
    def b_mm(self) -> FloatArray:
        """Step (2,) to the row above."""
        return np.array([self.offset_ratio * self.across_mm, self.down_mm])

    def __repr__(self) -> str:
        return (
            f"<Pooled {self.across_mm:.2f} × {self.down_mm:.2f} mm, offset {self.offset_ratio:.3f}, "
            f"{self.net_type}, {self.n_fragments} fragments, {self.basis}>"
        )

    def _repr_html_(self) -> str:
        sd = np.sqrt(np.diag(self.cov))
        rows = [
            ("motifs in a row", with_sd(self.across_mm, sd[0], "mm apart")),
            ("rows", with_sd(self.down_mm, sd[1], "mm apart")),
            ("each row shifted by", with_sd(self.offset_ratio, sd[2], "of the repeat across")),
            ("new wall, across", interval(self.interval_new_wall["across_mm"], "mm")),
            ("new wall, down", interval(self.interval_new_wall["down_mm"], "mm")),
            ("net", self.net_type),
            ("fragments", f"{self.n_fragments} with {self.n_centres} centres; {self.basis}"),
        ]
        i, j = (grid.ravel() for grid in np.meshgrid(np.arange(4), np.arange(3)))
        nodes = np.column_stack([i, j]) @ np.array([self.a_mm, self.b_mm])
        drawn = sketch("Three rows of the net, level", dots_mm=nodes)
        return card("The repeat", rows, notes=self.notes, drawing=drawn)


def pool(
    lattices: Sequence[Lattice],
    *,
    turns_deg: Sequence[float] | None = None,
    turn_sds_deg: Sequence[float] | None = None,
    between_sd_ratio: float = 0.01,
    rows: Sequence[RowFit] = (),
) -> Pooled:
    """The repeat of the scheme, from the nets of its fragments.

    Parameters
    ----------
    lattices : sequence of Lattice
    turns_deg, turn_sds_deg : sequence of float, optional
        Turn that brings each fragment's frame to level, and its sd; 0 and 0.2 degrees by default.
    between_sd_ratio : float
        Scale of the half-normal prior on the difference between fragments, as a share of the repeat (for the
        offset: of one repeat across). An assumption, stated in the notes.
    rows : sequence of RowFit
        Fragments that show a single row: what they add is its step, where that is the repeat across.

    Raises
    ------
    EstimationError
        No fragment, or fragments whose nets are not the same net.

    Notes
    -----
    Across, down and offset do not change when a fragment turns; the turn only says which short net vector is
    the row. Every fragment is brought to the description of the best-determined one, then the three
    quantities are pooled by random effects, one at a time; their correlation is that of a joint fit at the
    expected difference.
    """
    if not lattices:
        raise EstimationError("There is no fragment to pool.", found="0 nets", needed="at least one fitted net")
    if not between_sd_ratio > 0:
        raise ValueError(f"between_sd_ratio is {between_sd_ratio}; it must be above 0, for instance 0.01")
    turns = np.zeros(len(lattices)) if turns_deg is None else np.asarray(turns_deg, float)
    values, covs, tilts = _describe_alike(lattices, turns)
    scales = between_sd_ratio * np.array([np.mean(values[:, 0]), np.mean(values[:, 1]), 1.0])
    steps = [row for row in rows if abs(row.length_mm - values[0, 0]) < SAME_NET_RATIO * values[0, 0]]
    found = [(values[:, k], covs[:, k, k]) for k in range(3)]
    found[0] = _with_steps(*found[0], steps)
    effects = [random_effects(*one, between_scale=float(scale)) for one, scale in zip(found, scales, strict=True)]
    across, down, offset = effects
    support = _joint_support(lattices)
    return Pooled(
        across_mm=across.mean,
        down_mm=down.mean,
        offset_ratio=offset.mean,
        cov=frozen_array(_joint_covariance(effects, covs)),
        interval_across_mm=across.interval,
        interval_down_mm=down.interval,
        interval_new_wall=MappingProxyType(
            {
                "across_mm": across.interval_new,
                "down_mm": down.interval_new,
                "offset_ratio": offset.interval_new,
            }
        ),
        between_sd_mm=frozen_array([across.between_sd, down.between_sd]),
        net_type=max(support, key=support.__getitem__),
        n_fragments=len(lattices) + len(steps),
        residual_sd_mm=overall_scatter_mm(lattices),
        n_centres=sum(fit.n_centres for fit in (*lattices, *steps)),
        notes=(*_notes(effects, tilts, turn_sds_deg, between_sd_ratio, support), *_of_rows(len(rows), len(steps))),
    )


def repeat_of(lattice: Lattice, *, like: Pooled, turn_deg: float = 0.0) -> tuple[FloatArray, FloatArray]:
    """What one fragment says of the repeat: (across_mm, down_mm, offset_ratio) and their sds, (3,) each.

    Parameters
    ----------
    lattice : Lattice
    like : Pooled
        In whose description.
    turn_deg : float
        Turn that brings the fragment's frame to level.
    """
    values, cov, _ = _describe(lattice, turn_deg, np.array([like.a_mm, like.b_mm]))
    return values, np.sqrt(np.diag(cov))


def _describe_alike(lattices: Sequence[Lattice], turns_deg: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Repeat (m, 3), its covariance (m, 3, 3) and tilt of the rows in degrees (m,), in one description."""
    if len(turns_deg) != len(lattices):
        raise ValueError(f"{len(turns_deg)} turns for {len(lattices)} fragments; give one for each")
    best = int(np.argmin([np.trace(lattice.vectors_cov) for lattice in lattices]))
    level = _levelled(lattices[best], turns_deg[best])
    reference = row_basis(*level) @ level
    parts = [_describe(lattice, turn, reference) for lattice, turn in zip(lattices, turns_deg, strict=True)]
    values, covs, tilts = zip(*parts, strict=True)
    return np.array(values), np.array(covs), np.array(tilts)


def _describe(lattice: Lattice, turn_deg: float, reference: FloatArray) -> tuple[FloatArray, FloatArray, float]:
    """Repeat (3,), its covariance (3, 3) and tilt of the row in degrees, in the reference's description."""
    basis = _levelled(lattice, turn_deg)
    change = _same_description(basis, reference)
    vectors = change @ basis
    jacobian = repeat_jacobian(vectors) @ np.kron(change, np.eye(2)) @ np.kron(np.eye(2), turning(turn_deg))
    tilt = float(np.degrees(np.arctan2(vectors[0, 1], vectors[0, 0])))
    return describe_repeat(vectors), jacobian @ lattice.vectors_cov @ jacobian.T, tilt


def _levelled(lattice: Lattice, turn_deg: float) -> FloatArray:
    """The two net vectors (2, 2) turned to level."""
    return lattice.vectors_mm @ turning(turn_deg).T


def _same_description(basis: FloatArray, reference: FloatArray) -> FloatArray:
    """Integer combinations (2, 2) of a basis nearest to the reference's row and step to the row above."""
    combinations = np.array(list(product(range(-2, 3), repeat=2)))
    vectors = combinations @ basis
    gaps = np.linalg.norm(vectors[:, None, :] - reference, axis=2)
    nearest = gaps.argmin(axis=0)
    change = combinations[nearest]
    limit = SAME_NET_RATIO * np.linalg.norm(reference, axis=1).min()
    if gaps.min(axis=0).max() > limit or round(float(np.linalg.det(change))) != 1:
        raise EstimationError(
            "The fragments do not carry the same net.",
            found=f"a fragment's nearest vectors are {gaps.min(axis=0).max():.1f} mm away from the others'",
            needed=f"agreement within {limit:.1f} mm; check the turns and scales, or pool them apart",
        )
    return change


def _with_steps(across_mm: FloatArray, variances: FloatArray, rows: Sequence[RowFit]) -> tuple[FloatArray, FloatArray]:
    """The repeats across of the nets and the steps of single rows, with their variances."""
    lengths, own = [row.length_mm for row in rows], [row.length_sd_mm**2 for row in rows]
    return np.append(across_mm, lengths), np.append(variances, own)


def _of_rows(n_rows: int, n_used: int) -> tuple[str, ...]:
    if not n_rows:
        return ()
    return (
        f"{n_rows} fragment(s) show a single row; the step of {n_used} is the repeat across and counts for it, and "
        "from row to row they say nothing",
    )


def _joint_covariance(effects: Sequence[RandomEffects], covs: FloatArray) -> FloatArray:
    """Covariance (3, 3) of the means: variances from the random effects, correlation from a joint fit."""
    between = np.diag([effect.between_sd**2 for effect in effects])
    joint = np.linalg.inv(sum(np.linalg.inv(cov + between) for cov in covs))
    scale = np.array([effect.sd for effect in effects]) / np.sqrt(np.diag(joint))
    return np.asarray(joint * np.outer(scale, scale))


def _joint_support(lattices: Sequence[Lattice]) -> dict[str, float]:
    """Weights of the five nets when all fragments have the same type."""
    logs = {name: sum(np.log(max(lattice.type_support[name], 1e-12)) for lattice in lattices) for name in NET_TYPES}
    top = max(logs.values())
    total = sum(np.exp(value - top) for value in logs.values())
    return {name: float(np.exp(value - top) / total) for name, value in logs.items()}


def _notes(
    effects: Sequence[RandomEffects],
    tilts_deg: FloatArray,
    turn_sds_deg: Sequence[float] | None,
    between_sd_ratio: float,
    support: Mapping[str, float],
) -> tuple[str, ...]:
    across, down, _ = effects
    notes = [
        f"assumption: fragments and walls of one scheme differ by about {100 * between_sd_ratio:.2g} % of "
        f"the repeat (half-normal); from the data alone {across.likely_between_sd:.2f} mm across, "
        f"{down.likely_between_sd:.2f} mm down"
    ]
    limits = 3.0 * np.asarray(turn_sds_deg if turn_sds_deg is not None else np.full(len(tilts_deg), 0.2))
    tilted = np.flatnonzero(np.abs(tilts_deg) > np.maximum(limits, LEVEL_LIMIT_DEG / 5.0))
    if len(tilted):
        worst = tilts_deg[tilted[np.argmax(np.abs(tilts_deg[tilted]))]]
        notes.append(f"rows of {len(tilted)} fragment(s) stand off level, by up to {worst:.1f} degrees")
    if max(support.values()) < 0.8:
        notes.append(
            "the net type is not settled: " + ", ".join(f"{k} {v:.2f}" for k, v in support.items() if v > 0.05)
        )
    if len(tilts_deg) == 1:
        notes.append("one fragment only: how walls differ rests on the assumption alone")
    return tuple(notes)
