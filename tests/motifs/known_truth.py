"""Fragments of both generators whose truth is known: photograph, control, and what each pixel truly shows."""

from collections.abc import Callable
from dataclasses import dataclass
from functools import partial

import cv2
import numpy as np
import shapely
from independent_scene import CANVAS_MM_PER_PX, Recipe, make_scene, to_canvas

from fragkit.motifs import Motif, build_motif, find_centres
from fragkit.motifs.parts import area_of
from fragkit.net import find_nets
from fragkit.rectify import Rectified, rectify
from fragkit.simulate import draw_motif, simulate_photograph
from fragkit.survey.entries import PointControl

SIMULATED = ("hop cone", "trefoil", "scallop shell", "bellflower", "barley ear")
INDEPENDENT = ("shell", "bell", "trefoil")
CONTROL_SD_MM = 0.1
PAINTED_OUT_MM = 0.45 * CANVAS_MM_PER_PX
"""How far outside its outlines the second generator paints: OpenCV fills each pixel that an edge touches, half a pixel
along the axis nearest to the edge's normal; by hand, 0.5 × 2√2/π of a pixel in the mean over directions."""


@dataclass(frozen=True, eq=False)
class Fragment:
    """A photograph with its control, and its truth.

    Attributes
    ----------
    photo : (h, w, 3) uint8 array
    control : PointControl
    codes : (rows, columns) uint8 array
        Labels of the painted wall.
    to_wall : function
        Pixels of the painted wall (n, 2) that pixels of the photograph (n, 2) see.
    metal : shapely.Geometry
        The metal of the drawing, in mm about its centroid.
    """

    photo: np.ndarray
    control: PointControl
    codes: np.ndarray
    to_wall: Callable[[np.ndarray], np.ndarray]
    metal: shapely.Geometry

    def read(self) -> tuple[Rectified, Motif]:
        plane = rectify(self.photo, self.control, flatness_mm=1.0)
        centres = find_centres(plane.picture, find_nets(plane.picture).best, covariance_mm2=plane.covariance_mm2)
        return plane, build_motif([(plane.picture, centres)])

    def labels_on(self, plane: Rectified) -> np.ndarray:
        """Labels of what each pixel of the picture shows, through the photograph by the true camera: where the survey
        believes the pixel to lie on the wall is not its label's fault."""
        picture = plane.picture
        shape = picture.coverage.shape
        return looked_up(self.codes, shape, lambda px: self.to_wall(plane.to_px(picture.to_mm(px))), cv2.INTER_NEAREST)


def simulated(name: str, seed: int) -> Fragment:
    photo, truth = simulate_photograph(rng=np.random.default_rng(seed), motif=name)
    marks, surface = truth.scene.marks, truth.scene.surface

    def to_wall(px: np.ndarray) -> np.ndarray:
        return surface.canvas.to_px(truth.camera.to_wall(px, truth.scene.relief))

    return Fragment(photo, control_of(truth.marks_px, marks.xy_mm), surface.labels, to_wall, draw_motif(name).metal)


def independent(name: str, seed: int, **how) -> Fragment:
    recipe = Recipe(seed=seed, motif=name, control_sd=CONTROL_SD_MM, **how)
    scene = make_scene(recipe)
    to_wall = partial(to_canvas, recipe, scene.homography)
    metal = shapely.union_all([shapely.Polygon(part).buffer(0.0) for part in scene.outline_mm])
    metal = metal.buffer(PAINTED_OUT_MM, join_style="mitre")
    return Fragment(scene.photo, control_of(scene.control_px, scene.control_mm), scene.labels, to_wall, metal)


def control_of(xy_px: np.ndarray, xy_mm: np.ndarray) -> PointControl:
    names = tuple(f"P{k}" for k in range(len(xy_px)))
    return PointControl(names=names, xy_px=xy_px, xy_mm=xy_mm, sd_mm=np.full(len(xy_px), CONTROL_SD_MM), sd_px=0.3)


def looked_up(values: np.ndarray, shape: tuple[int, ...], to_px: Callable, how: int) -> np.ndarray:
    """Values at the places (n, 2) that `to_px` makes of every column and row of a picture; 0 beyond."""
    rows, columns = np.indices(shape)
    px = to_px(np.c_[columns.ravel(), rows.ravel()].astype(float)).astype(np.float32).reshape(*rows.shape, 2)
    return cv2.remap(values, px[..., 0], px[..., 1], how, borderValue=0)


def overlap(found: np.ndarray, true: np.ndarray, code: int) -> float:
    """Intersection over union where something is true of the surface."""
    ours, theirs = (found == code) & (true > 0), true == code
    return float((ours & theirs).sum() / (ours | theirs).sum())


def in_doubt(motif: Motif, truth: shapely.Geometry) -> float:
    """Share of the true outline's length that lies within the bands of doubt of the metal's outlines."""
    band = shapely.union_all([area_of(rings) for rings in motif.doubt_bands("metal")])
    return float(truth.boundary.intersection(band).length / truth.boundary.length)


def area_limit_mm2(metal: shapely.Geometry) -> float:
    """The error of area that is asked for: 2 %, or a tenth of a millimetre all along the edge."""
    return max(0.02 * metal.area, 0.1 * metal.length)
