"""Pictures of more than one scheme: a frieze, an older scheme under a newer one, two motifs in turn."""

import cv2
import numpy as np


def draw(picture: np.ndarray, at: np.ndarray, form: str, size: float, tone: float) -> None:
    x, y = (round(float(v) * 16) for v in at)
    if form == "disc":
        cv2.circle(picture, (x, y), round(size * 16), tone, -1, cv2.LINE_AA, 4)
        cv2.circle(picture, (x + round(6 * size), y), round(0.45 * size * 16), 0.0, -1, cv2.LINE_AA, 4)
    else:
        corners = np.array([[-1.0, 0.3], [0.1, -1.0], [1.0, 0.2], [0.0, 0.9]]) * size + at
        cv2.fillPoly(picture, [np.round(corners * 16).astype(np.int32)], tone, cv2.LINE_AA, 4)


def noise(seed: int, shape: tuple[int, int]) -> np.ndarray:
    rng = np.random.default_rng(seed)
    cloud = cv2.GaussianBlur(rng.standard_normal(shape).astype(np.float32), (0, 0), 20)
    return (0.15 * rng.standard_normal(shape) + 0.15 * cloud / cloud.std()).astype(np.float32)


def frieze(seed: int, *, step_px: float = 62.0, slope: float = 0.03, missing: float = 0.2) -> np.ndarray:
    """One row of discs with a bite on a plain field."""
    rng = np.random.default_rng([seed, 1])
    picture = np.zeros((420, 760), np.float32)
    for k in range(-1, 14):
        if rng.random() >= missing:
            at = np.array([20 + k * step_px, 190 + slope * k * step_px]) + rng.normal(0, 0.8, 2)
            draw(picture, at, "disc", 0.3 * step_px, 1.0)
    return picture + noise(seed, picture.shape)


def two_schemes(seed: int, *, tone: float = 0.7) -> np.ndarray:
    """Discs on a square net of 64 px over kites on a half-drop net of 90 × 78 px, turned by 4 degrees."""
    rng = np.random.default_rng([seed, 2])
    older, newer = np.zeros((640, 700), np.float32), np.zeros((640, 700), np.float32)
    turn = np.radians(4.0)
    rotation = np.array([[np.cos(turn), -np.sin(turn)], [np.sin(turn), np.cos(turn)]])
    for i in range(-12, 13):
        for j in range(-12, 13):
            at = np.array([350.0, 320.0]) + rotation @ [90.0 * (i + 0.5 * (j % 2)), 78.0 * j]
            if rng.random() > 0.15:
                draw(older, at + rng.normal(0, 0.7, 2), "kite", 20.0, tone)
            if rng.random() > 0.15:
                draw(newer, np.array([30.0 + 64.0 * i, 25.0 + 64.0 * j]) + rng.normal(0, 0.7, 2), "disc", 19.0, 1.0)
    return np.maximum(older, newer) + noise(seed, older.shape)


def in_turn(seed: int) -> np.ndarray:
    """Discs and kites in turn on a square net of 60 px, as on a chessboard."""
    picture = np.zeros((600, 640), np.float32)
    for i in range(-1, 12):
        for j in range(-1, 12):
            draw(picture, np.array([20.0 + 60 * i, 10.0 + 60 * j]), "disc" if (i + j) % 2 else "kite", 19.0, 1.0)
    return picture + noise(seed, picture.shape)
