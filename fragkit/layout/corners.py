"""Corners of the room: which walls meet, in what order they are laid, and the steps where they join."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from fragkit.layout.fits import Fit
from fragkit.layout.grounds import Corner, Ground
from fragkit.layout.results import Join
from fragkit.layout.search import Net, row_steps_mm
from fragkit.layout.visibility import KEEN_EYE_ARCSEC, arcsec_words
from fragkit.survey import WallEntry


@dataclass(frozen=True, eq=False, kw_only=True)
class Ring:
    """Walls that meet at corners, from left to right; `closed` when the last meets the first."""

    names: tuple[str, ...]
    closed: bool


@dataclass(frozen=True, eq=False, kw_only=True)
class Laid:
    """The ground and the net of a wall already laid."""

    ground: Ground
    net: Net


def find_rings(walls: Sequence[WallEntry]) -> list[Ring]:
    """Chains and rings of walls; a wall that meets no other is a chain of one."""
    following = {wall.name: wall.next for wall in walls}
    reached = {name for name in following.values() if name is not None}
    left, rings = dict.fromkeys(following), []
    for start in [name for name in following if name not in reached] + list(following):
        names: list[str] = []
        at: str | None = start
        while at is not None and at in left:
            names.append(at)
            del left[at]
            at = following[at]
        if names:
            rings.append(Ring(names=tuple(names), closed=at == start and len(names) > 1))
    return rings


def laying_order(ring: Ring, *, first: Sequence[str], closing: str | None) -> list[str]:
    """The order in which the walls of a ring are laid, and with that the corner that takes the closing error.

    Parameters
    ----------
    first : sequence of str
        Walls that carry evidence: the columns run out from them.
    closing : str or None
        The wall at whose right end the closing error is to lie; without one it lies before the first wall.

    Notes
    -----
    The ring is cut at the closing corner; from the walls with evidence, or else from the left end, the walls
    are taken outwards.
    """
    cut = closing_wall(ring, first=first, closing=closing)
    names = list(ring.names)
    if cut is not None:
        k = (names.index(cut) + 1) % len(names)
        names = names[k:] + names[:k]
    begun = [k for k, name in enumerate(names) if name in first] or [0]
    return [names[k] for k in sorted(range(len(names)), key=lambda k: min(abs(k - b) for b in begun))]


def closing_wall(ring: Ring, *, first: Sequence[str], closing: str | None) -> str | None:
    """The wall of a closed ring at whose right end the columns do not close."""
    if not ring.closed:
        return None
    if closing in ring.names:
        return closing
    start = next((name for name in ring.names if name in first), ring.names[0])
    return ring.names[ring.names.index(start) - 1]


def corners_of(
    wall: WallEntry,
    walls: Mapping[str, WallEntry],
    *,
    grounds: Mapping[str, Ground],
    rows: Mapping[str, Fit],
    done: Mapping[str, Laid],
    closing: str | None,
) -> tuple[Corner, ...]:
    """What the neighbours of a wall ask of it: their rows and, where they are laid and carried on, their columns."""
    found = []
    for other in walls.values():
        for left, right in ((other, wall), (wall, other)):
            if left.next != right.name or other.name not in rows:
                continue
            carried = left.corner == "continue" and left.name != closing
            laid = done.get(other.name) if carried else None
            down = done[other.name].net.down if other.name in done else rows[other.name]
            found.append(_corner(other.name, down, laid, here=grounds[wall.name], before=right is wall))
    return tuple(found)


def _corner(name: str, down: Fit, laid: Laid | None, *, here: Ground, before: bool) -> Corner:
    if laid is None:
        return Corner(neighbour=name, row_mm=down.start_mm, down_mm=down.repeat_mm)
    frame, across = laid.ground.frame, laid.net.across
    there_mm = frame.right.at_mm if before else frame.left.at_mm
    here_mm = here.frame.left.at_mm if before else here.frame.right.at_mm
    nearest = float(across.place_mm(np.rint(across.number_at(there_mm))))
    return Corner(
        neighbour=name,
        row_mm=down.start_mm,
        down_mm=down.repeat_mm,
        site_mm=here_mm + nearest - there_mm,
        across_mm=across.repeat_mm,
    )


def make_join(wall: WallEntry, here: Laid, there: Laid, *, closing: str | None, viewing_mm: float) -> Join:
    """The corner at the right end of a wall, with its steps."""
    a, b = here.net, there.net
    steps = row_steps_mm(there.ground.frame, b.down, row_mm=a.down.start_mm, down_mm=a.down.repeat_mm)
    corner = _corner(wall.name, a.down, here, here=there.ground, before=True)
    j = np.rint(b.down.number_at(a.down.start_mm))
    along = b.across.number_at(corner.site_mm) - there.ground.offset_ratio * j
    step = float(abs(along - np.rint(along)) * b.across.repeat_mm)
    carried = wall.corner == "continue"
    return Join(
        wall=wall.name,
        next=str(wall.next),
        turn=("closing error" if wall.name == closing else "carried on") if carried else "starts afresh",
        row_step_mm=float(steps.max()),
        column_step_mm=step if carried else None,
        margin_mm=a.across.high_margin_mm + b.across.low_margin_mm,
        viewing_mm=viewing_mm,
    )


def join_words(join: Join) -> str:
    """A corner in words, with its steps in mm and in seconds of arc."""
    turn = {
        "carried on": "the columns are carried on with a step of {0}",
        "closing error": "the closing error of the room lies here, a step of {0} between columns",
        "starts afresh": "each wall starts afresh, and the two outermost plumb lines are {1:.0f} mm apart",
    }[join.turn]
    columns = _step_words(join.column_step_mm or 0.0)
    angles = [join.row_step_arcsec] + ([join.column_step_arcsec] if join.column_step_arcsec is not None else [])
    seen = ", ".join(arcsec_words(angle) for angle in angles)
    keen = "; a keen eye sees 20" if max(angles) > KEEN_EYE_ARCSEC else ""
    return (
        f"Corner {join.wall} / {join.next}: {turn.format(columns, join.margin_mm)}; the rows meet with a step of "
        f"{_step_words(join.row_step_mm)} at worst. From {join.viewing_mm / 1000:.1f} m that is {seen} seconds of arc "
        f"({'rows' if len(angles) == 1 else 'rows and columns'}{keen})."
    )


def _step_words(step_mm: float) -> str:
    return f"{step_mm:.1f} mm" if 0.05 <= step_mm < 0.95 else f"{step_mm:.0f} mm"


def closing_words(ring: Ring, laid: Mapping[str, Laid], joins: Mapping[str, Join]) -> str:
    """By how much a closed ring of walls does not close, and where that lies."""
    runs = sum(laid[name].ground.frame.run_mm for name in ring.names)
    across = float(np.mean([laid[name].net.across.repeat_mm for name in ring.names]))
    error = runs - round(runs / across) * across
    corners = [joins[name] for name in ring.names if joins[name].column_step_mm is not None]
    where = "At every corner the columns start afresh, so it shows nowhere as a step."
    if corners:
        worst = max(corners, key=lambda join: join.column_step_mm or 0.0)
        where = f"The largest step between columns is at the corner {worst.wall} / {worst.next}."
    return (
        f"The room's walls run {runs / 1000:.2f} m in all, {runs / across:.2f} repeats: it closes "
        f"with an error of {abs(error):.0f} mm. {where}"
    )
