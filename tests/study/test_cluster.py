"""A campaign on Dask workers, one of which is killed half-way: nothing is lost, and the results are the same."""

import os
import signal
import time
from contextlib import contextmanager
from functools import partial

import cv2
import dask
import numpy as np
import pytest
from distributed import Client, LocalCluster
from independent_scene import Recipe, write_study

from fragkit.crew import Crew
from fragkit.study import run_campaign

pytestmark = pytest.mark.filterwarnings("ignore::DeprecationWarning", "ignore::ResourceWarning")


SURVEY = """\
schema = 1
[study]
title = "A room of Orrowby Maltings"
authors = ["The tests"]
date = "2026-01-01"
seed = 1
[[photo]]
name = "north"
file = "north.png"
fragment = "north"
control = { kind = "points", table = "north.csv", sd_px = 0.3 }
flatness_mm = 1.0
[[fragment]]
name = "north"
"""


def slow_square(number):
    time.sleep(0.05)
    return number * number


KEPT_BYTES = {"MALLOC_TRIM_THRESHOLD_": 2**28, "MALLOC_MMAP_THRESHOLD_": 2**25}
"""What README advises for workers: Dask has them hand back every block at once, which costs as much as the work."""


@contextmanager
def local_cluster(n_workers):
    settings = {"threads_per_worker": 1, "dashboard_address": None, "host": "127.0.0.1", "silence_logs": 50}
    with (
        dask.config.set({"distributed.nanny.pre-spawn-environ": KEPT_BYTES}),
        LocalCluster(n_workers=n_workers, **settings) as local,
        Client(local) as client,
    ):
        yield client


@pytest.fixture
def cluster():
    with local_cluster(2) as client:
        yield client


def kill_a_worker(client):
    os.kill(next(iter(client.run(os.getpid).values())), signal.SIGKILL)


def test_tasks_of_a_killed_worker_are_done_by_the_others(cluster):
    killed = []

    def kill_half_way(number):
        if not killed:
            killed.append(number)
            kill_a_worker(cluster)

    tasks = [partial(slow_square, k) for k in range(40)]
    crew = Crew(cluster.get_executor(pure=False))
    assert crew.do(tasks, on_done=kill_half_way) == [k * k for k in range(40)]
    assert killed


def write_campaign(root, n):
    """`n` studies of one small photograph each: six painted fragments, each photograph with noise of its own."""
    painted = root / "painted"
    recipes = {
        f"p{k}": Recipe(seed=5000 + k, tilt_deg=(9.0 - 4.0 * k, 5.0 * k - 12.0), photo_px=(1000, 750)) for k in range(6)
    }
    write_study(painted, recipes)
    folders = []
    for k in range(n):
        name, folder = f"p{k % 6}", root / f"room-{k:03d}"
        folder.mkdir()
        shown = cv2.imread(str(painted / f"{name}.png")).astype(float)
        noisy = shown + np.random.default_rng(k).normal(0.0, 2.0, shown.shape)
        cv2.imwrite(str(folder / "north.png"), np.clip(np.rint(noisy), 0, 255).astype(np.uint8))
        (folder / "north.csv").write_bytes((painted / f"{name}.csv").read_bytes())
        (folder / "survey.toml").write_text(SURVEY, encoding="utf-8")
        folders.append(folder)
    return folders


def run_one_campaign(folders, root, client, *, kill_at):
    """Wall seconds of a photograph, seconds between ends of the first and of the last third, and the campaign."""
    ended = []

    def report(stage, name, done, total):
        ended.append(time.perf_counter())
        if len(ended) == kill_at:
            kill_a_worker(client)

    started = time.perf_counter()
    campaign = run_campaign(
        folders,
        out=root / "records",
        cache=root / "cache",
        progress=report,
        executor=client.get_executor(pure=False),
    )
    third = len(ended) // 3
    first, last = ended[third] - started, ended[-1] - ended[-1 - third]
    return (ended[-1] - started) / len(folders), first / (third + 1), last / third, campaign


@pytest.mark.benchmark
@pytest.mark.parametrize("n", [10, 300])
def test_cost_of_a_photograph_does_not_grow_with_their_number(cluster, tmp_path, n):
    """Simulated studies of one small photograph each; one of two workers is killed half-way through."""
    folders = write_campaign(tmp_path, n)
    each_s, first_s, last_s, campaign = run_one_campaign(folders, tmp_path, cluster, kill_at=n // 2)
    answered = sum(one.is_answered for one in campaign.values())
    print(f"\n{n} photographs on 2 workers, one killed: {each_s:.2f} s each, {answered} answered")
    print(f"of the first third {first_s:.2f} s each, of the last {last_s:.2f} s")
    assert len(campaign) == n
    assert not campaign.faulty


@pytest.mark.benchmark
@pytest.mark.parametrize("n_workers", [1, 2])
def test_throughput_grows_with_the_workers(tmp_path, n_workers):
    folders = write_campaign(tmp_path, 12)
    with local_cluster(n_workers) as client:
        each_s, _, _, campaign = run_one_campaign(folders, tmp_path, client, kill_at=None)
    print(f"\n12 photographs on {n_workers} of {os.cpu_count()} cores: {60 / each_s:.1f} a minute")
    assert not campaign.faulty
