"""The copies of all pictures, straightened together: each bent onto what all show, their mean bend taken off."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from fragkit.motifs.bending import N_STEPS, OWN_COPIES, Modes, Straight, bend_further, modes_over
from fragkit.motifs.copies import Grid, cut, regrid
from fragkit.motifs.learning import Sheet
from fragkit.motifs.light import shrink
from fragkit.motifs.shares import Consensus, Paints, Toned, tones_of
from fragkit.threads import side_by_side

FloatArray = NDArray[np.float64]
Float32Array = NDArray[np.float32]

RIDGE_PX2 = 1e-6
"""Holds modes in place that bend hardly anything."""
LEAST_SPREAD = 0.3
"""So much a mode may still spread that hardly shows on another grid."""


@dataclass(frozen=True, eq=False)
class Bends:
    """How the copies of each picture are bent.

    Attributes
    ----------
    weights : tuple of (n, 2, k) arrays
        Of the modes, one array per picture.
    spreads : (k,) array
        Their standard deviation from copy to copy.
    """

    weights: tuple[FloatArray, ...]
    spreads: FloatArray
    modes: Modes
    grid: Grid

    @classmethod
    def none(cls, n_copies: Sequence[int], grid: Grid) -> Bends:
        modes = modes_over(grid)
        return cls((), np.ones(len(modes.fields)), modes, grid).none_of(n_copies)

    def none_of(self, n_copies: Sequence[int]) -> Bends:
        """The same modes and spreads, with copies that are not bent yet."""
        return replace(self, weights=tuple(np.zeros((n, 2, len(self.spreads))) for n in n_copies))

    def fields(self) -> list[Float32Array]:
        """(n, 2, h, w) of every picture, in px from a place of the straight motif to that of the copy."""
        return side_by_side(self.modes.of, self.weights)

    def fields_on(self, grid: Grid) -> list[Float32Array]:
        """The same on another grid over the same extent, in its px."""
        if grid == self.grid:
            return self.fields()
        fields = regrid(self.modes.fields, self.grid, grid) * np.float32(self.grid.mm_per_px / grid.mm_per_px)
        return side_by_side(replace(self.modes, fields=fields).of, self.weights)

    def on(self, grid: Grid) -> Bends:
        """The same bends by the modes of another grid over the same extent, as nearly as these show them."""
        if grid == self.grid:
            return self
        modes = modes_over(grid)
        fields = regrid(self.modes.fields, self.grid, grid) * np.float32(self.grid.mm_per_px / grid.mm_per_px)
        old, new = (np.array([shrink(k, modes.step_px) for k in layers]) for layers in (fields, modes.fields))
        old, new = old.reshape(len(old), -1), new.reshape(len(new), -1)
        turned = np.linalg.solve(new @ new.T + RIDGE_PX2 * np.eye(len(new)), new @ old.T)
        spreads = np.sqrt(np.maximum(turned**2 @ self.spreads**2, LEAST_SPREAD**2))
        return Bends(tuple(w @ turned.T for w in self.weights), spreads, modes, grid)

    def further(
        self,
        sheets: Sequence[Sheet],
        parts: Sequence[Toned],
        leaves: Sequence[Float32Array],
        both: Consensus,
        paints: Paints,
    ) -> Bends:
        """The bends after some steps, what all copies have in common taken off."""

        def bend(sheet: Sheet, part: Toned, leaf: Float32Array, weights: FloatArray) -> FloatArray:
            return self.onto(sheet, part, leaf, weights, both, paints)

        weights = side_by_side(bend, sheets, parts, leaves, self.weights)
        mean = np.concatenate(weights).mean(axis=0)
        own = [w - mean for w in weights]
        square = (np.concatenate(own) ** 2).sum(axis=(0, 1)) / 2.0
        spreads = np.sqrt((OWN_COPIES + square) / (OWN_COPIES + sum(len(w) for w in own)))
        return replace(self, weights=tuple(own), spreads=spreads)

    def onto(
        self, sheet: Sheet, part: Toned, leaf: Float32Array, weights: FloatArray, both: Consensus, paints: Paints
    ) -> FloatArray:
        """The weights (n, 2, k) of one picture's copies after some steps onto what `both` shows."""
        straight = Straight(both, paints, self.modes, self.spreads, self.grid.mm_per_px)
        weights = bend_further(weights, part.tones, part.weight, leaf, straight)
        for _ in range(N_STEPS - 1):
            bends = self.modes.of(weights)
            colours = cut(sheet.ratio, sheet.picture, sheet.xy_mm, self.grid, beyond=1.0, bends=bends)
            weights = bend_further(weights, tones_of(colours, paints), part.weight, leaf, straight)
        return weights
