"""One thread for linear algebra: our matrices are small, and on them threads mostly wait for each other."""

from __future__ import annotations

from collections.abc import Callable
from functools import wraps
from typing import ParamSpec, TypeVar

from threadpoolctl import threadpool_limits

P = ParamSpec("P")
T = TypeVar("T")


def one_blas_thread() -> threadpool_limits:
    """A context in which BLAS uses one thread; without leaving it, for the rest of the process.

    Notes
    -----
    On two busy cores a fit of a net took four times as long with two threads as with one.
    """
    return threadpool_limits(limits=1, user_api="blas")


def with_one_blas_thread(function: Callable[P, T]) -> Callable[P, T]:
    """The function, calling BLAS in one thread."""

    @wraps(function)
    def call(*args: P.args, **kwargs: P.kwargs) -> T:
        with one_blas_thread():
            return function(*args, **kwargs)

    return call
