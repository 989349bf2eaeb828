"""Turns of the plane, as matrices that are applied to column vectors."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray


def turning(turn_deg: float) -> NDArray[np.float64]:
    """The matrix (2, 2) that turns a vector anticlockwise, with x right and y up."""
    cos, sin = np.cos(np.radians(turn_deg)), np.sin(np.radians(turn_deg))
    return np.array([[cos, -sin], [sin, cos]])


def turning_onto_x(vector: ArrayLike) -> NDArray[np.float64]:
    """The matrix (2, 2) that turns a vector onto the x axis: gives what lies along it, and across it to the left."""
    right, up = np.asarray(vector, float) / np.hypot(*np.asarray(vector, float))
    return np.array([[right, up], [-up, right]])
