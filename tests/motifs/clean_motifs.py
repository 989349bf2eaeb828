"""Undamaged copies of one smooth drawing under white noise, and the Cramér-Rao bound of their centres."""

import cv2
import numpy as np
from scipy.ndimage import shift as moved_by_spline

from fragkit.motifs import find_centres
from fragkit.net import Net
from fragkit.rectify import Picture

REPEAT_PX, COLUMNS, ROWS = 64.0, 8, 6
MM_PER_PX = 0.25


def drawing(rng: np.random.Generator, radius_px: int = 22) -> np.ndarray:
    """A random drawing inside a soft disc, band-limited, peak 1."""
    side = 2 * radius_px + 17
    y, x = np.mgrid[:side, :side] - (side - 1) / 2.0
    disc = 1.0 / (1.0 + np.exp((np.hypot(x, y) - 0.85 * radius_px) / 1.5))
    form = cv2.GaussianBlur(rng.standard_normal((side, side)), (0, 0), 3.5)
    form = (0.6 + form / np.abs(form).max()) * disc
    return form / np.abs(form).max()


def bound_px(form: np.ndarray, noise: float) -> float:
    """Root mean of the two variances that no unbiased estimator of a known drawing's place goes below, in px.

    Robinson, D., Milanfar, P. (2004) Fundamental performance limits in image registration. IEEE TIP 13(9), 1185.
    """
    down, across = np.gradient(form)
    information = np.array([[(u * v).sum() for u in (across, down)] for v in (across, down)]) / noise**2
    return float(np.sqrt(np.trace(np.linalg.inv(information)) / 2.0))


def draw_clean(seed: int, peak_to_noise: float) -> tuple[Picture, np.ndarray, float]:
    """A picture of 48 copies, their places in px, and the bound in px."""
    rng = np.random.default_rng([seed, 71])
    form, noise = drawing(rng), 1.0 / peak_to_noise
    picture = np.zeros((round(REPEAT_PX * ROWS), round(REPEAT_PX * COLUMNS)))
    places = []
    half = form.shape[0] // 2
    for i in range(COLUMNS):
        for j in range(ROWS):
            place = (np.array([i, j]) + 0.5) * REPEAT_PX + rng.normal(0, 0.7, 2)
            x, y = np.floor(place).astype(int)
            part = moved_by_spline(form, (place - [x, y])[::-1], order=3)
            rows, columns = slice(y - half, y + half + 1), slice(x - half, x + half + 1)
            picture[rows, columns] += part[: picture[rows, columns].shape[0], : picture[rows, columns].shape[1]]
            places.append(place)
    picture += rng.normal(0, noise, picture.shape)
    grey = np.clip(np.round(32_000 + 4_000 * picture), 0, 65_535).astype(np.uint16)
    covered = np.ones(grey.shape, bool)
    pixels = np.repeat(grey[..., None], 3, axis=2)
    shown = Picture(pixels=pixels, mm_per_px=MM_PER_PX, origin_mm=np.zeros(2), coverage=covered)
    return shown, np.array(places), bound_px(form, noise)


def to_bound(peak_to_noise: float, n_pictures: int, *, first: int = 70_000) -> tuple[float, int]:
    """Rms error over the bound, one offset a picture removed, and how many centres that rests on."""
    side = REPEAT_PX * MM_PER_PX
    figures = {"support": 1.0, "explained": 1.0, "evidence": 9.0, "independent_evidence": 9.0, "contrast_evidence": 9.0}
    net = Net(a_mm=np.array([side, 0.0]), b_mm=np.array([0.0, side]), net_type="square", **figures)
    squares, freedom, n_centres = 0.0, 0, 0
    for seed in range(first, first + n_pictures):
        picture, places, bound = draw_clean(seed, peak_to_noise)
        centres = find_centres(picture, net)
        found = picture.to_px(centres.xy_mm[centres.found])
        away = found[:, None] - places[None]
        own = np.hypot(*away.transpose(2, 0, 1)).argmin(1)
        error = found - places[own]
        error = (error - np.median(error, axis=0))[np.hypot(*(error - np.median(error, axis=0)).T) < 6.0]
        squares += float(((error - error.mean(0)) ** 2).sum()) / bound**2
        freedom += 2 * (len(error) - 1)
        n_centres += len(error)
    return float(np.sqrt(squares / freedom)), n_centres
