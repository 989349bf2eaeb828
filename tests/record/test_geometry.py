"""geometry.json: the objects of RFC 7946, judged by the package geojson and by shapely; coordinates exact."""

import json

import geojson
import numpy as np
import pytest
from shapely.geometry import shape


@pytest.fixture(scope="module")
def features(written):
    return geojson.loads((written / "geometry.json").read_text(encoding="utf-8"))


def of_kind(features, kind):
    return [one for one in features["features"] if one["properties"]["kind"] == kind]


def test_every_object_is_valid(features):
    assert features.is_valid, features.errors()
    assert all(one["geometry"].is_valid for one in features["features"])
    assert "millimetres" in features["frame"]


def test_outer_rings_run_counterclockwise(features):
    """RFC 7946, 3.1.6: a linear ring must follow the right-hand rule."""
    for one in of_kind(features, "wall") + of_kind(features, "opening"):
        x, y = np.array(one["geometry"]["coordinates"][0]).T
        assert np.sum(x[:-1] * y[1:] - x[1:] * y[:-1]) > 0


def test_motifs_come_back_to_the_last_bit(written, whole):
    features = json.loads((written / "geometry.json").read_text(encoding="utf-8"))  # geojson would round to 1e-6
    for wall in whole.layout.walls:
        found = [one for one in of_kind(features, "motif") if one["properties"]["wall"] == wall.name]
        assert [one["properties"]["name"] for one in found] == list(wall.id)
        np.testing.assert_array_equal([one["geometry"]["coordinates"] for one in found], wall.xy_mm)
        assert [one["properties"]["position_class"] for one in found] == list(wall.position_class)


def test_every_motif_lies_on_its_wall_and_outside_its_openings(features):
    walls = {one["properties"]["wall"]: shape(one["geometry"]) for one in of_kind(features, "wall")}
    doors = [(one["properties"]["wall"], shape(one["geometry"])) for one in of_kind(features, "opening")]
    assert doors
    for one in of_kind(features, "motif"):
        place, wall = shape(one["geometry"]), one["properties"]["wall"]
        assert walls[wall].contains(place)
        assert not any(door.contains(place) for name, door in doors if name == wall)


def test_areas_are_those_of_the_survey(features, whole):
    for wall in whole.layout.walls:
        (found,) = (one for one in of_kind(features, "wall") if one["properties"]["wall"] == wall.name)
        x, y = wall.wall.outline_mm.T
        expected = 0.5 * abs(np.dot(x, np.roll(y, -1)) - np.dot(y, np.roll(x, -1)))  # shoelace
        assert shape(found["geometry"]).area == pytest.approx(expected, rel=1e-12)


def test_regular_areas_stand_on_their_wall(features, whole):
    """The fragment's frame lies at its origin, turned: by hand for a corner at the frame's own origin."""
    (area,) = of_kind(features, "regular area")
    fragment = next(one for one in whole.survey.fragments if one.name == area["properties"]["fragment"])
    assert area["properties"]["wall"] == fragment.wall
    corners = np.array(area["geometry"]["coordinates"][0])
    assert np.hypot(*(corners - fragment.origin_mm).T).min() == pytest.approx(0.0, abs=1e-5)  # geojson rounds to 1e-6
    assert shape(area["geometry"]).area == pytest.approx(300.0 * 250.0, rel=1e-6)
    assert "more regular" in area["properties"]["words"]
