"""How each copy is bent against the typical one: a smooth field of displacements, and the copies with it taken off.

A hand draws a line of half a millimetre half a millimetre beside its place. The mean of such copies closes the line;
the mean of the copies brought onto each other keeps it, and a copy's own line is then known from all of them.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import partial

import numpy as np
from numpy.typing import NDArray

from fragkit.motifs.mixture import widely
from fragkit.opencv import cv2
from fragkit.threads import side_by_side

Float32Array = NDArray[np.float32]

SMOOTH_MM = 4.0
"""Width (sd) over which a copy's displacement is taken to be one and the same."""
STIFFNESS = 2e-4
"""Mean squared slope of the shares at which a displacement counts half: where there is no edge nothing is bent."""
N_ROUNDS, N_STEPS = 2, 3
LIMIT = 0.5
"""Differences of shares beyond this are damage or a drop, not bending."""
LEAST_SEEN = 1e-3


@dataclass(frozen=True, eq=False)
class Bent:
    """Copies and what they are when straightened.

    Attributes
    ----------
    fields : (n, 2, h, w) float32 array
        x and y, in px, from a place of the copy to its place on the straightened one.
    model : (2, h, w) float32 array
        Mean shares of metal and shadow of the straightened copies.
    """

    fields: Float32Array
    model: Float32Array

    def of_copy(self, n: int, layer: Float32Array) -> Float32Array:
        """A layer (h, w) of the straightened motif as copy `n` is bent."""
        return _warped(layer, self.fields[n])


def bend(metal: Float32Array, shadow: Float32Array, weight: Float32Array, mm_per_px: float) -> Bent:
    """How each copy is bent against the mean of the others, and their mean with that taken off.

    Parameters
    ----------
    metal, shadow, weight : (n, h, w) arrays
        Shares in each copy, and how far it is seen.

    Notes
    -----
    Each displacement field is fitted to the differences of metal and shadow in a window of 4 mm (sd), in Gauss-Newton
    steps, and drawn towards none where there are no edges. A bend is wide: no detail of a copy goes into it.

    References
    ----------
    Lucas, B. D., Kanade, T. (1981) Proc. 7th IJCAI, 674-679.
    """
    layers = np.stack([metal, shadow], axis=1)
    total = np.maximum(weight.sum(0), LEAST_SEEN)
    model = np.asarray((layers * weight[:, None]).sum(0) / total, np.float32)
    fields = np.zeros((len(metal), 2, *metal.shape[1:]), np.float32)
    for _ in range(N_ROUNDS):
        fit = partial(_fitted, model, SMOOTH_MM / mm_per_px)
        fields = np.stack(side_by_side(fit, list(layers), list(weight), list(fields)))
        fields -= (fields * weight[:, None]).sum(0) / total
        model = _mean_straightened(layers, weight, fields, model)
    return Bent(fields, model)


def _fitted(
    model: Float32Array, width_px: float, layers: Float32Array, weight: Float32Array, field: Float32Array
) -> Float32Array:
    """The field (2, h, w) after some steps."""
    for _ in range(N_STEPS):
        sums = np.zeros((5, *weight.shape), np.float32)
        for share, whole in zip(layers, model, strict=True):
            here = _warped(whole, field)
            gy, gx = np.gradient(here)
            away = np.clip(share - here, -LIMIT, LIMIT)
            sums += weight * np.stack([gx * gx, gx * gy, gy * gy, gx * away, gy * away])
        xx, xy, yy, x, y = (widely(layer, width_px) for layer in sums)
        xx, yy = xx + np.float32(STIFFNESS), yy + np.float32(STIFFNESS)
        x, y = x - np.float32(STIFFNESS) * field[0], y - np.float32(STIFFNESS) * field[1]
        step = np.stack([yy * x - xy * y, xx * y - xy * x]) / (xx * yy - xy**2)
        field = np.asarray(field + np.clip(step, -1.0, 1.0), np.float32)
    return field


def _mean_straightened(
    layers: Float32Array, weight: Float32Array, fields: Float32Array, model: Float32Array
) -> Float32Array:
    total, mean = np.zeros(weight.shape[1:], np.float32), np.zeros(model.shape, np.float32)
    for copy, seen, field in zip(layers, weight, fields, strict=True):
        back = _inverse(field)
        share = _warped(seen, back)
        total += share
        mean += share * np.stack([_warped(layer, back, cv2.INTER_CUBIC) for layer in copy])
    return np.clip(np.where(total > LEAST_SEEN, mean / np.maximum(total, LEAST_SEEN), model), 0.0, 1.0)


def _inverse(field: Float32Array) -> Float32Array:
    """The field that leads back."""
    back = -field
    for _ in range(2):
        back = -np.stack([_warped(layer, back) for layer in field])
    return back


def _warped(layer: Float32Array, field: Float32Array, kind: int = cv2.INTER_LINEAR) -> Float32Array:
    rows, columns = np.indices(layer.shape, np.float32)
    return np.asarray(cv2.remap(layer, columns + field[0], rows + field[1], kind, borderMode=cv2.BORDER_REPLICATE))
