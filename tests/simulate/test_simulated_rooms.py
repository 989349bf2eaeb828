"""Rooms as crooked as stated."""

import numpy as np
import pytest
import shapely

from fragkit.simulate import draw_room, walls_of
from fragkit.simulate.rooms import CEILING_MM, WALL_NAMES


@pytest.fixture(params=range(6))
def room(request):
    return draw_room(np.random.default_rng(request.param))


def test_cornice_is_25_mm_out_along_a_long_wall(room):
    """Magnitude from a paperhanger's published notes: 1 in (25 mm) and more across one room."""
    falls = [abs(room.cornice_mm[(k + 1) % 4] - room.cornice_mm[k]) for k in range(4)]
    long_walls = [falls[k] for k in range(4) if room.length_mm(k) > 4800.0]
    assert max(long_walls) == pytest.approx(25.0, abs=1e-9)


def test_one_corner_is_38_mm_out_of_plumb(room):
    """Same notes: 1½ in (38 mm) floor to ceiling."""
    assert np.abs(room.leans_mm).max() == pytest.approx(38.0, abs=1e-9)


def test_corners_are_skewed(room):
    off = np.abs(room.corner_angles_deg() - 90.0)
    assert 0.05 < off.max() < 1.5
    assert room.corner_angles_deg().sum() == pytest.approx(360.0, abs=1e-9)
    first, second = (np.linalg.norm(room.corners_mm[k + 2] - room.corners_mm[k]) for k in (0, 1))
    assert abs(first - second) > 1.0  # mm: the diagonals tell


def test_corner_lines_lean_in_the_outline_as_the_room_does(room):
    outline = room.outline_mm(0)
    right = outline[2] - outline[1]
    along = (room.corners_mm[1] - room.corners_mm[0]) / room.length_mm(0)
    expected = room.leans_mm[1] @ along / CEILING_MM * right[1]
    assert right[0] == pytest.approx(expected, abs=0.15)  # mm; the outline is written to 0.1 mm


def test_openings_lie_on_their_walls_and_edges_on_the_outline(room):
    walls = walls_of(room, np.random.default_rng(1))
    assert tuple(wall.name for wall in walls) == WALL_NAMES
    assert {opening.kind for wall in walls for opening in wall.openings} == {"chimneypiece", "door", "window"}
    for wall in walls:
        field = shapely.Polygon(wall.outline_mm)
        assert field.is_valid
        for opening in wall.openings:
            assert shapely.Polygon(opening.outline_mm).difference(field.buffer(0.2)).is_empty  # written to 0.1 mm
        for edge in wall.edges:
            if edge.kind != "frame":
                assert shapely.LineString(edge.line_mm).within(field.exterior.buffer(0.01))
    assert {edge.kind for wall in walls for edge in wall.edges} == {"cornice", "dado", "corner", "frame"}


def test_walls_follow_each_other_round_the_room(room):
    walls = {wall.name: wall for wall in walls_of(room, np.random.default_rng(1))}
    seen, name = [], "north"
    for _ in walls:
        seen.append(name)
        name = walls[name].next
    assert name == "north"
    assert sorted(seen) == sorted(walls)
