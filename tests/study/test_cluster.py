"""A campaign on Dask workers, one of which is killed half-way: nothing is lost, and the results are the same."""

import os
import signal
import time
from functools import partial

import numpy as np
import pytest
from distributed import Client, LocalCluster
from independent_scene import Recipe, write_study

from fragkit.study import run_campaign
from fragkit.study.crew import Crew

pytestmark = pytest.mark.filterwarnings("ignore::DeprecationWarning", "ignore::ResourceWarning")


def slow_square(number):
    time.sleep(0.05)
    return number * number


@pytest.fixture
def cluster():
    with (
        LocalCluster(
            n_workers=2, threads_per_worker=1, dashboard_address=None, host="127.0.0.1", silence_logs=50
        ) as local,
        Client(local) as client,
    ):
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


@pytest.mark.benchmark
@pytest.mark.parametrize("n", [10, 300])
def test_cost_of_a_photograph_does_not_grow_with_their_number(cluster, tmp_path, n):
    """Simulated studies of one small photograph each; one of two workers is killed half-way through."""
    rng = np.random.default_rng(n)
    folders = []
    for k in range(n):
        folder = tmp_path / f"room-{k:03d}"
        write_study(folder, {"north": Recipe(seed=5000 + k, tilt_deg=tuple(rng.uniform(-12, 12, 2)))})
        folders.append(folder)
    ended = []

    def report(stage, name, done, total):
        ended.append(name)
        if len(ended) == n // 2:
            kill_a_worker(cluster)

    started = time.perf_counter()
    campaign = run_campaign(
        folders,
        out=tmp_path / "records",
        cache=tmp_path / "cache",
        progress=report,
        executor=cluster.get_executor(pure=False),
    )
    seconds = time.perf_counter() - started
    answered = sum(one.is_answered for one in campaign.values())
    print(f"\n{n} photographs on 2 workers, one killed: {seconds / n:.2f} s each, {answered} answered")
    assert len(campaign) == n
    assert not campaign.faulty
