"""The whole job on fragments of known truth that `fragkit.simulate` did not make: repeat, centres, precision.

The figures are those that the project promises for a study of three fragments of 30 sites or more. All scenes
come from `independent_scene`, which shares no code with the package.
"""

from concurrent.futures import ProcessPoolExecutor
from multiprocessing import get_context
from pathlib import Path

import numpy as np
import pytest
from independent_scene import Recipe, Scene, make_scene, write_study

from fragkit.study import run_study

MATCH_RATIO = 0.15  # a found centre matches a true one within this share of the repeat, one to one
VISIBLE = 0.6


def recipes(seed: int, *, motif: str, across: float, down: float, offset: float, loss: float) -> dict[str, Recipe]:
    tilts = ((9.0, -7.0), (-12.0, 5.0), (4.0, 15.0))
    return {
        name: Recipe(
            seed=seed * 10 + k,
            motif=motif,
            across=across,
            down=down,
            offset=offset,
            loss=loss + 0.06 * k,
            tilt_deg=tilts[k],
            turn_deg=0.5 - 0.4 * k,
        )
        for k, name in enumerate(("north", "east", "west"))
    }


def compare(found_xy: np.ndarray, scene: Scene) -> tuple[int, int, int, int, float]:
    """Number visible, of these found, number reported, of these real, rms per coordinate in mm."""
    gap = np.linalg.norm(found_xy[:, None] - scene.centres_mm[None], axis=2)
    limit = MATCH_RATIO * min(np.linalg.norm(scene.a), np.linalg.norm(scene.b))
    nearest = gap.argmin(1)
    real = (gap.min(1) < limit) & (gap.argmin(0)[nearest] == np.arange(len(found_xy))) & (scene.visible[nearest] > 0)
    matched = set(nearest[real])
    wanted = np.flatnonzero(scene.visible >= VISIBLE)
    error = found_xy[real] - scene.centres_mm[nearest[real]]
    rms = float(np.sqrt((error**2).mean()))
    return len(wanted), len(matched & set(wanted)), len(found_xy), int(real.sum()), rms


def run(folder: Path, plan: dict[str, Recipe]) -> tuple[dict[str, Scene], object]:
    scenes = write_study(folder, plan)
    return scenes, run_study(folder, cache=folder.parent / "cache")


@pytest.fixture(scope="module")
def half_drop(tmp_path_factory):
    plan = recipes(31, motif="trefoil", across=97.0, down=47.5, offset=0.5, loss=0.18)
    return plan, *run(tmp_path_factory.mktemp("half") / "study", plan)


@pytest.fixture(scope="module")
def rectangular(tmp_path_factory):
    plan = recipes(57, motif="shell", across=82.0, down=63.0, offset=0.0, loss=0.20)
    return plan, *run(tmp_path_factory.mktemp("rect") / "study", plan)


@pytest.fixture(params=["half_drop", "rectangular"])
def done(request):
    return request.getfixturevalue(request.param)


def test_the_pooled_repeat_is_within_three_tenths_of_a_percent(done):
    plan, _, result = done
    recipe = plan["north"]
    assert result.pooled.across_mm == pytest.approx(recipe.across, rel=0.003)
    assert result.pooled.down_mm == pytest.approx(recipe.down, rel=0.003)
    assert result.pooled.offset_ratio == pytest.approx(recipe.offset, abs=0.01)


def test_motifs_are_found_and_what_is_reported_is_real(done):
    _, scenes, result = done
    counts = np.array([compare(result.centres[n].xy_mm[result.centres[n].found], s)[:4] for n, s in scenes.items()])
    wanted, found, reported, real = counts.sum(0)
    assert wanted >= 60
    assert found / wanted >= 0.95
    assert real / reported >= 0.98


def test_centres_are_within_six_tenths_of_a_millimetre(done):
    _, scenes, result = done
    for name, scene in scenes.items():
        centres = result.centres[name]
        assert compare(centres.xy_mm[centres.found], scene)[4] < 0.6


def test_a_study_without_walls_ends_well_after_technique(done):
    _, _, result = done
    assert result.technique is not None
    assert result.layout is None
    assert not [s for s in result.skipped if s.stage in ("rectify", "net", "centres", "lattice", "motif", "technique")]


def _covered(job: tuple[int, Path]) -> tuple[bool, bool]:
    seed, folder = job
    plan = recipes(seed, motif="bell", across=92.0, down=51.0, offset=0.5, loss=0.2)
    _, result = run(folder / f"study-{seed}", plan)
    pooled = result.pooled
    (xl, xh), (yl, yh) = pooled.interval_across_mm, pooled.interval_down_mm
    return xl <= 92.0 <= xh, yl <= 51.0 <= yh


@pytest.mark.benchmark
def test_the_interval_holds_the_truth_on_fresh_seeds(tmp_path):
    """20 fresh studies of three photographs each: the 95 % interval holds the truth at least 17 times."""
    jobs = [(seed, tmp_path) for seed in range(900, 920)]
    with ProcessPoolExecutor(2, mp_context=get_context("spawn")) as pool:
        held = np.array(list(pool.map(_covered, jobs)))
    print(f"\nacross held {held[:, 0].sum()} of {len(jobs)}, down held {held[:, 1].sum()} of {len(jobs)}")
    assert (held.sum(0) >= 17).all()


def test_the_scene_keeps_its_promises():
    """The generator itself: true centres, projected by the true camera, land on the painted metal."""
    scene = make_scene(Recipe(seed=3, loss=0.0, noise=0.0))
    q = np.c_[scene.centres_mm, np.ones(len(scene.centres_mm))] @ scene.homography.T
    px = q[:, :2] / q[:, 2:]
    inside = (scene.visible > 0.99) & (np.abs(px - [1000, 750]) < [560, 430]).all(1)
    grey = scene.photo.mean(2)
    at = px[inside].round().astype(int)
    local = [grey[y - 3 : y + 4, x - 3 : x + 4].std() + abs(grey[y, x] - np.median(grey)) for x, y in at]
    assert inside.sum() > 8
    assert np.median(local) > 12
