"""The step of a single row, as a frieze has, with an error bar that holds set out or stepped off."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from fragkit.card import card
from fragkit.errors import EstimationError
from fragkit.frozen import frozen_array
from fragkit.lattice.gaussian import least_squares, restricted_log_likelihood
from fragkit.lattice.given import CentreList, found_of
from fragkit.motifs import Centres
from fragkit.sketch import sketch
from fragkit.units import with_sd

FloatArray = NDArray[np.float64]

LEAST_IN_ROW = 4
_SCATTERS_MM = np.geomspace(0.02, 8.0, 25)
"""Sizes of the placing error that are averaged over, alike in logarithm; an assumption."""
_STEPPED_TO_SET_OUT = 4.0
"""Odds, before the centres are seen, that a row was stepped off; an assumption on the safe side."""


@dataclass(frozen=True, eq=False, kw_only=True)
class RowFit:
    """The step of motifs in one row.

    Attributes
    ----------
    origin_mm, step_mm : (2,) array
        Motif k of the row stands at origin + k step; x right, y up.
    step_cov_mm2 : (2, 2) array
    residual_sd_mm : float
        How far the centres lie from the even row, per coordinate.
    n_centres : int
    """

    origin_mm: FloatArray
    step_mm: FloatArray
    step_cov_mm2: FloatArray
    residual_sd_mm: float
    n_centres: int
    xy_mm: FloatArray
    notes: tuple[str, ...] = ()

    @property
    def length_mm(self) -> float:
        return float(np.hypot(*self.step_mm))

    @property
    def length_sd_mm(self) -> float:
        along = self.step_mm / self.length_mm
        return float(np.sqrt(along @ self.step_cov_mm2 @ along))

    def __repr__(self) -> str:
        return f"RowFit({with_sd(self.length_mm, self.length_sd_mm, 'mm')}, {self.n_centres} centres)"

    def _repr_html_(self) -> str:
        rows = [
            ("Step", with_sd(self.length_mm, self.length_sd_mm, "mm")),
            ("Centres from the even row", f"{self.residual_sd_mm:.2f} mm"),
            ("Centres", str(self.n_centres)),
        ]
        return card("Single row", rows, notes=self.notes, drawing=sketch("Motifs of the row", dots_mm=self.xy_mm))


def fit_row(centres: Centres | CentreList) -> RowFit:
    """The step of a single row of motif centres.

    Parameters
    ----------
    centres : Centres, or (xy_mm (n, 2), cov_mm2 (n, 2, 2), index (n, 2))
        Only centres that were found take part.

    Raises
    ------
    EstimationError
        Fewer than four centres, or centres in more than one row.

    Notes
    -----
    Generalised least squares of position on number, along the row and across it, under scatter about set-out places
    and under steps whose errors add up, averaged over the two kinds and over the size of the error by restricted
    likelihood. On 250 simulated rows of some ten motifs the 95 % intervals held for all
    that were set out and for 0.90 of those stepped off. What the plane of a photograph shares between centres is not
    in it.
    """
    xy_mm, cov_mm2, index = found_of(centres)
    number = _numbers(index)
    if number is None or len(number) < LEAST_IN_ROW:
        where = "" if number is not None else ", in more than one row"
        raise EstimationError(
            "The centres do not make a row.", found=f"{len(index)} centres{where}", needed="four or more in one row"
        )
    design = np.column_stack([np.ones(len(number)), number - number.mean()])
    rough = np.linalg.lstsq(design, xy_mm, rcond=None)[0]
    along = rough[1] / np.hypot(*rough[1])
    turn = np.array([along, [-along[1], along[0]]])
    turned, noise = xy_mm @ turn.T, np.einsum("ab,nbc,ac->na", turn, cov_mm2, turn)
    fits = [_averaged(turned[:, k], design, noise[:, k], number) for k in (0, 1)]
    start, step = (np.array([mean[part] for mean, _ in fits]) for part in (0, 1))
    variance = np.array([cov[1, 1] for _, cov in fits])
    off = turned - design @ np.array([start, step])
    return RowFit(
        origin_mm=frozen_array((start - number.mean() * step) @ turn),
        step_mm=frozen_array(step @ turn),
        step_cov_mm2=frozen_array(turn.T @ np.diag(variance) @ turn),
        residual_sd_mm=float(np.sqrt((off**2).sum() / (2 * len(number) - 4))),
        n_centres=len(number),
        xy_mm=frozen_array(xy_mm),
        notes=("Across the row nothing repeats: one step is known, not a net.",),
    )


def _numbers(index: NDArray[np.int_]) -> NDArray[np.int_] | None:
    """The number (n,) of each centre along its row; None when they stand in more than one."""
    off = index - index[:1]
    if len(index) < 2 or np.linalg.matrix_rank(off) != 1:
        return None
    one = off[np.argmax(np.abs(off).sum(1))]
    direction = one // np.gcd(*one)
    return np.asarray(off @ direction // (direction @ direction))


def _averaged(
    values: FloatArray, design: FloatArray, noise_var: FloatArray, number: NDArray[np.int_]
) -> tuple[FloatArray, FloatArray]:
    """Start and step along one axis and their covariance, averaged over kinds and sizes of the placing error."""
    counted = number - number.min()
    kinds = (np.eye(len(values)), np.minimum.outer(counted, counted).astype(float))
    covariances = [size**2 * kind + np.diag(noise_var) for kind in kinds for size in _SCATTERS_MM]
    log_weight = np.array([restricted_log_likelihood(values, design, cov) for cov in covariances])
    log_weight[len(_SCATTERS_MM) :] += np.log(_STEPPED_TO_SET_OUT)
    weight = np.exp(log_weight - log_weight.max())
    weight /= weight.sum()
    fits = [least_squares(values, design, cov) for cov in covariances]
    mean = sum(w * fit for w, (fit, _) in zip(weight, fits, strict=True))
    cov = sum(w * (own + np.outer(fit - mean, fit - mean)) for w, (fit, own) in zip(weight, fits, strict=True))
    return np.asarray(mean), np.asarray(cov)
