"""A study before it is painted: the room, the fragments on its walls, and where the cameras stand."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from fragkit.simulate.camera import Camera, LensPlan
from fragkit.simulate.canvas import FloatArray
from fragkit.simulate.fragments import FragmentPlan
from fragkit.simulate.nets import NetPlan
from fragkit.simulate.photographs import Pose, frame_fragment
from fragkit.simulate.rooms import CORNICE_MM, DADO_MM, Room, draw_room, walls_of
from fragkit.survey.entries import WallEntry
from fragkit.turning import turning

ORIGIN_SD_MM = 2.0
TURN_SD_DEG = 0.1
"""How well the surveyors knew a fragment's place on its wall, and its turn against a level."""

TILT_DEG = (6.0, 15.0)


@dataclass(frozen=True, kw_only=True)
class Place:
    """Where a fragment was uncovered.

    Attributes
    ----------
    name, wall : str
    corner_ratio : (float, float)
        Lower left corner, as shares of the wall's length and of its height between dado and cornice.
    size_mm : (float, float)
    parts : tuple of (float, float)
        One photograph for each part (from, to) of its width.
    loss_factor : float
        Its losses against those of the conditions.
    """

    name: str
    wall: str
    corner_ratio: tuple[float, float]
    size_mm: tuple[float, float]
    parts: tuple[tuple[float, float], ...] = ((0.0, 1.0),)
    loss_factor: float = 1.0


PLACES = (
    Place(
        name="press",
        wall="north",
        corner_ratio=(0.12, 0.24),
        size_mm=(1160.0, 540.0),
        parts=((0.0, 0.63), (0.37, 1.0)),
    ),
    Place(name="pier", wall="north", corner_ratio=(0.66, 0.49), size_mm=(760.0, 550.0), loss_factor=0.65),
    Place(name="settle", wall="west", corner_ratio=(0.6, 0.17), size_mm=(790.0, 540.0), loss_factor=1.25),
)
"""Behind a press (two photographs that overlap), on a pier, and behind a settle."""


@dataclass(frozen=True, eq=False, kw_only=True)
class FragmentDraft:
    """A fragment on its wall, and the cameras before it.

    Attributes
    ----------
    place : Place
    plan : FragmentPlan
        In the fragment's frame; a point p of it lies on the wall at origin + R(turn) p.
    origin_mm, turn_deg
        The truth.
    stated_origin_mm, stated_turn_deg
        What the surveyors wrote down.
    cameras : tuple of Camera
        In the fragment's frame.
    """

    place: Place
    plan: FragmentPlan
    origin_mm: FloatArray
    turn_deg: float
    stated_origin_mm: FloatArray
    stated_turn_deg: float
    cameras: tuple[Camera, ...]

    @property
    def photo_names(self) -> tuple[str, ...]:
        """Names of its photographs."""
        return tuple(f"{self.place.name}-{number}" for number in range(1, len(self.cameras) + 1))


@dataclass(frozen=True, eq=False, kw_only=True)
class StudyDraft:
    """Room, walls as surveyed, and fragments."""

    seed: int
    net: NetPlan
    room: Room
    walls: tuple[WallEntry, ...]
    fragments: tuple[FragmentDraft, ...]


def stream(seed: int, *path: int) -> np.random.Generator:
    """The random numbers of one part of a study; parts do not disturb each other."""
    return np.random.default_rng([seed, *path])


def draft_study(seed: int, *, net: NetPlan, lens: LensPlan) -> StudyDraft:
    """Room, fragments and cameras of the study with this seed."""
    rng = stream(seed, 0)
    room = draw_room(rng)
    walls = walls_of(room, rng)
    phases = {wall.name: np.array([wall.axis_x_mm, DADO_MM + rng.uniform(0.4, 0.9) * net.down_mm]) for wall in walls}
    fragments = tuple(
        _draft_fragment(place, net=net, net_origin_mm=phases[place.wall], room=room, lens=lens, rng=stream(seed, 1, k))
        for k, place in enumerate(PLACES)
    )
    return StudyDraft(seed=seed, net=net, room=room, walls=walls, fragments=fragments)


def _draft_fragment(
    place: Place,
    *,
    net: NetPlan,
    net_origin_mm: FloatArray,
    room: Room,
    lens: LensPlan,
    rng: np.random.Generator,
) -> FragmentDraft:
    """The net lies level on the wall; the fragment's frame was drawn by eye, so it is turned a little."""
    origin = np.array(place.corner_ratio) * [room.length_of(place.wall), CORNICE_MM - DADO_MM] + [
        0.0,
        DADO_MM,
    ]
    turn = float(rng.normal(0.0, 0.5))
    basis = np.vstack([net.a_mm, net.b_mm])
    nearest = np.round((origin - net_origin_mm) @ np.linalg.inv(basis))
    site = (net_origin_mm + nearest @ basis - origin) @ turning(-turn).T
    plan = FragmentPlan(
        name=place.name,
        size_mm=place.size_mm,
        net=net,
        net_origin_mm=(float(site[0]), float(site[1])),
        turn_deg=-turn,
        mark_columns=6 if len(place.parts) > 1 else 4,
    )
    cameras = tuple(frame_fragment(plan, lens=lens, pose=_draw_pose(rng), part=part) for part in place.parts)
    return FragmentDraft(
        place=place,
        plan=plan,
        origin_mm=origin,
        turn_deg=turn,
        stated_origin_mm=(origin + rng.normal(0.0, ORIGIN_SD_MM, 2)).round(0),
        stated_turn_deg=round(turn + float(rng.normal(0.0, TURN_SD_DEG)), 2),
        cameras=cameras,
    )


def _draw_pose(rng: np.random.Generator) -> Pose:
    """A tilt of 6 to 15 degrees in each direction, up or down, right or left, and a little roll."""
    up, right = rng.uniform(*TILT_DEG, 2) * rng.choice([-1.0, 1.0], 2)
    return Pose(tilt_deg=(float(up), float(right)), roll_deg=float(rng.normal(0.0, 1.5)))
