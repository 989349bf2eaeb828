"""Every motif of a picture: where it is, how sure that is, and how much of it is left."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from fragkit.card import card
from fragkit.errors import EstimationError
from fragkit.frozen import frozen_array
from fragkit.motifs.folding import Window, patches
from fragkit.motifs.searching import search_sites
from fragkit.motifs.settling import Settled, settle_sites
from fragkit.motifs.surface import Surface
from fragkit.motifs.views import View, cell_of, cell_side_px, view_of
from fragkit.net import Net, size_of
from fragkit.rectify import Picture
from fragkit.sketch import sketch
from fragkit.threads import at_once, with_one_blas_thread

FloatArray = NDArray[np.float64]

_SEARCH_CELL_PX = 56.0
_FINE_CELL_PX = 150.0
_FINE_AREA_PX = 0.65e6
_SEEN_RATIO = 0.6
_LEAST_VISIBLE_RATIO = 0.1
STATUS = ("seen", "partly seen", "lost", "not there", "outside")


@dataclass(frozen=True, eq=False, kw_only=True)
class Centres:
    """Every site of a net on a picture.

    Attributes
    ----------
    index : (n, 2) int array
        (i, j) of the site i a + j b; (0, 0) is the site nearest the plane's origin.
    xy_mm : (n, 2) array
        Metal centroid of the motif, x right, y up; a prediction where the motif was not found.
    cov_mm2 : (n, 2, 2) array
        Covariance of `xy_mm`: picture noise, and the plane's where it was given.
    score : (n,) array
        Agreement with the learned motif, -1 to 1.
    visible_ratio : (n,) array
        Visible metal area over the motif's metal area, 0 to 1.
    status : tuple of str
        "seen" (found, 0.6 or more visible), "partly seen", "lost" (surface gone), "not there" (surface there, no
        motif) or "outside" (beyond the picture, or less than half inside).
    net : Net
    """

    index: NDArray[np.int64]
    xy_mm: FloatArray
    cov_mm2: FloatArray
    score: FloatArray
    visible_ratio: FloatArray
    status: tuple[str, ...]
    net: Net
    notes: tuple[str, ...] = ()

    @property
    def found(self) -> NDArray[np.bool_]:
        """Whether each site's motif was found (seen or partly seen)."""
        return np.array([s in ("seen", "partly seen") for s in self.status], bool)

    def __repr__(self) -> str:
        return f"Centres({int(self.found.sum())} found of {len(self.status)} sites)"

    def _repr_html_(self) -> str:
        rows = [(name, str(self.status.count(name))) for name in STATUS]
        sides = (f"{np.hypot(*vector):.1f}" for vector in (self.net.a_mm, self.net.b_mm))
        rows.append(("on a net of", f"{' × '.join(sides)} mm"))
        found = self.found
        empty = ~found & [status != "outside" for status in self.status]
        label = "Motifs found (dots) and sites without one (circles)"
        drawn = sketch(label, dots_mm=self.xy_mm[found], circles_mm=self.xy_mm[empty])
        return card("Motifs", rows, notes=self.notes, drawing=drawn)


@with_one_blas_thread
def find_centres(
    picture: Picture,
    net: Net,
    *,
    mask: NDArray[np.bool_] | None = None,
    covariance_mm2: Callable[[FloatArray], FloatArray] | None = None,
    example_mm: tuple[float, float, float, float] | None = None,
) -> Centres:
    """Position, covariance, score, visible share and status of every motif of a picture.

    Parameters
    ----------
    picture : Picture
    net : Net
        The repeat, from `find_nets` or typed in.
    mask : (h, w) bool array, optional
        Where the picture is to be believed; it narrows the picture's coverage.
    covariance_mm2 : callable, optional
        (n, 2) points in mm to their (n, 2, 2) covariance from the rectification.
    example_mm : (float, float, float, float), optional
        x, y of two opposite corners of a box round one good example of the motif: where in the cell to look for it.
        Default: where most structure is.

    Raises
    ------
    EstimationError
        If fewer than three copies of one motif can be told from their surroundings.

    Notes
    -----
    The picture is folded on the net and a first motif learned from it in sign-free features; it is sought within a
    fraction of the cell of where the neighbours put each site, and learned again from the surest copies.
    All copies are then fitted to one shared template. A motif counts as found when its score is
    above what the same search finds half-way between the sites.
    """
    basis = np.array([net.a_mm, net.b_mm]) * [1.0, -1.0] / picture.mm_per_px
    is_row = net.is_frieze
    cell_px = _fine_cell_px(picture, cell_of(basis) if is_row else basis)
    fine = view_of(picture, mask, basis, cell_px=cell_px, scale_px=1.3, is_row=is_row)
    coarse = fine.reduced(cell_px=_SEARCH_CELL_PX, scale_px=1.5)
    middle = _middle_px(example_mm, picture, coarse)
    (index, place, score, least), _ = at_once(lambda: search_sites(coarse, middle), lambda: fine.sheet)
    found = score >= least
    if found.sum() < 3:
        raise EstimationError(
            "The motif could not be told from its surroundings.",
            found=f"{int(found.sum())} copies on {net!r}",
            needed="three or more copies",
        )
    settled = settle_sites(coarse, fine, index, place, np.where(found, score, 0.0))
    centres = _centres(picture, net, index, fine, settled)
    return centres if covariance_mm2 is None else _with_plane(centres, covariance_mm2)


def _middle_px(example_mm: tuple[float, float, float, float] | None, picture: Picture, view: View) -> FloatArray | None:
    """The middle of the example in px of a view."""
    if example_mm is None:
        return None
    middle = picture.to_px(np.array(example_mm, float).reshape(2, 2).mean(0)[None])[0]
    return np.asarray((middle + 0.5) * view.scale - 0.5)


def _fine_cell_px(picture: Picture, cell: FloatArray) -> float:
    """Side of a cell at the fine scale, so that neither the cell nor the picture grows too large."""
    height, width = size_of(picture)
    reduction = float(np.sqrt(min(1.0, _FINE_AREA_PX / (height * width))))
    return min(_FINE_CELL_PX, max(cell_side_px(cell) * reduction, _SEARCH_CELL_PX))


def _centres(picture: Picture, net: Net, index: NDArray[np.int64], view: View, settled: Settled) -> Centres:
    fit, surface = settled.fit, settled.surface
    inside, visible, lost = _shares(view, fit.centres_px, surface)
    status = tuple(_status(*row) for row in zip(settled.found, inside, visible, lost, strict=True))
    xy_px = fit.centres_px + _metal_centroid(surface.metal, view.sheet.window)
    xy_mm = picture.to_mm((xy_px + 0.5) / view.scale - 0.5)
    flip = np.diag([picture.mm_per_px, -picture.mm_per_px] / view.scale)
    cov = flip @ fit.cov_px2 @ flip
    origin = index[int(np.argmin(np.hypot(*xy_mm.T)))]
    return Centres(
        index=frozen_array(index - origin),
        xy_mm=frozen_array(xy_mm),
        cov_mm2=frozen_array(cov),
        score=frozen_array(fit.score),
        visible_ratio=frozen_array(visible),
        status=status,
        net=net,
    )


def _with_plane(centres: Centres, covariance_mm2: Callable[[FloatArray], FloatArray]) -> Centres:
    """The centres with the covariance of the plane added to their own."""
    plane = np.asarray(covariance_mm2(np.asarray(centres.xy_mm)), float)
    return replace(centres, cov_mm2=frozen_array(centres.cov_mm2 + plane))


def _shares(view: View, centres: FloatArray, surface: Surface) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Of the motif's metal at each site: the share inside the picture, visible, and lost."""
    metal = surface.metal
    total = max(int(metal.sum()), 1)
    within = patches(view.sheet.share, centres, view.sheet.window)[:, metal]
    gone = patches(surface.lost, centres, view.sheet.window)[:, metal] * within
    inside = within.sum(1) / total
    lost = gone.sum(1) / total
    return inside.astype(float), np.clip(inside - lost, 0.0, 1.0).astype(float), lost.astype(float)


def _status(found: bool, inside: float, visible: float, lost: float) -> str:
    if inside < 0.5:
        return "outside"
    if found and visible >= _LEAST_VISIBLE_RATIO:
        return "seen" if visible >= _SEEN_RATIO else "partly seen"
    return "lost" if lost >= 0.5 * inside else "not there"


def _metal_centroid(metal: NDArray[np.bool_], window: Window) -> FloatArray:
    return np.array([window.dx[metal].mean(), window.dy[metal].mean()], float)
