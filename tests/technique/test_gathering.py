"""Whether marks lie together: published point patterns, exact nets, and honest p-values."""

import csv
import json
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import placing_sets as sets
import pytest

from fragkit.errors import EstimationError
from fragkit.technique import find_gathering, find_gathering_within, find_losses
from fragkit.technique.gathering import nearest_ratio, ripley_k
from fragkit.units import by_chance

SPATIAL = Path(__file__).parents[1] / "reference/spatial"


def _rows(name):
    with (SPATIAL / name).open(encoding="utf-8") as file:
        return list(csv.DictReader(file))


SUMMARY = {row["pattern"]: row for row in _rows("clark_evans_summary.csv")}


def _pattern(name):
    points = np.array([[float(row["x"]), float(row["y"])] for row in _rows(f"{name}.csv")])
    window = np.array([[float(SUMMARY[name][f"{axis}{end}"]) for axis in "xy"] for end in ("min", "max")])
    return points, window


@pytest.mark.parametrize("name", SUMMARY)
def test_nearest_neighbours_of_published_patterns(name):
    """Clark and Evans (1954) with the edge after Donnelly (1978), computed with the R package spatstat."""
    points, window = _pattern(name)
    ratio, departure = nearest_ratio(points, window_mm=window)
    assert ratio == pytest.approx(float(SUMMARY[name]["R_donnelly"]), abs=1e-6)
    assert departure == pytest.approx(float(SUMMARY[name]["z_donnelly"]), abs=1e-6)


@pytest.mark.parametrize("name", SUMMARY)
def test_pairs_of_published_patterns(name):
    """Ripley's K with translation weights at sixteen distances, computed with the R package spatstat."""
    rows = [row for row in _rows("ripley_k_reference.csv") if row["pattern"] == name]
    points, window = _pattern(name)
    found = ripley_k(points, np.array([float(row["r"]) for row in rows]), window_mm=window)
    np.testing.assert_allclose(found, [float(row["K_translate"]) for row in rows], rtol=1e-9, atol=1e-12)


@pytest.mark.parametrize(
    ("name", "finding"),
    [
        ("japanesepines", "stand as chance would have them"),
        ("redwood", "lie together"),
        ("cells", "keep apart"),
        ("swedishpines", "keep apart"),
    ],
)
def test_published_readings(name, finding):
    """Ripley (1977, 1981) and Diggle (1983, 2003): random, clustered, regular, regular."""
    points, window = _pattern(name)
    found = find_gathering_within(points, window_mm=window, rng=np.random.default_rng(1))
    assert found.finding == finding
    assert finding in found.words


def test_exact_nets():
    """Nets without an edge have 2 and 2.1491 (Davis 2002; Clark and Evans 1954); a wide one comes near."""
    published = json.loads((SPATIAL / "nearest_neighbour_examples.json").read_text())["exact_lattices"]
    square = sets.grid(40, 40) + 0.5
    up = np.sqrt(3.0) / 2.0
    hexagonal = (sets.grid(40, 40) + np.outer(sets.grid(40, 40)[:, 1] % 2, [0.5, 0.0]) + 0.25) * [1.0, up]
    for points, sides, name in ((square, [40.0, 40.0], "square"), (hexagonal, [40.0, 40.0 * up], "hexagonal")):
        ratio, _ = nearest_ratio(points, window_mm=np.array([[0.0, 0.0], sides]))
        assert ratio == pytest.approx(published[name]["R"], abs=0.03)  # the edge correction is for chance


def test_losses_in_one_corner_lie_together_and_every_second_one_keeps_apart():
    rng = np.random.default_rng(2)
    sites = sets.grid(8, 6)
    corner = np.linalg.norm(sites - [1, 1], axis=1) < 2.3
    together = find_gathering(100.0 * sites, corner, rng=rng)
    assert together.finding == "lie together"
    assert together.p <= 0.01
    assert together.nearest_ratio < 1.0 < together.pairs_ratio
    assert f"{corner.sum()} of 48" in repr(together)
    assert "<svg" in together._repr_html_()
    chequered = find_gathering(100.0 * sites, sites.sum(axis=1) % 4 == 0, rng=rng)
    assert chequered.finding == "keep apart"


def test_losses_by_chance_are_rarely_called_anything_else():
    rng = np.random.default_rng(3)
    sites = sets.grid(9, 5)[rng.random(45) > 0.2]
    p = np.array([find_gathering(100.0 * sites, rng.random(len(sites)) < 0.3, rng=rng).p for _ in range(40)])
    assert np.mean(p <= 0.05) <= 0.15  # 40 honest p-values: above this with chance 0.3 %
    assert 0.35 < np.mean(p) < 0.65


def test_what_the_fragment_ends_at_is_no_loss():
    """A torn corner and the rim do not count; a hole well inside does."""
    sites = sets.grid(12, 10)
    status = np.full(120, "seen", dtype="<U11")
    status[sites.sum(axis=1) < 4] = "lost"
    status[(sites[:, 0] == 11) | (sites[:, 1] == 0)] = "partly seen"
    hole = np.linalg.norm(sites - [7, 6], axis=1) < 1.8
    status[hole] = "lost"
    centres = SimpleNamespace(index=sites, xy_mm=100.0 * sites, status=tuple(status))
    found = find_losses(centres, rng=np.random.default_rng(5))
    np.testing.assert_array_equal(found.marked_mm, 100.0 * sites[hole])
    rim = np.any((sites == 0) | (sites == [11, 9]), axis=1) | (sites.sum(axis=1) < 5)
    assert len(found.others_mm) == 120 - rim.sum() - hole.sum()
    assert found.finding == "lie together"
    assert found.words.startswith("losses at 9 of")


@pytest.mark.parametrize(
    ("p", "said"), [(0.92, "in 92 %"), (0.01, "in 1 %"), (0.0033, "once in 300"), (0.0001, "once in 10,000")]
)
def test_chances_are_said_in_percent_or_as_once_in_so_many(p, said):
    """By hand: 1 / 0.0033 is 303, to one digit 300."""
    assert by_chance(p) == said


def test_too_few_marks_and_points_outside_are_refused():
    rng = np.random.default_rng(4)
    sites = sets.grid(4, 3)
    with pytest.raises(EstimationError, match="Too few marks"):
        find_gathering(sites, np.arange(12) < 3, rng=rng)
    with pytest.raises(ValueError, match=r"marked \(5,\)"):
        find_gathering(sites, np.ones(5, bool), rng=rng)
    with pytest.raises(ValueError, match="must lie between"):
        find_gathering_within(sites, window_mm=np.array([[0.0, 0.0], [1.0, 1.0]]), rng=rng)
    with pytest.raises(EstimationError, match="Too few points"):
        find_gathering_within(sites[:2], window_mm=np.array([[0.0, 0.0], [9.0, 9.0]]), rng=rng)
