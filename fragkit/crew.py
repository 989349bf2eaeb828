"""Tasks that do not wait for each other, done side by side by the workers of an executor."""

from __future__ import annotations

import os
import signal
from collections.abc import Callable, Iterator, Mapping, Sequence
from concurrent.futures import BrokenExecutor, Executor, Future, ProcessPoolExecutor, as_completed
from contextlib import contextmanager
from dataclasses import dataclass
from multiprocessing import get_context
from threading import current_thread, main_thread
from typing import Any

from fragkit.opencv import cv2
from fragkit.threads import one_blas_thread

Task = Callable[[], Any]
"""It and its result must be picklable when the executor's workers are processes."""


@dataclass(frozen=True)
class WorkerLost:
    """In the place of a result: the worker died each time that it did this task."""


@dataclass(frozen=True, eq=False)
class Begun:
    """Tasks that the workers have, and their numbers and results as they end."""

    tasks: Sequence[Task]
    round: Iterator[tuple[int, Any]]


class Crew:
    """Does tasks with an executor, here when there is none; a task whose worker died is done again.

    Parameters
    ----------
    executor : Executor, or callable that makes one, optional
        Any of `concurrent.futures`, or of a library that follows it. A callable is called when the first task
        comes, and again when a worker died and broke the executor; what it made is shut down by `close`.
        Without a callable the tasks that were left over are done here.
    """

    def __init__(self, executor: Executor | Callable[[], Executor] | None = None) -> None:
        self._make = None if executor is None or isinstance(executor, Executor) else executor
        self._executor = executor if isinstance(executor, Executor) else None

    def do(self, tasks: Sequence[Task], *, on_done: Callable[[int], None]) -> list[Any]:
        """The results in the order of the tasks; `on_done` is called with each task's number as it ends."""
        return self.finish(self.begin(tasks), on_done=on_done)

    def begin(self, tasks: Sequence[Task]) -> Begun:
        """Tasks handed to the workers, for `finish`; without workers nothing is done before that."""
        return Begun(tuple(tasks), self._round(tasks, range(len(tasks))))

    def finish(self, begun: Begun, *, on_done: Callable[[int], None]) -> list[Any]:
        """The results in the order of the tasks; `on_done` is called with each task's number as it ends.

        A task whose worker died is done again among the others left over, and then alone, so that one task
        cannot stop the rest; what then still dies has a `WorkerLost` as its result.
        """
        results: dict[int, Any] = {}
        tasks = begun.tasks

        def keep(done: tuple[int, Any]) -> None:
            results.__setitem__(*done)
            on_done(done[0])

        for done in begun.round:
            keep(done)
        for done in self._round(tasks, [k for k in range(len(tasks)) if k not in results]):
            keep(done)
        for k in range(len(tasks)):
            if k not in results:
                keep(next(self._round(tasks, [k]), (k, WorkerLost())))
        return [results[k] for k in range(len(tasks))]

    def collect(self, begun: Begun) -> list[Any]:
        """The results in the order of the tasks; one whose worker died each time is done here."""
        results = self.finish(begun, on_done=lambda _: None)
        return [
            task() if isinstance(result, WorkerLost) else result
            for task, result in zip(begun.tasks, results, strict=True)
        ]

    def close(self) -> None:
        """Wait for the workers that this crew started, and let them go; what was not begun is not done."""
        if self._make is not None and self._executor is not None:
            self._executor.shutdown(wait=True, cancel_futures=True)
            self._executor = None

    def _round(self, tasks: Sequence[Task], numbers: Sequence[int]) -> Iterator[tuple[int, Any]]:
        """Number and result of each task that ends before a worker dies; the workers have them at once."""
        executor = self._ready() if numbers else None
        if executor is None:
            return ((k, tasks[k]()) for k in numbers)
        numbered: dict[Future[Any], int] = {}
        try:
            numbered.update((executor.submit(tasks[k]), k) for k in numbers)
        except BrokenExecutor:
            self._dismiss(executor)
        return self._ended(executor, numbered)

    def _ended(self, executor: Executor, numbered: Mapping[Future[Any], int]) -> Iterator[tuple[int, Any]]:
        try:
            for future in as_completed(numbered):
                yield numbered[future], future.result()
        except BrokenExecutor:
            self._dismiss(executor)

    def _dismiss(self, executor: Executor) -> None:
        """Let a broken executor go, unless that was done."""
        executor.shutdown(wait=True)
        if self._executor is executor:
            self._executor = None

    def _ready(self) -> Executor | None:
        if self._executor is None and self._make is not None:
            try:
                self._executor = self._make()
            except (OSError, ImportError, NotImplementedError):  # a system that gives no semaphores or processes
                self._make = None
        return self._executor


@contextmanager
def crew_of(executor: Executor | Callable[[], Executor] | None) -> Iterator[Crew]:
    """A crew that lets its workers go at the end."""
    crew = Crew(executor)
    try:
        yield crew
    finally:
        crew.close()


def _work_alone() -> None:
    """One thread for each worker: the workers themselves fill the cores. An interrupt at the keyboard, which reaches
    them too, ends them without a word: what they have finished is kept, and the caller speaks for all."""
    signal.signal(signal.SIGINT, signal.SIG_DFL)
    if hasattr(signal, "pthread_sigmask"):
        signal.pthread_sigmask(signal.SIG_UNBLOCK, {signal.SIGINT})
    os.environ["OMP_NUM_THREADS"] = "1"  # for a copy of BLAS that is loaded later
    cv2.setNumThreads(1)
    one_blas_thread()


@contextmanager
def _interrupts_held() -> Iterator[None]:
    """Interrupts wait meanwhile, and are heard afterwards.

    A process that is started inherits the mask, so none falls into its first imports. The mask is that of one thread,
    and Python raises in the main thread what any other was told: so the handler waits too, or a process could be left
    without what it was to be handed.
    """
    came: list[int] = []
    with _handled_by(lambda number, _: came.append(number)), _masked():
        yield
    if came:
        signal.raise_signal(signal.SIGINT)


@contextmanager
def _handled_by(handler: Callable[[int, Any], Any]) -> Iterator[None]:
    """Interrupts go to `handler` meanwhile; only the main thread hears them."""
    before = signal.getsignal(signal.SIGINT)
    if before is None or current_thread() is not main_thread():
        yield
        return
    signal.signal(signal.SIGINT, handler)
    try:
        yield
    finally:
        signal.signal(signal.SIGINT, before)


@contextmanager
def _masked() -> Iterator[None]:
    """This thread, and a process that it starts, is sent no interrupt meanwhile."""
    if not hasattr(signal, "pthread_sigmask"):
        yield
        return
    before = signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGINT})
    try:
        yield
    finally:
        signal.pthread_sigmask(signal.SIG_SETMASK, before)


class _Processes(ProcessPoolExecutor):
    """Starts its processes as tasks come."""

    def submit(self, *args: Any, **kwargs: Any) -> Future[Any]:
        with _interrupts_held():
            return super().submit(*args, **kwargs)


def processes(n_workers: int) -> ProcessPoolExecutor:
    """An executor of `n_workers` fresh processes, with one thread each.

    Notes
    -----
    A process started anew (spawn) imports the caller's main module: a script that uses this needs the usual
    ``if __name__ == "__main__":``.
    """
    return _Processes(n_workers, mp_context=get_context("spawn"), initializer=_work_alone)
