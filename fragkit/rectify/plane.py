"""The plane and the lens of one photograph, solved together with their covariance."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.linalg import block_diag, solve_triangular

from fragkit.errors import EstimationError
from fragkit.frozen import frozen_array
from fragkit.rectify.homography import apply_homography, fit_homography, normaliser, slopes
from fragkit.rectify.lens import Lens, distort, lens_slopes, undistort

FloatArray = NDArray[np.float64]

N_PLANE = 8
"""Free entries of a homography; the five numbers of the lens follow them."""

MAX_STEPS = 60

MAX_RENEWALS = 12
"""Steps in which the weights are renewed; after that they stand, so that the solution settles."""


@dataclass(frozen=True, eq=False, kw_only=True)
class Observations:
    """Control points as the adjustment takes them.

    Attributes
    ----------
    names : tuple of str
    xy_px, xy_mm : (n, 2) arrays
        Picked photograph pixels and plane coordinates, x right, y up.
    cov_mm2 : (n, 2, 2) array
        Covariance of each point's plane coordinates.
    sd_px : float
        One standard deviation of picking, per coordinate.
    joint_mm2 : (2n, 2n) array, optional
        Covariance of all plane coordinates together (x1, y1, x2, …), where points share errors, as those
        of a taped figure do; its 2 × 2 blocks on the diagonal are `cov_mm2`.
    notes : tuple of str
        What must be said of the control.
    """

    names: tuple[str, ...]
    xy_px: FloatArray
    xy_mm: FloatArray
    cov_mm2: FloatArray
    sd_px: float
    joint_mm2: FloatArray | None = None
    notes: tuple[str, ...] = ()

    def without(self, index: int) -> Observations:
        """All points but one."""
        keep = np.delete(np.arange(len(self.names)), index)
        rest = self._ordered(keep)
        return replace(rest, names=tuple(self.names[i] for i in keep), xy_px=self.xy_px[keep])

    def swapped(self, first: int, second: int) -> Observations:
        """The same points with the plane coordinates of two of them exchanged."""
        order = np.arange(len(self.names))
        order[[first, second]] = second, first
        return self._ordered(order)

    def spread(self, added_mm2: FloatArray) -> Observations:
        """The same points, each less certain by its own covariance (n, 2, 2)."""
        joint = self.joint_mm2
        if joint is not None:
            joint = joint + block_diag(*added_mm2)
        return replace(self, cov_mm2=self.cov_mm2 + added_mm2, joint_mm2=joint)

    def _ordered(self, order: NDArray[np.intp]) -> Observations:
        """Plane coordinates and their covariances taken in another order."""
        joint = self.joint_mm2
        if joint is not None:
            rows = (2 * order[:, None] + [0, 1]).ravel()
            joint = joint[np.ix_(rows, rows)]
        return replace(self, xy_mm=self.xy_mm[order], cov_mm2=self.cov_mm2[order], joint_mm2=joint)


@dataclass(frozen=True, eq=False, kw_only=True)
class Plane:
    """A wall plane seen through a lens.

    Attributes
    ----------
    unit_homography : (3, 3) array
        From the plane in units of `to_unit` to ideal pixels in units of `from_unit`; last entry 1.
    to_unit, from_unit : (3, 3) arrays
        Plane mm to unit plane; unit pixels to ideal pixels.
    lens : Lens
        As solved; its `cov` is that after the adjustment.
    cov : (13, 13) array
        Covariance of the eight free entries of `unit_homography` and the five numbers of the lens.
    chi2 : float
        Weighted sum of squares at the solution, the prior of the lens included.
    n_spare : int
        Observations beyond the unknowns.
    """

    unit_homography: FloatArray
    to_unit: FloatArray
    from_unit: FloatArray
    lens: Lens
    cov: FloatArray
    chi2: float
    n_spare: int

    def __post_init__(self) -> None:
        for name in ("unit_homography", "to_unit", "from_unit", "cov"):
            object.__setattr__(self, name, frozen_array(getattr(self, name), float))

    def __repr__(self) -> str:
        return f"Plane(chi-square {self.chi2:.1f} with {self.n_spare} to spare, {self.lens!r})"

    @property
    def homography(self) -> FloatArray:
        """Plane mm to ideal pixels, (3, 3); last entry 1 unless the frame's origin is at the horizon."""
        matrix = self.from_unit @ self.unit_homography @ self.to_unit
        return matrix / (matrix[2, 2] if abs(matrix[2, 2]) > 1e-9 * np.abs(matrix[2]).max() else 1.0)

    def to_px(self, xy_mm: ArrayLike) -> FloatArray:
        """Photograph pixels (n, 2), distortion included, of plane points (n, 2) in mm."""
        unit_mm = apply_homography(self.to_unit, xy_mm)
        return distort(self.lens, apply_homography(self.from_unit @ self.unit_homography, unit_mm))

    def to_mm(self, xy_px: ArrayLike) -> FloatArray:
        """Plane points (n, 2) in mm of photograph pixels (n, 2); exact inverse of `to_px`."""
        ideal = undistort(self.lens, xy_px)
        to_plane = np.linalg.inv(self.from_unit @ self.unit_homography @ self.to_unit)
        return apply_homography(np.asarray(to_plane, float), ideal)

    def px_per_mm(self, xy_mm: ArrayLike) -> FloatArray:
        """Slopes (n, 2, 2) of `to_px`."""
        return _predict(self, np.asarray(xy_mm, float))[1]

    def covariance_mm2(self, xy_mm: ArrayLike, *, lens_known: bool = False) -> FloatArray:
        """Covariance (n, 2, 2) in mm² of where a photograph pixel lies on the plane.

        Parameters
        ----------
        xy_mm : (n, 2) array
        lens_known : bool
            Leave out what the uncertainty of the lens adds.
        """
        lever = self._lever(xy_mm)
        cov = self._cov_with_known_lens() if lens_known else self.cov
        return np.asarray(lever @ cov @ lever.transpose(0, 2, 1))

    def joint_covariance_mm2(self, xy_mm: ArrayLike) -> FloatArray:
        """Covariance (2n, 2n) in mm² of n plane points together (x1, y1, x2, …): a wrong plane moves all."""
        lever = self._lever(xy_mm).reshape(-1, self.cov.shape[0])
        return np.asarray(lever @ self.cov @ lever.T)

    def _lever(self, xy_mm: ArrayLike) -> FloatArray:
        """Shift in mm (n, 2, 13) of what a photograph pixel means for a unit change of each unknown."""
        _, by_mm, by_unknown = _predict(self, np.asarray(xy_mm, float))
        return np.asarray(np.linalg.solve(by_mm, by_unknown))

    def leverages(self, points: Observations) -> FloatArray:
        """Leverages (n, 2, 2): how far each point fixes its own prediction; identity means unchecked."""
        design = _whitened(self, points, _roots(self, points))[1]
        return np.asarray(design @ self.cov @ design.transpose(0, 2, 1))

    def whitened_slips(self, points: Observations) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Residuals (n, 2) in sd, their cofactor (2n, 2n), and what 1 mm in x or y of each point does (2n, 2n)."""
        roots = _roots(self, points)
        residual, design = _whitened(self, points, roots)
        design = design.reshape(-1, self.cov.shape[0])
        full = roots if roots.ndim == 2 else block_diag(*roots)
        slopes_mm = solve_triangular(full, block_diag(*self.px_per_mm(points.xy_mm)), lower=True)
        return residual, np.eye(len(design)) - design @ self.cov @ design.T, np.asarray(slopes_mm, float)

    def picking_cov(self, points: Observations) -> FloatArray:
        """The part (13, 13) of `cov` that picking in the photograph adds; the rest is control and lens."""
        roots = _roots(self, points)
        design = _whitened(self, points, roots)[1].reshape(-1, self.cov.shape[0])
        full = roots if roots.ndim == 2 else block_diag(*roots)
        gain = solve_triangular(full, design @ self.cov, lower=True, trans="T")
        return np.asarray(points.sd_px**2 * gain.T @ gain)

    def _cov_with_known_lens(self) -> FloatArray:
        free = np.flatnonzero(np.diag(self.cov) > 0)
        plane, lens = free[free < N_PLANE], free[free >= N_PLANE]
        cov = np.zeros_like(self.cov)
        shared = self.cov[np.ix_(plane, lens)]
        gain = np.linalg.solve(self.cov[np.ix_(lens, lens)], shared.T) if len(lens) else shared.T
        cov[np.ix_(plane, plane)] = self.cov[np.ix_(plane, plane)] - shared @ gain
        return cov


def _predict(plane: Plane, xy_mm: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Pixels (n, 2) and their slopes by mm (n, 2, 2) and by the 13 unknowns (n, 2, 13)."""
    unit_mm = apply_homography(plane.to_unit, xy_mm)
    unit_px = apply_homography(plane.unit_homography, unit_mm)
    w = unit_mm @ plane.unit_homography[2, :2] + 1.0
    point = np.column_stack([unit_mm, np.ones(len(w))]) / w[:, None]
    by_entry = np.zeros((len(w), 2, N_PLANE))
    by_entry[:, 0, 0:3] = by_entry[:, 1, 3:6] = point
    by_entry[:, :, 6:8] = -unit_px[:, :, None] * point[:, None, :2]
    ideal = apply_homography(plane.from_unit, unit_px)
    by_ideal, by_lens = lens_slopes(plane.lens, ideal)
    chain = by_ideal @ plane.from_unit[:2, :2]
    by_mm = chain @ slopes(plane.unit_homography, unit_mm) @ plane.to_unit[:2, :2]
    return distort(plane.lens, ideal), by_mm, np.concatenate([chain @ by_entry, by_lens], axis=2)


def solve_plane(points: Observations, lens: Lens, *, start: Plane | None = None) -> Plane:
    """Plane and lens from control points by weighted least squares.

    Parameters
    ----------
    points : Observations
    lens : Lens
        Prior of the lens: its values and `cov`; numbers with zero variance are taken as exact.
    start : Plane, optional
        A near solution to start from.

    Raises
    ------
    EstimationError
        Too few points, points on a line, or no convergence.

    Notes
    -----
    Gauss–Newton on the pixel residuals. The weight of a point is the inverse of
    sd_px² I + J cov_mm2 Jᵀ with the local slope J = d(px)/d(mm), renewed in each step: to first order the
    adjustment in which the true plane coordinates are unknowns too. The covariance is the inverse of the
    normal matrix at the solution.

    References
    ----------
    Mikhail, E. M. (1976) Observations and Least Squares, chapter 9 (combined adjustment).
    """
    plane = start or _start(points, lens)
    prior = _Prior(lens)
    for step in range(MAX_STEPS):
        if step < MAX_RENEWALS:
            roots = _roots(plane, points)
        plane, gain = _step(plane, points, prior, roots)
        if gain < 1e-10 * (1.0 + plane.chi2):
            return _with_covariance(plane, points, prior)
    raise EstimationError(
        "The control points do not settle on a plane.",
        found=f"no convergence in {MAX_STEPS} steps with {len(points.names)} points",
        needed="control points without gross errors, spread over the area",
    )


class _Prior:
    """The prior of the lens: which of the 13 unknowns are free, and the inverse root of its covariance."""

    def __init__(self, lens: Lens) -> None:
        free_lens = np.flatnonzero(np.diag(lens.cov) > 0)
        self.numbers = _numbers(lens)
        self.free = np.concatenate([np.arange(N_PLANE), N_PLANE + free_lens])
        self.free_lens = free_lens
        self.root_weight = np.linalg.inv(np.linalg.cholesky(lens.cov[np.ix_(free_lens, free_lens)]))


def _start(points: Observations, lens: Lens) -> Plane:
    ideal = undistort(lens, points.xy_px)
    matrix = fit_homography(points.xy_mm, ideal)
    to_unit = normaliser(points.xy_mm)
    from_unit = np.array([[lens.f_px, 0, lens.centre_px[0]], [0, lens.f_px, lens.centre_px[1]], [0, 0, 1.0]])
    unit = np.linalg.inv(from_unit) @ matrix @ np.linalg.inv(to_unit)
    size = N_PLANE + 5
    return Plane(
        unit_homography=unit / unit[2, 2],
        to_unit=to_unit,
        from_unit=from_unit,
        lens=lens,
        cov=np.zeros((size, size)),
        chi2=float("inf"),
        n_spare=0,
    )


def _system(plane: Plane, points: Observations, prior: _Prior, roots: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Whitened design (rows, free unknowns) and residual (rows,), rows of the prior last."""
    residual, by_unknown = _whitened(plane, points, roots)
    design = by_unknown[:, :, prior.free].reshape(-1, len(prior.free))
    prior_rows = np.zeros((len(prior.free_lens), len(prior.free)))
    prior_rows[:, N_PLANE:] = prior.root_weight
    departure = (prior.numbers - _numbers(plane.lens))[prior.free_lens]
    return np.concatenate([design, prior_rows]), np.concatenate([residual.ravel(), prior.root_weight @ departure])


def _roots(plane: Plane, points: Observations) -> FloatArray:
    """Cholesky roots of the covariance in px² of the residuals: (n, 2, 2), or (2n, 2n) if points share errors."""
    by_mm = plane.px_per_mm(points.xy_mm)
    if points.joint_mm2 is not None:
        slopes_mm = block_diag(*by_mm)
        picked = points.sd_px**2 * np.eye(len(slopes_mm))
        return np.asarray(np.linalg.cholesky(picked + slopes_mm @ points.joint_mm2 @ slopes_mm.T), float)
    cov = points.sd_px**2 * np.eye(2) + by_mm @ points.cov_mm2 @ by_mm.transpose(0, 2, 1)
    return np.asarray(np.linalg.cholesky(cov), float)


def _whitened(plane: Plane, points: Observations, roots: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Residuals (n, 2) and slopes by the 13 unknowns (n, 2, 13), in sd of the observation."""
    predicted, _, by_unknown = _predict(plane, points.xy_mm)
    both = np.concatenate([(points.xy_px - predicted)[:, :, None], by_unknown], axis=2)
    if roots.ndim == 2:
        both = solve_triangular(roots, both.reshape(len(roots), -1), lower=True).reshape(both.shape)
    else:
        both = np.linalg.solve(roots, both)
    return np.asarray(both[:, :, 0], float), np.asarray(both[:, :, 1:], float)


def _numbers(lens: Lens) -> FloatArray:
    return np.array([lens.f_px, *lens.centre_px, lens.k1, lens.k2])


def _step(plane: Plane, points: Observations, prior: _Prior, roots: FloatArray) -> tuple[Plane, float]:
    """One Gauss–Newton step, halved until the sum of squares does not grow; and its forecast gain."""
    design, residual = _system(plane, points, prior, roots)
    size = np.linalg.norm(design, axis=0)
    change = np.linalg.lstsq(design / size, residual, rcond=None)[0] / size
    gain, before = float(np.square(design @ change).sum()), float(residual @ residual)
    for _ in range(12):
        moved = _moved(plane, prior.free, change)
        ahead = _system(moved, points, prior, roots)[1]
        after = float(ahead @ ahead)
        if after <= before * (1.0 + 1e-9) + 1e-12:
            return replace(moved, chi2=after), gain
        change, gain = change / 2.0, gain / 4.0
    return replace(plane, chi2=before), 0.0


def _moved(plane: Plane, free: NDArray[np.intp], change: FloatArray) -> Plane:
    full = np.zeros(N_PLANE + 5)
    full[free] = change
    matrix = plane.unit_homography + np.append(full[:N_PLANE], 0.0).reshape(3, 3)
    f_px, x, y, k1, k2 = _numbers(plane.lens) + full[N_PLANE:]
    lens = replace(plane.lens, f_px=f_px, centre_px=np.array([x, y]), k1=k1, k2=k2)
    return replace(plane, unit_homography=matrix, lens=lens)


def _with_covariance(plane: Plane, points: Observations, prior: _Prior) -> Plane:
    design, residual = _system(plane, points, prior, _roots(plane, points))
    size = np.linalg.norm(design, axis=0)
    root = np.linalg.pinv(design / size, rcond=1e-12) / size[:, None]
    cov = np.zeros((N_PLANE + 5, N_PLANE + 5))
    cov[np.ix_(prior.free, prior.free)] = root @ root.T
    return replace(
        plane,
        cov=cov,
        lens=replace(plane.lens, cov=cov[N_PLANE:, N_PLANE:]),
        chi2=float(residual @ residual),
        n_spare=2 * len(points.names) - N_PLANE,
    )
