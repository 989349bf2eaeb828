"""Strokes of a brush and outlines, painted into a label picture; and label pictures as outlines to draw."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any

import numpy as np
from numpy.typing import NDArray
from skimage.draw import polygon

from fragkit.opencv import cv2
from fragkit.survey import LABEL_NAMES

Codes = NDArray[np.uint8]
Stroke = Mapping[str, Any]

SMALLEST_SHOWN_PX = 20
"""Patches of an existing label picture with less area are kept, but not drawn in the browser."""


def paint(strokes: Iterable[Stroke], codes: Codes) -> Codes:
    """Label codes (h, w) with strokes painted over them in their order.

    Parameters
    ----------
    strokes : iterable of mapping
        `kind` "brush" (with `radius_px`) or "outline"; `code`; `points` as (x, y) in photograph pixels.
        Anything else, as the box round an example, labels nothing.
    codes : (h, w) uint8 array
        Left as it is.

    Notes
    -----
    A brush labels the pixels whose centre lies within its radius of the line, an outline those whose centre
    lies inside.
    """
    painted = codes.copy()
    for stroke in strokes:
        points = np.asarray(stroke["points"], float).reshape(-1, 2)
        if stroke["kind"] == "brush":
            for start, end in zip(points[: max(1, len(points) - 1)], points[-max(1, len(points) - 1) :], strict=True):
                _brush(painted, start, end, float(stroke["radius_px"]), int(stroke["code"]))
        elif stroke["kind"] == "outline":
            rows, columns = polygon(points[:, 1], points[:, 0], painted.shape)
            painted[rows, columns] = stroke["code"]
    return painted


def outlines(codes: Codes) -> list[dict[str, Any]]:
    """The labelled areas as rings of points, to be drawn: holes are rings too (even-odd)."""
    found = []
    for code in range(1, len(LABEL_NAMES)):
        rings, _ = cv2.findContours((codes == code).astype(np.uint8), cv2.RETR_CCOMP, cv2.CHAIN_APPROX_SIMPLE)
        shown = [
            np.asarray(cv2.approxPolyDP(ring, 0.7, True)).reshape(-1, 2).tolist()
            for ring in rings
            if cv2.contourArea(ring) >= SMALLEST_SHOWN_PX
        ]
        if shown:
            found.append({"kind": "area", "code": code, "rings": shown})
    return found


def shares_words(codes: Codes) -> str:
    """How much of the picture carries each label."""
    counts = np.bincount(codes.ravel(), minlength=len(LABEL_NAMES))
    listed = [
        f"{name} {100 * count / codes.size:.2g} %"
        for name, count in zip(LABEL_NAMES[1:], counts[1:], strict=False)
        if count
    ]
    return ", ".join(listed) or "nothing labelled yet"


def _brush(codes: Codes, start: NDArray[np.float64], end: NDArray[np.float64], radius: float, code: int) -> None:
    """Label what lies within `radius` of the line from `start` to `end`, in place."""
    height, width = codes.shape
    low = np.maximum(np.floor(np.minimum(start, end) - radius), 0).astype(int)
    high = np.minimum(np.ceil(np.maximum(start, end) + radius) + 1, [width, height]).astype(int)
    if (high <= low).any():
        return
    y, x = np.mgrid[low[1] : high[1], low[0] : high[0]].astype(float)
    along = end - start
    share = ((x - start[0]) * along[0] + (y - start[1]) * along[1]) / max(float(along @ along), 1e-12)
    share = np.clip(share, 0.0, 1.0)
    apart = np.hypot(x - start[0] - share * along[0], y - start[1] - share * along[1])
    codes[low[1] : high[1], low[0] : high[0]][apart <= radius] = code
