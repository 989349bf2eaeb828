"""Tasks come back in their order from any executor, and a dead worker costs its task another try, not the rest."""

import os
import signal
import time
from concurrent.futures import ProcessPoolExecutor, ThreadPoolExecutor
from functools import partial
from threading import Event, Thread

import pytest
from threadpoolctl import threadpool_info

from fragkit.crew import Crew, WorkerLost, crew_of, processes
from fragkit.opencv import cv2


def square(number):
    return number * number


def die_once(marker, number):
    """Kill the worker that does it first, as the system does when memory is short."""
    if not marker.exists():
        marker.touch()
        os.kill(os.getpid(), signal.SIGKILL)
    return square(number)


def threads():
    """Numbers of threads that OpenCV and BLAS use."""
    return {cv2.getNumThreads()} | {pool["num_threads"] for pool in threadpool_info() if pool["user_api"] == "blas"}


def die(number):
    os.kill(os.getpid(), signal.SIGKILL)


two_processes = partial(processes, 2)


@pytest.mark.parametrize("executor", [None, two_processes, partial(ThreadPoolExecutor, 2)])
def test_results_come_in_the_order_of_the_tasks(executor):
    ended = []
    with crew_of(executor) as crew:
        results = crew.do([partial(square, k) for k in range(6)], on_done=ended.append)
    assert results == [0, 1, 4, 9, 16, 25]
    assert sorted(ended) == list(range(6))


def test_an_executor_of_the_callers_is_left_running():
    with ThreadPoolExecutor(1) as executor:
        with crew_of(executor) as crew:
            crew.do([partial(square, 2)], on_done=lambda number: None)
        assert executor.submit(square, 3).result() == 9


def test_the_tasks_of_a_dead_worker_are_done_again(tmp_path):
    tasks = [partial(square, k) for k in range(8)]
    tasks[3] = partial(die_once, tmp_path / "died", 3)
    with crew_of(two_processes) as crew:
        assert crew.do(tasks, on_done=lambda number: None) == [k * k for k in range(8)]
    assert (tmp_path / "died").exists()


def test_a_task_that_always_kills_its_worker_stands_alone():
    tasks = [partial(square, 0), partial(die, 1), partial(square, 2)]
    ended = []
    with crew_of(two_processes) as crew:
        assert crew.do(tasks, on_done=ended.append) == [0, WorkerLost(), 4]
    assert sorted(ended) == [0, 1, 2]


def test_without_a_way_to_a_new_executor_the_rest_is_done_here(tmp_path):
    with two_processes() as executor:
        tasks = [partial(die_once, tmp_path / "died", k) for k in range(4)]
        assert Crew(executor).do(tasks, on_done=lambda number: None) == [0, 1, 4, 9]


def test_no_worker_is_started_for_no_task():
    started = []
    with crew_of(lambda: started.append(1)) as crew:
        assert crew.do([], on_done=lambda number: None) == []
    assert not started


def test_a_fault_of_the_code_is_not_swallowed():
    with crew_of(two_processes) as crew, pytest.raises(TypeError, match="multiply sequence"):
        crew.do([partial(square, "a")], on_done=lambda number: None)


def test_each_process_has_one_thread():
    with crew_of(two_processes) as crew:
        assert crew.do([threads] * 3, on_done=lambda number: None) == [{1}] * 3


@pytest.mark.parametrize("error", [OSError(38, "Function not implemented"), NotImplementedError("no sem_open")])
def test_where_no_process_can_be_started_the_tasks_are_done_here(error):
    def refuse():
        raise error

    with crew_of(refuse) as crew:
        assert crew.do([partial(square, k) for k in range(3)], on_done=lambda number: None) == [0, 1, 4]


@pytest.mark.skipif(not hasattr(signal, "pthread_kill"), reason="this system sends no signal to a thread")
def test_an_interrupt_that_another_thread_hears_does_not_tear_a_task_from_its_worker(monkeypatch):
    """The system gives an interrupt to any thread that does not mask it, as those of a library for linear algebra."""
    ended, begun = Event(), []

    def start_a_process(*_):
        signal.pthread_kill(other.ident, signal.SIGINT)
        time.sleep(0.05)
        begun.append("process")

    monkeypatch.setattr(ProcessPoolExecutor, "submit", start_a_process)
    before = signal.signal(signal.SIGINT, signal.default_int_handler)  # a run in the background may ignore it
    other = Thread(target=ended.wait)
    other.start()
    try:
        with processes(1) as executor, pytest.raises(KeyboardInterrupt):
            executor.submit(square, 3)
        assert signal.getsignal(signal.SIGINT) is signal.default_int_handler
    finally:
        ended.set()
        signal.signal(signal.SIGINT, before)
    assert begun == ["process"]
