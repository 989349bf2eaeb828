"""One fragment in its own frame: motifs laid on a net, worn, marked up, ready to be photographed."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from fragkit.placing import OnLines, Process, draw
from fragkit.simulate.camera import Camera
from fragkit.simulate.canvas import Canvas, FloatArray
from fragkit.simulate.drawings import MotifDrawing
from fragkit.simulate.exposure import Shooting, expose
from fragkit.simulate.forming import FORMINGS, Forming, form_copies
from fragkit.simulate.marks import Marks, chart_places, spread_marks
from fragkit.simulate.nets import NetPlan, sites_within
from fragkit.simulate.relief import Relief, draw_relief
from fragkit.simulate.surfaces import Decoration, Surface, paint_surface
from fragkit.simulate.wear import Wear
from fragkit.turning import turning

CHART_RISE_MM = 58.0
"""The chart's upper edge lies this far above the fragment's."""


@dataclass(frozen=True, kw_only=True)
class Conditions:
    """What the estimators do not model: shapes, damage, relief, light.

    Attributes
    ----------
    placing : Process
        How the motifs stray from the net.
    forming : Forming
    wear : Wear
    shooting : Shooting
    relief_mm : float
        Heights of bulges are about half of this.
    surface_mm_per_px : float
        Raster on which the surface is painted.
    chart : bool
        Whether a colour chart hangs above the fragment.
    """

    placing: Process = field(default_factory=lambda: OnLines(sd_x_mm=0.7, sd_y_mm=0.7))
    forming: Forming = FORMINGS["free"]
    wear: Wear = field(default_factory=Wear)
    shooting: Shooting = field(default_factory=Shooting)
    relief_mm: float = 1.2
    surface_mm_per_px: float = 0.25
    chart: bool = True


@dataclass(frozen=True, kw_only=True)
class FragmentPlan:
    """A fragment before it is painted.

    Attributes
    ----------
    name : str
    size_mm : (float, float)
        Its box; the frame's origin is the lower left corner.
    net : NetPlan
    net_origin_mm : (float, float)
        Where site (0, 0) lies.
    turn_deg : float
        Rows against the frame's x axis, anticlockwise.
    mark_columns, mark_rows : int
        Control crosses across and down.
    """

    name: str
    size_mm: tuple[float, float]
    net: NetPlan
    net_origin_mm: tuple[float, float] = (0.0, 0.0)
    turn_deg: float = 0.0
    mark_columns: int = 4
    mark_rows: int = 3


@dataclass(frozen=True, eq=False, kw_only=True)
class Scene:
    """A fragment on its wall, with all that is true of it.

    Attributes
    ----------
    plan : FragmentPlan
    decoration : Decoration
        Every motif of the box, and those partly outside it.
    surface : Surface
    marks : Marks
    relief : Relief
    """

    plan: FragmentPlan
    decoration: Decoration
    surface: Surface
    marks: Marks
    relief: Relief

    @property
    def inside(self) -> NDArray[np.bool_]:
        """Which motifs have their centre in the fragment's box."""
        width, height = self.plan.size_mm
        xy = self.decoration.centres_mm
        return np.asarray((xy >= 0.0).all(1) & (xy <= [width, height]).all(1))


def lay_motifs(
    plan: FragmentPlan,
    drawing: MotifDrawing,
    box_mm: tuple[float, float, float, float],
    *,
    conditions: Conditions,
    rng: np.random.Generator,
) -> Decoration:
    """The motifs of a fragment as the gilder left them, for all sites in a box of its frame.

    The draws of sites inside the fragment's box do not depend on how far the larger box reaches.
    """
    placing, shaping = rng.spawn(2)
    origin = np.asarray(plan.net_origin_mm, float)
    index, xy = sites_within(plan.net, box_mm, origin_mm=origin, turn_deg=plan.turn_deg)
    order = np.argsort(_away_from_box(xy, plan.size_mm), kind="stable")
    index, xy = index[order], xy[order]
    strayed = draw(conditions.placing, index, plan.net.place(index), rng=placing)
    centres = xy + strayed @ turning(plan.turn_deg).T
    copies = form_copies(drawing, len(xy), forming=conditions.forming, rng=shaping)
    return Decoration(index=index, centres_mm=centres, copies=copies)


def _away_from_box(xy: FloatArray, size_mm: tuple[float, float]) -> FloatArray:
    return np.maximum(np.maximum(-xy, xy - size_mm), 0.0).max(1).round(6)


def mark_up(plan: FragmentPlan, centres_mm: FloatArray, *, chart: bool, rng: np.random.Generator) -> Marks:
    """Control crosses over a fragment and just beyond its edge, and the chart above it."""
    width, height = plan.size_mm
    marks = spread_marks(
        (-14.0, -14.0, width + 14.0, height + 14.0),
        columns=plan.mark_columns,
        rows=plan.mark_rows,
        avoid_mm=centres_mm,
        rng=rng,
    )
    hung = chart_places(np.array([0.5 * width - 48.0, height + CHART_RISE_MM])) if chart else None
    return Marks(names=marks.names, xy_mm=marks.xy_mm, chart_mm=hung)


def build_scene(
    plan: FragmentPlan,
    drawing: MotifDrawing,
    cameras: Sequence[Camera],
    *,
    conditions: Conditions,
    rng: np.random.Generator,
) -> Scene:
    """A fragment painted over all that the cameras see.

    Parameters
    ----------
    plan : FragmentPlan
    drawing : MotifDrawing
        The design that is repeated.
    cameras : sequence of Camera
        In the fragment's frame.
    conditions : Conditions
    rng : numpy.random.Generator
        Motifs, marks, relief and wear each draw from a stream of their own.
    """
    laying, marking, bulging, ageing = rng.spawn(4)
    prints = np.array([camera.footprint_mm() for camera in cameras])
    (x0, y0), (x1, y1) = prints[:, :2].min(0), prints[:, 2:].max(0)
    box = (float(x0), float(y0), float(x1), float(y1))
    decoration = lay_motifs(plan, drawing, box, conditions=conditions, rng=laying)
    marks = mark_up(plan, decoration.centres_mm, chart=conditions.chart, rng=marking)
    width, height = plan.size_mm
    surface = paint_surface(
        Canvas(box_mm=box, mm_per_px=conditions.surface_mm_per_px),
        decoration,
        fragment_mm=_rounded_outline(width, height),
        wear=conditions.wear,
        marks=marks,
        rng=ageing,
    )
    relief = draw_relief((0.0, 0.0, width, height), relief_mm=conditions.relief_mm, rng=bulging)
    return Scene(plan=plan, decoration=decoration, surface=surface, marks=marks, relief=relief)


def _rounded_outline(width_mm: float, height_mm: float) -> FloatArray:
    """A box with rounded corners (superellipse of order 6)."""
    angle = np.linspace(0.0, 2.0 * np.pi, 120, endpoint=False)
    unit = np.column_stack([np.cos(angle), np.sin(angle)])
    return (np.sign(unit) * np.abs(unit) ** (1.0 / 3.0) + 1.0) * [width_mm / 2.0, height_mm / 2.0]


def photograph(scene: Scene, camera: Camera, *, shooting: Shooting, rng: np.random.Generator) -> NDArray[np.uint8]:
    """Pixels (h, w, 3) of a scene before JPEG."""
    return expose(scene.surface, camera, shooting=shooting, rng=rng, relief=scene.relief)
