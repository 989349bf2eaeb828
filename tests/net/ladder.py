"""The five-step ladder: ornaments on a net, ever more missing, scattered, noisy and disturbed."""

from dataclasses import dataclass

import cv2
import numpy as np

from fragkit.net.correlation import overlap_of
from fragkit.net.finding import lag_map
from fragkit.net.search import propose

# missing share, placement scatter / pitch, peak over pixel noise, background / peak
LEVELS = {
    "easy": (0.10, 0.010, 2.0, 0.10),
    "mild": (0.20, 0.015, 1.2, 0.20),
    "worn": (0.30, 0.020, 0.8, 0.35),
    "hard": (0.40, 0.030, 0.6, 0.50),
    "very hard": (0.50, 0.040, 0.5, 0.70),
}


@dataclass(frozen=True)
class Rung:
    pixels: np.ndarray
    a_px: np.ndarray  # x right, y down
    b_px: np.ndarray
    ornament: np.ndarray


def ornament(radius_px: int, fold: int, rng: np.random.Generator) -> np.ndarray:
    """A random band-limited drawing inside a soft disc with 1- to 5-fold symmetry, peak 1."""
    side = 2 * radius_px + 1
    smooth = cv2.GaussianBlur(rng.standard_normal((side, side)).astype(np.float32), (0, 0), 0.14 * radius_px)
    turned = [
        cv2.warpAffine(smooth, cv2.getRotationMatrix2D((radius_px, radius_px), 360.0 * k / fold, 1.0), (side, side))
        for k in range(fold)
    ]
    y, x = np.mgrid[-radius_px : radius_px + 1, -radius_px : radius_px + 1]
    disc = 1.0 / (1.0 + np.exp((np.hypot(x, y) - 0.85 * radius_px) / (0.05 * radius_px)))
    drawing = np.mean(turned, axis=0)
    drawing = (drawing - drawing.mean()) * disc
    return (drawing / np.abs(drawing).max()).astype(np.float32)


def draw_rung(level: str, seed: int, *, side_px: int = 1000) -> Rung:
    missing, scatter, snr, background = LEVELS[level]
    rng = np.random.default_rng([seed, list(LEVELS).index(level), 77])
    pitch = rng.uniform(60, 150)
    down = pitch * rng.uniform(0.8, 1.25)
    turn = np.radians(rng.uniform(-8, 8))
    rotation = np.array([[np.cos(turn), -np.sin(turn)], [np.sin(turn), np.cos(turn)]])
    a = rotation @ [pitch, 0.0]
    b = rotation @ [0.5 * pitch if rng.random() < 0.5 else 0.0, down]
    size = round(0.42 * min(pitch, down))
    drawing = ornament(size, int(rng.integers(1, 6)), rng)
    image = np.zeros((side_px, side_px), np.float32)
    origin = rng.uniform(0, 1, 2) @ np.array([a, b])
    for i in range(-60, 61):
        for j in range(-60, 61):
            site = origin + i * a + j * b
            if not (-size < site[0] < side_px + size and -size < site[1] < side_px + size):
                continue
            if rng.random() < missing:
                continue
            site = site + rng.normal(0, scatter * pitch, 2)
            _add(image, drawing * max(0.1, 1.0 + 0.4 * rng.standard_normal()), site)
    image += background * _background(side_px, rng)
    image += rng.standard_normal(image.shape).astype(np.float32) / snr
    return Rung(image, a, b, drawing)


def same_net(a: np.ndarray, b: np.ndarray, true_a: np.ndarray, true_b: np.ndarray, *, within: float = 0.015) -> bool:
    """Whether two bases span the same net (index 1), vectors within a share of the shorter true one."""
    steps = np.column_stack([a, b])
    integers = np.round(np.linalg.solve(np.column_stack([true_a, true_b]), steps))
    if round(abs(np.linalg.det(integers))) != 1:
        return False
    errors = np.column_stack([true_a, true_b]) - steps @ np.linalg.inv(integers)
    return bool(np.hypot(*errors).max() <= within * min(np.hypot(*true_a), np.hypot(*true_b)))


def _add(image: np.ndarray, drawing: np.ndarray, site: np.ndarray) -> None:
    radius = drawing.shape[0] // 2
    corner = np.floor(site).astype(int) - radius
    shift = site - np.floor(site)
    patch = cv2.warpAffine(
        drawing, np.array([[1, 0, shift[0]], [0, 1, shift[1]]]), (drawing.shape[1] + 1, drawing.shape[0] + 1)
    )
    x0, y0 = np.maximum(corner, 0)
    x1, y1 = np.minimum(corner + patch.shape[0], image.shape[0])
    if x1 > x0 and y1 > y0:
        image[y0:y1, x0:x1] += patch[y0 - corner[1] : y1 - corner[1], x0 - corner[0] : x1 - corner[0]]


def _background(side_px: int, rng: np.random.Generator) -> np.ndarray:
    """Gradient, broad clouds and blots of 25 px; standard deviation 1."""
    y, x = np.mgrid[:side_px, :side_px] / side_px - 0.5
    clouds = cv2.GaussianBlur(rng.standard_normal((side_px, side_px)).astype(np.float32), (0, 0), 60)
    blots = cv2.GaussianBlur(rng.standard_normal((side_px, side_px)).astype(np.float32), (0, 0), 12)
    slope = np.cos(rng.uniform(0, 7)) * x + np.sin(rng.uniform(0, 7)) * y
    parts = [part / part.std() for part in (slope, clouds, blots)]
    return (np.sum(parts, axis=0) / np.sqrt(3.0)).astype(np.float32)


def known_template_net(rung: Rung, *, reduction: int = 2) -> tuple[np.ndarray, np.ndarray]:
    """The net found by the package's own search on the response to the true ornament, without noise.

    A yardstick, not a bound: nobody who measures a fragment knows as much, and a search made for it would find more.
    """
    even = rung.pixels - cv2.GaussianBlur(rung.pixels, (0, 0), 25)
    response = cv2.filter2D(even, cv2.CV_32F, rung.ornament - rung.ornament.mean())
    clear = np.maximum(response / (1.4826 * np.median(np.abs(response))) - 2.0, 0.0)
    side = rung.pixels.shape[0] // reduction
    small = cv2.resize(clear, (side, side), interpolation=cv2.INTER_AREA)
    overlap = overlap_of(np.ones((side, side), np.float32), largest_lag_px=(side // 2, side // 2))
    candidates, _ = propose([lag_map(small[:, :, None], overlap, 1.5)], shortest_px=8.0, longest_px=0.6 * side)
    return candidates[0].a_px * reduction, candidates[0].b_px * reduction
