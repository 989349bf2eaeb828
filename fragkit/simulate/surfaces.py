"""A decorated wall surface, painted layer by layer and then worn: what a camera would look at."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import NDArray

from fragkit.opencv import cv2
from fragkit.simulate.canvas import Canvas, FloatArray, Map, Patch, bands, blend, soft_step
from fragkit.simulate.drawings import MotifDrawing, moved
from fragkit.simulate.marks import Marks, stick
from fragkit.simulate.pigments import material
from fragkit.simulate.wear import Wear, abrasion, cracks, losses, nail_holes, overpaint, stains

GROUND, SHADOW, METAL, LOSS, LATER = 1, 2, 3, 4, 5
"""Label codes of the study folder."""


@dataclass(frozen=True, eq=False, kw_only=True)
class Decoration:
    """The motifs as they were laid.

    Attributes
    ----------
    index : (n, 2) int array
        Sites on the net.
    centres_mm : (n, 2) array
        Metal centroid of every copy, in the fragment's frame.
    copies : tuple of MotifDrawing
    """

    index: NDArray[np.int64]
    centres_mm: FloatArray
    copies: tuple[MotifDrawing, ...]


@dataclass(frozen=True, eq=False, kw_only=True)
class Surface:
    """A surface in true colours, evenly lit.

    Attributes
    ----------
    canvas : Canvas
    albedo : (3, h, w) float32 array
        Linear sRGB, one plane a channel.
    gloss : (h, w) float32 array
        How much of a lamp's mirror image each place throws back.
    labels : (h, w) uint8 array
        Codes of the study folder: 1 ground, 2 shadow, 3 metal, 4 loss, 5 later work.
    visible_ratio : (n,) array
        Visible metal area ÷ metal area of every motif of the decoration.
    loss_ratio : float
        Share of the fragment whose decorated surface is gone.
    """

    canvas: Canvas
    albedo: Map
    gloss: Map
    labels: NDArray[np.uint8]
    visible_ratio: FloatArray
    loss_ratio: float


def paint_surface(
    canvas: Canvas,
    decoration: Decoration,
    *,
    fragment_mm: FloatArray,
    wear: Wear,
    marks: Marks | None,
    rng: np.random.Generator,
) -> Surface:
    """A decorated surface, worn, with later paint outside the fragment.

    Parameters
    ----------
    canvas : Canvas
        The raster to paint on.
    decoration : Decoration
        The motifs.
    fragment_mm : (m, 2) array
        Outline of the uncovered fragment; its edge is made ragged.
    wear : Wear
        Damage.
    marks : Marks or None
        Control stickers and chart.
    rng : numpy.random.Generator
    """
    fragment = _fragment_map(canvas, fragment_mm, rng)
    albedo, gloss = _ground(canvas, rng), np.full(canvas.shape, 0.015, np.float32)
    metal, shadow, patches = _stamp_motifs(canvas, decoration)
    _lay_shadow(canvas, albedo, shadow, rng)
    rubbed = abrasion(canvas, wear, rng)
    metal *= 1.0 - rubbed
    _lay_leaf(canvas, albedo, gloss, metal=metal, tarnish_ratio=wear.tarnish_ratio, rng=rng)
    _soil(canvas, albedo, wear, rng)
    loss, deep = losses(canvas, fragment, wear=wear, rng=rng)
    later = np.maximum(1.0 - fragment, overpaint(canvas, fragment, wear=wear, rng=rng))
    _tear(canvas, albedo, loss, deep, rng)
    _paint_over(canvas, albedo, later, fragment, rng)
    _light_edges(canvas, albedo, loss, deep, later)
    stuck = stick(canvas, albedo, marks, rng) if marks is not None else np.zeros_like(loss)
    bare = (1.0 - loss) * (1.0 - later) * (1.0 - stuck)
    gloss *= bare
    bare *= 1.0 - rubbed
    return Surface(
        canvas=canvas,
        albedo=albedo,
        gloss=gloss,
        labels=_labels(metal, shadow, loss, np.maximum(later, stuck)),
        visible_ratio=np.array([_share(bare[where], mask) for where, mask in patches]),
        loss_ratio=float(loss[fragment > 0.5].mean()) if (fragment > 0.5).any() else 0.0,
    )


def _fragment_map(canvas: Canvas, fragment_mm: FloatArray, rng: np.random.Generator) -> Map:
    """Map 0..1 of the uncovered fragment, its edge scraped ragged."""
    small = Canvas(box_mm=canvas.box_mm, mm_per_px=2.0)
    inside = (small.cover([shapely.Polygon(fragment_mm)]) > 0.5).astype(np.uint8)
    if inside.all():
        return np.ones(canvas.shape, np.float32)
    depth = cv2.distanceTransform(inside, cv2.DIST_L2, 5) - cv2.distanceTransform(1 - inside, cv2.DIST_L2, 5)
    field = canvas.enlarge(depth * np.float32(small.mm_per_px))
    field += canvas.smooth_sum((60.0, 7.0), (14.0, 2.4), (4.0, 0.9), rng=rng)
    return soft_step(field, 0.4)


def _ground(canvas: Canvas, rng: np.random.Generator) -> Map:
    """Pale distemper (3, h, w): brushed, mottled, slightly yellowed in places."""
    brushed = ((45.0, 0.030), (9.0, 0.022), (1.5, 0.020, 14.0), (70.0, 0.015, 0.2), (canvas.mm_per_px, 0.02))
    tone = canvas.smooth_sum(*brushed, rng=rng, mean=1.0)
    yellowed = np.clip(canvas.smooth_sum((130.0, 0.35), rng=rng, mean=0.5), 0.0, 1.0)
    albedo = np.empty((3, *canvas.shape), np.float32)
    for plane, value, part in zip(albedo, material("ground"), (0.0, 0.03, 0.13), strict=True):
        np.multiply(yellowed, np.float32(-part), out=plane)
        plane += 1.0
        plane *= tone
        plane *= value
    return albedo


def _stamp_motifs(canvas: Canvas, decoration: Decoration) -> tuple[Map, Map, list[Patch]]:
    """Metal and shadow maps 0..1, and each motif's own metal patch with its place."""
    metal, shadow = np.zeros(canvas.shape, np.float32), np.zeros(canvas.shape, np.float32)
    patches = []
    for centre, copy in zip(decoration.centres_mm, decoration.copies, strict=True):
        for shape, layer in ((copy.shadow, shadow), (copy.metal, metal)):
            where, mask = canvas.stamp(moved(shape, *centre))
            np.maximum(layer[where], mask, out=layer[where])
        patches.append((where, mask))
    return metal, shadow, patches


def _lay_shadow(canvas: Canvas, albedo: Map, shadow: Map, rng: np.random.Generator) -> None:
    body = canvas.smooth_sum((5.0, 0.10), (60.0, 0.07), rng=rng, mean=0.84)
    blend(albedo, material("shadow"), shadow * np.clip(body, 0.35, 0.97, out=body))


def _lay_leaf(
    canvas: Canvas, albedo: Map, gloss: Map, *, metal: Map, tarnish_ratio: float, rng: np.random.Generator
) -> None:
    """Leaf from bright to dark: lighter than the ground here, darker there, with fine creases."""
    field = canvas.smooth_sum((95.0, 1.0), (14.0, 0.45), (3.0, 0.2), rng=rng)
    creases = canvas.smooth_field(2.2, rng)
    mean, spread = 3.2 * (0.5 - tarnish_ratio), 4.0 * tarnish_ratio * (1.0 - tarnish_ratio)
    for band in bands(canvas.shape):
        bright = 1.0 / (1.0 + np.exp(-2.4 * (mean + spread * field[band])))
        tone = 1.0 + 0.06 * creases[band]
        for channel, dark, shiny in zip(albedo, material("dark leaf"), material("bright leaf"), strict=True):
            channel[band] += metal[band] * ((dark + bright * (shiny - dark)) * tone - channel[band])
        gloss[band] += metal[band] * (0.2 + 0.8 * bright) * np.clip(0.6 + 0.35 * creases[band], 0.0, 1.5)


def _soil(canvas: Canvas, albedo: Map, wear: Wear, rng: np.random.Generator) -> None:
    water = stains(canvas, wear.n_stains, rng)
    for channel, part in zip(albedo, (0.6, 0.8, 1.0), strict=True):
        channel *= 1.0 - np.float32(part) * water
    holes, rust = nail_holes(canvas, wear.n_nail_holes, rng)
    blend(albedo, material("rust"), 0.55 * rust)
    blend(albedo, material("dirt"), np.maximum(holes, 0.75 * cracks(canvas, wear.n_cracks, rng)))


def _tear(canvas: Canvas, albedo: Map, loss: Map, deep: Map, rng: np.random.Generator) -> None:
    """Show the lining paper where the surface is gone, and the plaster where the paper is gone as well."""
    fibre = canvas.smooth_sum((1.2, 0.05, 4.0), (35.0, 0.09), rng=rng, mean=1.0)
    blend(albedo, material("paper"), loss, fibre)
    sand = canvas.smooth_sum((0.8, 0.07), (6.0, 0.06), (50.0, 0.08), rng=rng, mean=1.0)
    blend(albedo, material("plaster"), deep, sand)
    torn = cv2.GaussianBlur(loss, (0, 0), 1.1 / canvas.mm_per_px)
    rim = 4.0 * torn
    rim *= 1.0 - torn
    blend(albedo, material("torn edge"), 0.55 * np.clip(rim - 0.35, 0.0, 1.0) * loss)


def _paint_over(canvas: Canvas, albedo: Map, later: Map, fragment: Map, rng: np.random.Generator) -> None:
    """Later paint outside the fragment; pale filler on the patches inside it."""
    brushed = canvas.smooth_sum((1.4, 0.035, 16.0), (5.0, 0.015), (80.0, 0.05), rng=rng, mean=1.0)
    blend(albedo, material("filler"), later * fragment * np.float32(0.93), brushed)
    blend(albedo, material("later paint"), 1.0 - fragment, brushed)


def _light_edges(canvas: Canvas, albedo: Map, loss: Map, deep: Map, later: Map) -> None:
    """Light and shade along the edges of layers, under light from the upper left."""
    step = cv2.GaussianBlur(later - 0.5 * loss - 0.8 * deep, (0, 0), 0.45 / canvas.mm_per_px)
    slope = cv2.Sobel(step, cv2.CV_32F, 1, 0, scale=0.125) + 0.8 * cv2.Sobel(step, cv2.CV_32F, 0, 1, scale=0.125)
    albedo *= np.clip(1.0 + 1.1 * slope, 0.55, 1.45)


def _labels(metal: Map, shadow: Map, loss: Map, later: Map) -> NDArray[np.uint8]:
    labels = np.full(metal.shape, GROUND, np.uint8)
    for cover, code in ((shadow, SHADOW), (metal, METAL), (loss, LOSS), (later, LATER)):
        labels[cover > 0.5] = code
    return labels


def _share(bare: Map, mask: Map) -> float:
    total = float(mask.sum())
    return float((bare * mask).sum()) / total if total > 0.0 else 0.0
