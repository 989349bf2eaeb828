"""One stage at a time: from the cache or computed, reported, and skipped with its reason when it fails."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, Generic, TypeVar

from fragkit.errors import EstimationError, SurveyError
from fragkit.study.cache import StageCache
from fragkit.study.digest import code_digest, digest, versions
from fragkit.study.results import Skipped

T = TypeVar("T")
Progress = Callable[[str, str, int, int], None]
"""Called before each step with the stage, its subject, the number of steps done and the number in all."""


@dataclass(frozen=True, eq=False)
class Made(Generic[T]):
    """The result of a stage and the key of everything that went into it."""

    value: T
    key: str


@dataclass(frozen=True)
class _Failure:
    why: str
    remedy: str


class Bench:
    """Makes the results of a study one by one and keeps account of what was skipped."""

    def __init__(self, cache: StageCache, progress: Progress | None, *, n_steps: int) -> None:
        self.skipped: list[Skipped] = []
        self.keys: list[str] = []
        self._cache = cache
        self._progress = progress
        self._n_steps = n_steps
        self._n_done = 0

    def make(self, stage: str, subject: str, inputs: tuple[Any, ...], compute: Callable[[], T]) -> Made[T] | None:
        """The result of `compute`, or None when the data cannot carry it; then it joins `skipped`.

        `inputs` is all that the result depends on, outcomes of earlier stages included.
        """
        self.announce(stage, subject)
        key = digest(stage, code_digest(), versions(), *inputs)
        self.keys.append(key)
        is_kept, value = self._cache.load(key)
        if not is_kept:
            value = _attempt(compute)
            self._cache.store(key, value)
        if isinstance(value, _Failure):
            self.skip(stage, subject, value.why, value.remedy)
            return None
        return Made(value, key)

    def announce(self, stage: str, subject: str) -> None:
        """Report that a step begins."""
        if self._progress is not None:
            self._progress(stage, subject, self._n_done, max(self._n_steps, self._n_done + 1))
        self._n_done += 1

    def skip(self, stage: str, subject: str, why: str, remedy: str = "") -> None:
        """Record that a stage gave no answer."""
        self.skipped.append(Skipped(stage=stage, subject=subject, why=why, remedy=remedy))

    def finish(self) -> None:
        """Report that all is done."""
        if self._progress is not None:
            self._progress("done", "", self._n_done, self._n_done)


def _attempt(compute: Callable[[], T]) -> T | _Failure:
    """The result, or the reason in words: one photograph must not stop the others."""
    try:
        return compute()
    except EstimationError as error:
        found = f" Found: {error.found}." if error.found else ""
        return _Failure(error.message + found, f"Needed: {error.needed}." if error.needed else "")
    except SurveyError as error:
        return _Failure("; ".join(fault.message for fault in error.faults), error.faults[0].remedy)
    except ValueError as error:
        return _Failure(str(error), "")
