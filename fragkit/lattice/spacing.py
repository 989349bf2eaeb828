"""The spacing of a net from place to place, as its centres and as the picture itself show it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.special import stdtrit

from fragkit.card import card
from fragkit.errors import EstimationError
from fragkit.frozen import frozen_array
from fragkit.lattice.drift import Drift
from fragkit.lattice.fitted import Fitted
from fragkit.lattice.windows import Axis, steps_in_picture
from fragkit.rectify import Picture
from fragkit.sketch import sketch_curve
from fragkit.units import Z95, with_sd

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int_]

LEAST_WINDOWS = 3
LEAST_LINES_ACROSS = 3
"""Rows (or columns) that must be compared before the picture's spread is believed."""

UNLIKELY = 0.005
"""Chance from which on the two views are said to differ."""


@dataclass(frozen=True, eq=False, kw_only=True)
class Growth:
    """Change of a spacing from motif to motif, in mm per motif, with one standard deviation."""

    value: float
    sd: float

    def __str__(self) -> str:
        return with_sd(self.value, self.sd, "mm per motif")


@dataclass(frozen=True, eq=False, kw_only=True)
class AxisSpacing:
    """Local spacing along the rows, or from row to row, in windows of a few motifs.

    Attributes
    ----------
    along : {"rows", "columns"}
    window_motifs : int
        Columns (or rows) to a window. Neighbouring windows overlap.
    place : (m,) array
        Middle of each window, in columns (or rows) as the maker counted them.
    spacing_mm, sd_mm : (m,) array
        Mean of all pairs of neighbours in the window, and one standard deviation: placing, centres and plane.
    photograph_sd_mm : (m,) array
        The share of centres and plane in it.
    n_pairs : (m,) int array
    picture_place, picture_spacing_mm, picture_sd_mm : (k,) array or None
        The same from the picture itself, without centres, for the windows in which it has a peak.
    growth, picture_growth, difference : Growth or None
        Slope over the windows by the centres, by the picture, and picture less centres in the same windows.
    photograph_growth_sd : float
        What centres and plane alone put into the slope: smaller growth is below the photograph's own error.
    agree : bool or None
        Whether the two views agree; None without a picture.
    text : str
    """

    along: str
    window_motifs: int
    place: FloatArray
    spacing_mm: FloatArray
    sd_mm: FloatArray
    photograph_sd_mm: FloatArray
    n_pairs: IntArray
    growth: Growth
    photograph_growth_sd: float
    picture_place: FloatArray | None = None
    picture_spacing_mm: FloatArray | None = None
    picture_sd_mm: FloatArray | None = None
    picture_growth: Growth | None = None
    difference: Growth | None = None
    agree: bool | None = None
    text: str = ""

    def __repr__(self) -> str:
        return f"<AxisSpacing {self.text}>"


@dataclass(frozen=True, eq=False, kw_only=True)
class LocalSpacing:
    """Local spacing along both axes; an axis is None where the motifs are too few.

    Attributes
    ----------
    rows, columns : AxisSpacing or None
    notes : tuple of str
        Where the two views differ.
    """

    rows: AxisSpacing | None
    columns: AxisSpacing | None
    notes: tuple[str, ...]

    @property
    def axes(self) -> tuple[AxisSpacing, ...]:
        """The axes that there are."""
        return tuple(axis for axis in (self.rows, self.columns) if axis is not None)

    def __repr__(self) -> str:
        return f"<LocalSpacing {'; '.join(axis.text for axis in self.axes)}>"

    def _repr_html_(self) -> str:
        rows = [
            (f"{axis.along}, window about {place:.1f}", with_sd(value, sd, "mm"))
            for axis in self.axes
            for place, value, sd in zip(axis.place, axis.spacing_mm, axis.sd_mm, strict=True)
        ]
        first = self.axes[0]
        names = {"x_name": "column" if first is self.rows else "row", "y_name": "mm"}
        drawn = sketch_curve(f"Spacing along the {first.along}", first.place, first.spacing_mm, **names)
        return card("Local spacing", rows, notes=tuple(axis.text for axis in self.axes), drawing=drawn)


def measure_spacing(lattice: Fitted, *, pictures: Sequence[Picture] = (), window_motifs: int = 3) -> LocalSpacing:
    """Spacing in windows along the rows and from row to row, by centres and by the picture, and whether they agree.

    Parameters
    ----------
    lattice : Lattice or RowFit
    pictures : sequence of Picture, optional
        The fragment's pictures in its frame. Without one, only the centres speak.
    window_motifs : int
        Columns (or rows) to a window, 2 or more; fewer where an axis would not give three windows.

    Raises
    ------
    EstimationError
        Fewer than three windows along either axis.

    Notes
    -----
    Centres: mean distance of all neighbours in the window, a linear function of the centres, so its sd follows from
    their covariance. Picture: peak of the autocorrelation in the window (`steps_in_picture`); its sd, and that of the
    difference, by leaving out one line across after the other (jackknife), with what the plane puts into the centres'
    view. Both see the same placing errors, so their difference is surer than either.
    """
    if window_motifs < 2:
        raise ValueError(f"window_motifs is {window_motifs}; a window needs 2 motifs at least")
    axes = [_measure_axis(lattice, which, pictures, window_motifs) for which in (0, 1)]
    if axes == [None, None]:
        raise EstimationError(
            "The fragment is too small for a local spacing.",
            found=f"{lattice.n_centres} centres",
            needed=f"{LEAST_WINDOWS} windows of {window_motifs} neighbours in a row, or from row to row",
        )
    return LocalSpacing(rows=axes[0], columns=axes[1], notes=_doubts(axes))


@dataclass(frozen=True, eq=False, kw_only=True)
class _Pairs:
    """Neighbours along an axis: numbers of both centres, cell of the first, and their spacing."""

    first: IntArray
    second: IntArray
    line: IntArray
    across: IntArray
    spacing_mm: FloatArray


def _measure_axis(lattice: Fitted, which: int, pictures: Sequence[Picture], window: int) -> AxisSpacing | None:
    axis = _axis(lattice, which)
    pairs = _pairs(lattice, axis)
    window = min(window, len(axis.lines) - LEAST_WINDOWS + 1)
    if window < 2:
        return None
    starts = [k for k in range(len(axis.lines) - window + 1) if _inside(pairs, axis, k, window).any()]
    if len(starts) < LEAST_WINDOWS:
        return None
    means = np.array([_mean_of(_inside(pairs, axis, k, window)) for k in starts])
    place = axis.lines[starts] + 0.5 * (window - 1.0)
    slope = _slope(place)
    own, shared, placing = (means @ c @ means.T for c in _pair_covariances(lattice, pairs, axis))
    by_centres = AxisSpacing(
        along=("rows", "columns")[which],
        window_motifs=window,
        place=frozen_array(place),
        spacing_mm=frozen_array(means @ pairs.spacing_mm),
        sd_mm=frozen_array(np.sqrt(np.diag(own + shared + placing))),
        photograph_sd_mm=frozen_array(np.sqrt(np.diag(own + shared))),
        n_pairs=frozen_array((means > 0).sum(axis=1)),
        growth=Growth(
            value=float(slope @ means @ pairs.spacing_mm), sd=float(np.sqrt(slope @ (own + shared + placing) @ slope))
        ),
        photograph_growth_sd=float(np.sqrt(slope @ (own + shared) @ slope)),
    )
    seen = _seen(pictures, axis, starts, window)
    if seen is not None:
        by_centres = _compared(by_centres, seen, _left_out(pairs, axis, starts, window), shared)
    return replace(by_centres, text=_finding(by_centres, lattice.drift))


def _slope(place: NDArray[Any]) -> FloatArray:
    """Weights (m,) that make the slope of a straight line."""
    centred = place - place.mean()
    return np.asarray(centred / np.sum(centred**2))


def _axis(lattice: Fitted, which: int) -> Axis:
    """The rows, or the columns, of a net; spacing is measured along the row, or square to it."""
    basis = lattice.repeat_mm
    along = basis[0] / np.hypot(*basis[0])
    sites = lattice.sites
    lines, across = (np.arange(sites[:, k].min(), sites[:, k].max() + 1) for k in (which, 1 - which))
    return Axis(
        step_mm=basis[which],
        direction=along if which == 0 else np.array([-along[1], along[0]]),
        origin_mm=lattice.origin_mm,
        basis=basis,
        which=which,
        lines=lines,
        across=across,
    )


def _pairs(lattice: Fitted, axis: Axis) -> _Pairs:
    places = lattice.cells
    number = {(int(c), int(r)): k for k, (c, r) in enumerate(places)}
    step = np.eye(2, dtype=int)[axis.which]
    found = [(k, number.get((int(c), int(r)))) for k, (c, r) in enumerate(places + step)]
    joined = np.array([pair for pair in found if pair[1] is not None], int).reshape(-1, 2)
    first, second = joined.T
    sites = lattice.sites[first]
    return _Pairs(
        first=first,
        second=second,
        line=sites[:, axis.which],
        across=sites[:, 1 - axis.which],
        spacing_mm=(lattice.xy_mm[second] - lattice.xy_mm[first]) @ axis.direction,
    )


def _inside(pairs: _Pairs, axis: Axis, start: int, window: int) -> NDArray[np.bool_]:
    low = axis.lines[start]
    return np.asarray((pairs.line >= low) & (pairs.line <= low + window - 2))


def _mean_of(inside: NDArray[np.bool_]) -> FloatArray:
    """Weights of a mean; not numbers when it has no members."""
    return np.where(inside, 1.0, 0.0) / (inside.sum() or np.nan)


def _pair_covariances(lattice: Fitted, pairs: _Pairs, axis: Axis) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Covariance (p, p) of the pairs' spacings: from each centre alone, from the plane they share, from placing."""
    n = lattice.n_centres
    whole = lattice.measured_cov_mm2.reshape(n, 2, n, 2)
    own = np.zeros_like(whole)
    own[np.arange(n), :, np.arange(n)] = whole[np.arange(n), :, np.arange(n)]
    parts = (own, whole - own, lattice.placing_cov_mm2.reshape(n, 2, n, 2))
    along = [np.einsum("a,iajb,b->ij", axis.direction, part, axis.direction) for part in parts]
    difference = np.zeros((len(pairs.first), n))
    difference[np.arange(len(pairs.first)), pairs.second] = 1.0
    difference[np.arange(len(pairs.first)), pairs.first] = -1.0
    own_pairs, shared, placing = (difference @ part @ difference.T for part in along)
    return own_pairs, shared, placing


def _left_out(pairs: _Pairs, axis: Axis, starts: Sequence[int], window: int) -> FloatArray:
    """Spacing (1 + r, m) by windows from all centres, then with each line across left out."""
    kept = [np.ones(len(pairs.line), bool), *(pairs.across != number for number in axis.across)]
    return np.array(
        [[_mean_of(_inside(pairs, axis, k, window) & one) @ pairs.spacing_mm for k in starts] for one in kept]
    )


def _seen(pictures: Sequence[Picture], axis: Axis, starts: Sequence[int], window: int) -> FloatArray | None:
    """Spacing (1 + r, m) by windows from all pictures, each weighed by how much of the window it shows."""
    if not pictures or len(axis.across) < LEAST_LINES_ACROSS:
        return None
    parts = [steps_in_picture(picture, axis, window=window) for picture in pictures]
    spacing = np.array([part[0][:, starts] for part in parts])
    weight = np.array([np.broadcast_to(part[1][starts], part[0][:, starts].shape) for part in parts])
    weight = np.where(np.isfinite(spacing), weight, 0.0)
    total = weight.sum(axis=0)
    summed = (weight * np.nan_to_num(spacing)).sum(axis=0)
    return np.divide(summed, total, out=np.full_like(total, np.nan), where=total > 0)


def _compared(own: AxisSpacing, seen: FloatArray, by_centres: FloatArray, shared: FloatArray) -> AxisSpacing:
    """The picture's view beside that of the centres; `own` alone when the picture has a peak in too few windows."""
    windows = np.isfinite(seen + by_centres).all(axis=0)
    if windows.sum() < LEAST_WINDOWS:
        return own
    seen, by_centres, place = seen[:, windows], by_centres[:, windows], own.place[windows]
    shared, slope = shared[np.ix_(windows, windows)], _slope(place)
    sd = np.sqrt(_jackknife(seen @ slope) + max(float(slope @ shared @ slope), 0.0))
    gap, gap_sd = (seen[0] - by_centres[0]) @ slope, np.sqrt(_jackknife((seen - by_centres) @ slope))
    return replace(
        own,
        picture_place=frozen_array(place),
        picture_spacing_mm=frozen_array(seen[0]),
        picture_sd_mm=frozen_array(np.sqrt(_jackknife(seen) + np.maximum(np.diag(shared), 0.0))),
        picture_growth=Growth(value=float(seen[0] @ slope), sd=float(sd)),
        difference=Growth(value=float(gap), sd=float(gap_sd)),
        agree=bool(abs(gap) <= -stdtrit(len(seen) - 2, UNLIKELY / 2.0) * gap_sd),
    )


def _jackknife(values: FloatArray) -> FloatArray:
    """Variance of the first of (1 + r, …) values from the r with one line left out each."""
    left_out = values[1:]
    n = len(left_out)
    return np.asarray((n - 1.0) / n * np.sum((left_out - left_out.mean(axis=0)) ** 2, axis=0))


def _doubts(axes: Sequence[AxisSpacing | None]) -> tuple[str, ...]:
    return tuple(
        f"centres and picture see another change of the spacing along the {axis.along}: by {axis.difference} apart"
        for axis in axes
        if axis is not None and axis.agree is False
    )


def _finding(axis: AxisSpacing, drift: Drift) -> str:
    grows, own_sd = axis.growth, axis.photograph_growth_sd
    where = "along the rows" if axis.along == "rows" else "from row to row"
    text = f"in windows of {axis.window_motifs} motifs the spacing {where} changes by {grows} by the centres"
    if axis.picture_growth is not None:
        text += f" and by {axis.picture_growth} by the picture itself"
    if drift.kind == "growth" and drift.along == axis.along and drift.value is not None and drift.sd is not None:
        text += f"; one field through all centres gives {Growth(value=drift.value, sd=drift.sd)}"
    if abs(grows.value) <= Z95 * own_sd:
        text += f"; not distinguishable: the photograph's own error is {own_sd:.2g} mm per motif"
    elif abs(grows.value) <= Z95 * grows.sd:
        text += "; not distinguishable from placing scatter"
    if axis.agree is None:
        return text
    if axis.agree:
        return f"{text}; the two views agree"
    return f"{text}; the two views differ by {axis.difference}: look at the centres and at what repeats beside them"
