"""One thread for linear algebra and within OpenCV, where threads mostly wait for each other; several for pictures side
by side."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor, wait
from contextlib import contextmanager
from dataclasses import dataclass, field
from functools import lru_cache, wraps
from itertools import accumulate, pairwise
from threading import Lock
from typing import Any, ParamSpec, TypeVar, cast
from weakref import ref

import numpy as np
from numpy.typing import NDArray
from threadpoolctl import threadpool_limits

from fragkit.opencv import cv2

ROWS_AT_ONCE = 64
"""Rows of a picture that are done at once, so that what is in between stays in the processor's own memory."""
GROUP = 32
"""Copies that are done one after the other, groups of them side by side."""

P = ParamSpec("P")
S = TypeVar("S")
T = TypeVar("T")


def one_blas_thread() -> threadpool_limits:
    """A context in which BLAS uses one thread; without leaving it, for the rest of the process.

    Notes
    -----
    On two busy cores a fit of a net took four times as long with two threads as with one.
    """
    return threadpool_limits(limits=1, user_api="blas")


@dataclass
class _Held:
    """How many calls hold OpenCV to one thread, and how many it had before the first of them."""

    calls: int = 0
    n_threads: int = 1
    lock: Lock = field(default_factory=Lock)


_held = _Held()


@contextmanager
def one_opencv_thread() -> Iterator[None]:
    """OpenCV works in one thread meanwhile, and `side_by_side` in as many as it had before.

    Notes
    -----
    OpenCV's own threads wait for its next call at full speed, and so take the cores from those of `side_by_side`: the
    motif of a photograph of 24 megapixels took a tenth more of the processor. Pays where these have all to do.
    """
    with _held.lock:
        if _held.calls == 0:
            _held.n_threads = cv2.getNumThreads()
            cv2.setNumThreads(1)
        _held.calls += 1
    try:
        yield
    finally:
        with _held.lock:
            _held.calls -= 1
            if _held.calls == 0:
                cv2.setNumThreads(_held.n_threads)


def with_one_blas_thread(function: Callable[P, T]) -> Callable[P, T]:
    """The function, calling BLAS in one thread."""

    @wraps(function)
    def call(*args: P.args, **kwargs: P.kwargs) -> T:
        with one_blas_thread():
            return function(*args, **kwargs)

    return call


def side_by_side(function: Callable[..., T], *columns: Sequence[Any]) -> list[T]:
    """`[function(a, b, …) for a, b, … in zip(*columns)]`, by as many threads as OpenCV may use.

    Notes
    -----
    Pays where the function works on large arrays: numpy and OpenCV then let other threads run. It must not change
    what another call reads; the results are those of the plain loop. The calling thread takes the first, which is best
    the longest, and its part of the rest, all of it where no helper is free: so calls within calls neither wait for
    each other nor grow more threads.
    """
    rows = list(zip(*columns, strict=True))
    results: list[T | None] = [None] * len(rows)
    left = iter(range(1, len(rows)))

    def work() -> None:
        for k in left:
            results[k] = function(*rows[k])

    n_threads = _held.n_threads if _held.calls else cv2.getNumThreads()
    helpers = [_helpers(n_threads - 1).submit(_if_wanted, ref(work)) for _ in range(min(len(rows), n_threads) - 1)]
    try:
        results[:1] = [function(*row) for row in rows[:1]]
        work()
    finally:
        begun = [helper for helper in helpers if not helper.cancel()]
        wait(begun)
    for helper in begun:
        helper.result()
    return cast("list[T]", results)


@lru_cache
def _helpers(n: int) -> ThreadPoolExecutor:
    """Threads that stay: one that is started for each call costs more than a small picture gains by it."""
    return ThreadPoolExecutor(n, "fragkit")


def _if_wanted(work: ref[Callable[[], None]]) -> None:
    """Take part in work that is not done yet."""
    still = work()
    if still is not None:
        still()


def gathered(
    function: Callable[..., Sequence[NDArray[Any]]], sizes: Sequence[int], *columns: Sequence[Any]
) -> list[NDArray[Any]]:
    """The arrays that `function(a, b, …)` gives for each row of the columns, `sizes` members each, put together along
    their first axis. Each is put in its place at once: no array is there twice."""
    out: list[NDArray[Any]] = []
    ends, lock = [0, *accumulate(sizes)], Lock()

    def fill(k: int, *row: Any) -> None:
        parts = function(*row)
        with lock:
            if not out:
                out.extend(np.empty((ends[-1], *part.shape[1:]), part.dtype) for part in parts)
        for whole, part in zip(out, parts, strict=True):
            whole[ends[k] : ends[k + 1]] = part

    side_by_side(fill, range(len(sizes)), *columns)
    return out


def at_once(one: Callable[[], S], other: Callable[[], T]) -> tuple[S, T]:
    """`(one(), other())`, by two threads if OpenCV may use as many."""
    first, second = side_by_side(lambda function: function(), (one, other))
    return first, second


def groups_of(n: int, *, size: int = GROUP) -> list[slice]:
    """`n` things in groups of at most `size`, as alike as whole numbers allow: an even number of groups, which two
    threads share without waiting, unless half of the size would hold all."""
    n_groups = 1 if 2 * n <= size else 2 * -(-n // (2 * size))
    ends = [k * n // n_groups for k in range(n_groups + 1)]
    return [slice(first, last) for first, last in pairwise(ends) if last > first]


def in_groups(function: Callable[[int], object], n: int, *, size: int = GROUP) -> None:
    """`function(k)` for each k below `n`, groups of `size` side by side."""

    def group(members: slice) -> None:
        for k in range(members.start, members.stop):
            function(k)

    side_by_side(group, groups_of(n, size=size))


def by_rows(function: Callable[[slice], object], height: int, *, size: int = ROWS_AT_ONCE) -> None:
    """The function of every few rows of a picture, threads sharing them."""
    side_by_side(function, groups_of(height, size=size))
