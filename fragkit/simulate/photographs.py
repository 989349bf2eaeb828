"""One photograph of one fragment, with all that is true of it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from fragkit.card import card
from fragkit.simulate.camera import Camera, LensPlan, facing
from fragkit.simulate.canvas import FloatArray
from fragkit.simulate.drawings import draw_motif
from fragkit.simulate.exposure import as_jpeg, from_jpeg
from fragkit.simulate.fragments import Conditions, FragmentPlan, Scene, build_scene, photograph
from fragkit.simulate.nets import NETS, NetPlan
from fragkit.sketch import sketch
from fragkit.turning import turning

FILL_RATIO = 0.9
"""The fragment fills this share of the picture's width or height, whichever it meets first."""


@dataclass(frozen=True, kw_only=True)
class Pose:
    """Where the camera stands: tilt above and right of square on, and roll, in degrees."""

    tilt_deg: tuple[float, float] = (7.0, -12.0)
    roll_deg: float = 1.5


@dataclass(frozen=True, eq=False, kw_only=True)
class PhotographTruth:
    """All that is true of a simulated photograph.

    Attributes
    ----------
    scene : Scene
        Motifs, marks, relief and labels, in the fragment's frame.
    camera : Camera
    a_mm, b_mm : (2,) arrays
        The net's vectors in the fragment's frame: along a row, and to the row above.
    index : (n, 2) int array
        Sites whose motif has its centre in the fragment's box, and those that reach into it with visible metal.
    centres_mm, centres_px : (n, 2) arrays
        Metal centroid of each undamaged copy, on the wall and in the photograph.
    visible_ratio : (n,) array
        Visible metal area ÷ metal area.
    marks_px : (k, 2) array
        Centres of the control crosses in the photograph.
    """

    scene: Scene
    camera: Camera
    a_mm: FloatArray
    b_mm: FloatArray
    index: NDArray[np.int64]
    centres_mm: FloatArray
    centres_px: FloatArray
    visible_ratio: FloatArray
    marks_px: FloatArray

    def __repr__(self) -> str:
        count = f"{len(self.index)} motifs, {self._n_seen} well visible"
        return f"PhotographTruth({count}, {self._loss_percent} lost)"

    def _repr_html_(self) -> str:
        net = self.scene.plan.net
        repeat = f"{net.across_mm:.1f} mm across, {net.down_mm:.1f} mm down, offset {net.offset_ratio:.2f}"
        rows = [
            ("Net", repeat),
            ("Motifs", f"{len(self.index)}, of which {self._n_seen} well visible"),
            ("Surface lost", self._loss_percent),
        ]
        seen = self.visible_ratio >= 0.6
        label = "Motifs that are well visible (dots) and less so (circles)"
        drawn = sketch(label, dots_mm=self.centres_mm[seen], circles_mm=self.centres_mm[~seen])
        return card("A simulated photograph", rows, drawing=drawn)

    @property
    def _n_seen(self) -> int:
        return int((self.visible_ratio >= 0.6).sum())

    @property
    def _loss_percent(self) -> str:
        return f"{100.0 * self.scene.surface.loss_ratio:.0f} %"


def simulate_photograph(
    *,
    rng: np.random.Generator,
    motif: str = "hop cone",
    net: NetPlan = NETS["half-drop"],
    conditions: Conditions | None = None,
    pose: Pose | None = None,
    lens: LensPlan | None = None,
) -> tuple[NDArray[np.uint8], PhotographTruth]:
    """A photograph (h, w, 3) of a worn fragment, 760 × 540 mm, and its truth.

    Parameters
    ----------
    rng : numpy.random.Generator
        Same generator state, same photograph.
    motif : str
        One of `MOTIFS`.
    net : NetPlan
        One of `NETS`, or another.
    conditions : Conditions, optional
        Scatter, shapes, damage, relief, light.
    pose : Pose, optional
    lens : LensPlan, optional

    Notes
    -----
    The estimators know of plane, k1 and one motif. Here there are also k2, relief, shapes that vary, damage
    that is correlated in space, glare, blur and JPEG: their stated uncertainty is tested, not only repeated.
    """
    conditions, pose, lens = conditions or Conditions(), pose or Pose(), lens or LensPlan()
    setting, painting, exposing = rng.spawn(3)
    plan = FragmentPlan(
        name="fragment",
        size_mm=(760.0, 540.0),
        net=net,
        net_origin_mm=tuple(np.array([380.0, 270.0]) + setting.uniform(-40.0, 40.0, 2)),
        turn_deg=float(setting.normal(0.0, 0.4)),
    )
    camera = frame_fragment(plan, lens=lens, pose=pose)
    scene = build_scene(plan, draw_motif(motif), [camera], conditions=conditions, rng=painting)
    pixels = photograph(scene, camera, shooting=conditions.shooting, rng=exposing)
    pixels = from_jpeg(as_jpeg(pixels, quality=conditions.shooting.jpeg_quality))
    return pixels, true_photograph(scene, camera)


def frame_fragment(plan: FragmentPlan, *, lens: LensPlan, pose: Pose, part: tuple[float, float] = (0.0, 1.0)) -> Camera:
    """A camera at whose distance the fragment, or a part (from, to) of its width, fills the picture."""
    width, height = plan.size_mm
    left, right = part
    target = (width * (left + right) / 2.0, height / 2.0 + 16.0)
    needed = max(width * (right - left) / lens.size_px[0], (height + 84.0) / lens.size_px[1]) / FILL_RATIO
    return facing(target, distance_mm=needed * lens.f_px, lens=lens, tilt_deg=pose.tilt_deg, roll_deg=pose.roll_deg)


def true_photograph(scene: Scene, camera: Camera) -> PhotographTruth:
    """What is true of a scene and of its picture in `camera`."""
    listed = scene.inside | (scene.surface.visible_ratio > 0.0)
    rotation = turning(scene.plan.turn_deg)
    centres = scene.decoration.centres_mm[listed]
    return PhotographTruth(
        scene=scene,
        camera=camera,
        a_mm=rotation @ scene.plan.net.a_mm,
        b_mm=rotation @ scene.plan.net.b_mm,
        index=scene.decoration.index[listed],
        centres_mm=centres,
        centres_px=camera.project(centres, scene.relief),
        visible_ratio=scene.surface.visible_ratio[listed],
        marks_px=camera.project(scene.marks.xy_mm, scene.relief),
    )
