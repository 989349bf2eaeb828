"""Bent copies of a figure whose bends are known."""

import cv2
import numpy as np

from fragkit.motifs.bending import bend

PITCH_MM = 0.4


def figure(dx: np.ndarray, dy: np.ndarray) -> np.ndarray:
    """A disc of 12 mm with bare lines 0.8 mm wide, displaced by dx, dy in px at each place, blurred by a pixel."""
    rows, columns = np.indices((100, 100), np.float32)
    x, y = (columns + dx - 50.0) * PITCH_MM, (rows + dy - 50.0) * PITCH_MM
    bare = (np.abs(x - 4.0) < 0.4) | (np.abs(x + 4.0) < 0.4) | (np.abs(y) < 0.4)
    return cv2.GaussianBlur(((np.hypot(x, y) < 12.0) & ~bare).astype(np.float32), (0, 0), 1.0)


def test_bends_are_found_and_bare_lines_come_back():
    rng = np.random.default_rng(4)
    rows, columns = np.indices((100, 100), np.float32)
    waves = [rng.uniform(0.0, 6.3, 4) for _ in range(16)]
    fields = np.array(
        [[np.cos(columns / 16.0 + a) * np.cos(b), np.cos(rows / 16.0 + c) * np.cos(d)] for a, b, c, d in waves]
    )
    fields -= fields.mean(axis=0)
    copies = np.array([figure(*field) for field in fields])
    bent = bend(copies, np.zeros_like(copies), np.ones_like(copies), PITCH_MM)
    metal = figure(np.zeros((100, 100)), np.zeros((100, 100))) > 0.5
    error = (bent.fields - fields)[:, :, metal]
    # bends of 0.5 px rms; some tenths stay where no line runs across
    assert np.sqrt((error**2).mean()) < 0.6 * np.sqrt((fields[:, :, metal] ** 2).mean())
    line = np.s_[30:45, 60]  # a bare line, 4 mm to the right of the middle
    truth = figure(np.zeros((100, 100)), np.zeros((100, 100)))[line].mean()
    straightened, plain = bent.model[0][line].mean() - truth, copies.mean(axis=0)[line].mean() - truth
    assert straightened < 0.5 * plain


def test_copies_alike_are_not_bent():
    rng = np.random.default_rng(5)
    still = figure(np.zeros((100, 100)), np.zeros((100, 100)))
    copies = (still + rng.normal(0.0, 0.1, (8, 100, 100))).astype(np.float32)
    bent = bend(copies, np.zeros_like(copies), np.ones_like(copies), PITCH_MM)
    # a twentieth of a millimetre from noise of a tenth
    assert np.sqrt((bent.fields**2).mean()) * PITCH_MM < 0.05
