"""Folding a picture on its net: windows round the sites, the mean cell, and where the motif sits in it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from fragkit.opencv import cv2
from fragkit.threads import in_groups

FloatArray = NDArray[np.float64]
FloatImage = NDArray[Any]

_MOTIF_RADIUS_RATIO = 0.25
"""Radius of the blob that looks for the motif in the folded cell, in sides of what belongs to a site."""


@dataclass(frozen=True, eq=False, kw_only=True)
class Window:
    """The pixels that belong to one site: nearer to it than to any other node.

    Attributes
    ----------
    dx, dy : (h, w) float32 arrays
        Offsets from the site, px, y down.
    weight : (h, w) float32 array
        1 inside the site's own region, fading to 0 outside.
    """

    dx: FloatImage
    dy: FloatImage
    weight: FloatImage

    @property
    def half_px(self) -> tuple[int, int]:
        """Half sizes (x, y)."""
        return self.dx.shape[1] // 2, self.dx.shape[0] // 2


@dataclass(frozen=True, eq=False, kw_only=True)
class Sites:
    """Places on one picture and how far to trust each.

    Attributes
    ----------
    centres_px : (n, 2) array
        Found or predicted.
    trust : (n,) array
        Score of those that are found, 0 for the others.
    window : Window
    """

    centres_px: FloatArray
    trust: FloatArray
    window: Window


@dataclass(frozen=True, eq=False, kw_only=True)
class Sheet:
    """Features of a picture, where they are to be believed, and the window of its net.

    Attributes
    ----------
    values : (h, w, c) float32 array
    share : (h, w) float32 array
        1 where the surface is there and the picture is to be believed, 0 elsewhere.
    window : Window
    """

    values: FloatImage
    share: FloatImage
    window: Window


def window_of(a_px: FloatArray, b_px: FloatArray, *, soft_px: float = 1.5) -> Window:
    """The window of a net: its Wigner–Seitz cell with a soft rim.

    Notes
    -----
    Every pixel of the plane belongs to exactly one site, so that no motif is counted twice.
    """
    nodes = np.array([i * a_px + j * b_px for i in (-2, -1, 0, 1, 2) for j in (-2, -1, 0, 1, 2) if (i, j) != (0, 0)])
    length = np.hypot(*nodes.T)
    reach = int(np.ceil(np.sort(length)[:6].max() * 0.62)) + 2
    y, x = np.mgrid[-reach : reach + 1, -reach : reach + 1].astype(np.float32)
    beyond = np.full(x.shape, -np.inf)
    for node, size in zip(nodes, length, strict=True):
        np.maximum(beyond, (x * node[0] + y * node[1]) / size - size / 2.0, out=beyond)
    weight = np.clip(0.5 - beyond / (2.0 * soft_px), 0.0, 1.0).astype(np.float32)
    rows, columns = np.flatnonzero(weight.max(1) > 0), np.flatnonzero(weight.max(0) > 0)
    hy, hx = max(abs(rows - reach)), max(abs(columns - reach))
    keep = np.s_[reach - hy : reach + hy + 1, reach - hx : reach + hx + 1]
    return Window(dx=x[keep].copy(), dy=y[keep].copy(), weight=weight[keep].copy())


def narrowed(window: Window, zone: NDArray[np.bool_], *, margin_px: int) -> Window:
    """The window cut down to a zone and a margin round it."""
    reach = 2 * margin_px + 1
    near = cv2.dilate(zone.astype(np.uint8), cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (reach, reach)))
    weight = window.weight * cv2.GaussianBlur(near.astype(np.float32), (0, 0), 1.0)
    rows, columns = np.flatnonzero(weight.max(1) > 0.01), np.flatnonzero(weight.max(0) > 0.01)
    hx, hy = window.half_px
    ry, rx = int(np.abs(rows - hy).max()), int(np.abs(columns - hx).max())
    keep = np.s_[hy - ry : hy + ry + 1, hx - rx : hx + rx + 1]
    return Window(dx=window.dx[keep].copy(), dy=window.dy[keep].copy(), weight=weight[keep].copy())


def seen_on(zone: NDArray[np.bool_], window: Window, other: Window, ratio: FloatArray) -> NDArray[np.bool_]:
    """A zone of one window on another whose pixels are `ratio` (x, y) times as fine."""
    x = (other.dx / ratio[0] + window.half_px[0]).astype(np.float32)
    y = (other.dy / ratio[1] + window.half_px[1]).astype(np.float32)
    return np.asarray(cv2.remap(zone.astype(np.float32), x, y, cv2.INTER_LINEAR) > 0.5)


def patches(
    image: FloatImage, centres_px: FloatArray, window: Window, *, smooth: bool = False, in_planes: bool = False
) -> FloatImage:
    """Windows of a picture at sub-pixel centres; (n, h, w) or (n, h, w, c), or (n, c, h, w) `in_planes`; 0 beyond it.

    Notes
    -----
    Between pixels the picture is read by two taps along each axis, or by four of the cubic kernel when `smooth`.
    A whole window has one sub-pixel shift, so that this is one separable filter.
    """
    height, width = window.dx.shape
    out = np.zeros((len(centres_px), height, width, *image.shape[2:]), np.float32)
    if in_planes:
        out = np.zeros((len(centres_px), image.shape[2], height, width), np.float32)
    whole = np.floor(np.asarray(centres_px, float))
    taps = (_cubic_taps if smooth else _linear_taps)(np.asarray(centres_px, float) - whole)
    corners = (whole.astype(int) - (width // 2 + 1, height // 2 + 1)).tolist()
    size = (width + 3, height + 3)

    def fill(k: int) -> None:
        block = _block(image, corners[k][0], corners[k][1], size)
        if block is None:
            return
        moved = cv2.sepFilter2D(block, cv2.CV_32F, taps[k, 0], taps[k, 1], None, (1, 1))[1:-2, 1:-2]
        if in_planes:
            cv2.split(moved.reshape(height, width, -1), list(out[k]))
        else:
            out[k] = moved.reshape(out.shape[1:])

    in_groups(fill, len(out))
    return out


def _block(image: FloatImage, left: int, top: int, size: tuple[int, int]) -> FloatImage | None:
    """A part of an image, 0 where it reaches beyond; None when it is nowhere on it."""
    right, bottom = left + size[0], top + size[1]
    height, width = image.shape[:2]
    if left >= 0 and top >= 0 and right <= width and bottom <= height:
        return image[top:bottom, left:right]
    part = image[max(top, 0) : max(bottom, 0), max(left, 0) : max(right, 0)]
    if part.size == 0:
        return None
    beyond = max(-top, 0), max(bottom - height, 0), max(-left, 0), max(right - width, 0)
    return cv2.copyMakeBorder(part, *beyond, cv2.BORDER_CONSTANT)


def _linear_taps(shift: FloatArray) -> FloatImage:
    """Weights (..., 4) of the pixels about places `shift` (...) beyond the second of them."""
    nothing = np.zeros_like(shift)
    return np.stack([nothing, 1.0 - shift, shift, nothing], axis=-1).astype(np.float32)


def _cubic_taps(shift: FloatArray) -> FloatImage:
    """The same by the cubic kernel of Keys (1981) with slope -1/2, which has the smallest error of phase."""
    near = np.stack([shift, 1.0 - shift])
    far = 1.0 + near
    inner = (1.5 * near - 2.5) * near**2 + 1.0
    outer = -0.5 * (((far - 5.0) * far + 8.0) * far - 4.0)
    return np.stack([outer[0], inner[0], inner[1], outer[1]], axis=-1).astype(np.float32)


def site_indices(
    shape: tuple[int, ...], origin_px: FloatArray, basis: FloatArray, margin_px: float
) -> NDArray[np.int64]:
    """Indices of all sites within a margin of the picture."""
    height, width = shape[:2]
    corners = np.array([[x, y] for x in (-margin_px, width + margin_px) for y in (-margin_px, height + margin_px)])
    inverse = np.linalg.inv(basis)
    steps = (corners - origin_px) @ inverse
    low, high = np.floor(steps.min(0)).astype(int) - 1, np.ceil(steps.max(0)).astype(int) + 1
    i, j = np.mgrid[low[0] : high[0] + 1, low[1] : high[1] + 1]
    index = np.column_stack([i.ravel(), j.ravel()])
    xy = origin_px + index @ basis
    inside = (xy[:, 0] > -margin_px) & (xy[:, 0] < width - 1 + margin_px)
    inside &= (xy[:, 1] > -margin_px) & (xy[:, 1] < height - 1 + margin_px)
    return index[inside]


def motif_phase(sheet: Sheet, basis: FloatArray, *, cell_side_px: float) -> FloatArray:
    """A point of the picture where a motif sits: what the copies have in common, blurred to a motif's size, is highest.

    Parameters
    ----------
    sheet : Sheet
    basis : (2, 2) array
        Net vectors, one a row, px.
    cell_side_px : float
        Side of what belongs to a site; a motif is taken to be half as wide.

    Notes
    -----
    The features are folded on the net. Those of noise point every way and average out; the typical strength,
    which noise has everywhere, is taken off.
    """
    n = 48
    grid = (np.arange(n) + 0.5) / n
    u, v = np.meshgrid(grid, grid)
    dx, dy = (np.asarray(u * basis[0, k] + v * basis[1, k], np.float32) for k in (0, 1))
    middle = np.array(sheet.share.shape[::-1]) / 2.0
    index = site_indices(sheet.share.shape, middle, basis, float(np.hypot(*basis.T).sum()))
    weighted = sheet.values[:, :, :3] * sheet.share[:, :, None]
    total, share = np.zeros((n, n, 3)), np.zeros((n, n))
    for x, y in (middle + index @ basis).astype(np.float32):
        total += cv2.remap(weighted, dx + x, dy + y, cv2.INTER_LINEAR)
        share += cv2.remap(sheet.share, dx + x, dy + y, cv2.INTER_LINEAR)
    mean = total / np.maximum(share, 0.2 * share.max())[:, :, None]
    mean[:, :, 0] -= np.median(mean[:, :, 0])
    blurred = _periodic_blur(np.sqrt((mean**2).sum(2)), *basis, radius_px=_MOTIF_RADIUS_RATIO * cell_side_px)
    row, column = np.unravel_index(np.argmax(blurred), blurred.shape)
    return middle + np.array([grid[column], grid[row]]) @ basis


def _periodic_blur(cell: FloatImage, a_px: FloatArray, b_px: FloatArray, *, radius_px: float) -> FloatImage:
    """Gaussian blur of a cell in fractional coordinates, isotropic in the picture, by its Fourier series."""
    n = cell.shape[0]
    k = np.fft.fftfreq(n, 1.0 / n)
    ku, kv = np.meshgrid(k, k)
    waves = np.stack([ku, kv], axis=-1) @ np.linalg.inv(np.array([a_px, b_px])).T
    gain = np.exp(-2.0 * np.pi**2 * radius_px**2 * (waves**2).sum(-1))
    return np.fft.ifft2(np.fft.fft2(cell) * gain).real
