"""One stage at a time: from the cache or computed, reported, and skipped with its reason when it fails."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import partial
from typing import Any, Generic, TypeVar, cast

from fragkit.crew import Begun, Crew, WorkerLost
from fragkit.errors import EstimationError, SurveyError
from fragkit.study.cache import StageCache
from fragkit.study.digest import code_digest, digest, versions
from fragkit.study.skipped import Skipped

T = TypeVar("T")
Progress = Callable[[str, str, int, int], None]
"""Called for each step with the stage, its subject, the number of steps done before and the number in all."""


class Made(Generic[T]):
    """The outcome of a stage: the key of everything that went into it, and its value.

    The value lies in the cache and is read when it is asked for, so that the pictures of a large study need
    not be in memory together; if the cache lost it meanwhile, it is made again.
    """

    def __init__(self, key: str, compute: Callable[[], T], cache: StageCache) -> None:
        self.key = key
        self._compute = compute
        self._cache = cache

    @property
    def value(self) -> T:
        """The result."""
        is_kept, value = self._cache.load(self.key)
        if not is_kept:
            value = self._compute()
            self._cache.store(self.key, value)
        return cast(T, value)


@dataclass(frozen=True, eq=False)
class Step(Generic[T]):
    """One subject of a stage, all that its result depends on, and what makes it."""

    subject: str
    inputs: tuple[Any, ...]
    compute: Callable[[], T]


@dataclass(frozen=True, eq=False)
class Underway(Generic[T]):
    """Steps of a stage that were begun: their keys, the numbers of those to be done, and what the crew has."""

    stage: str
    steps: Sequence[Step[T]]
    keys: Sequence[str]
    todo: Sequence[int]
    begun: Begun


@dataclass(frozen=True)
class _Failure:
    why: str
    remedy: str


_LOST = _Failure(
    "the process that worked on it was stopped three times, most likely for want of memory.",
    "Run again with fewer workers, or photograph the fragment in parts.",
)


class Bench:
    """Makes the results of a study and keeps account of what was skipped."""

    def __init__(self, cache: StageCache, progress: Progress | None, *, n_steps: int, crew: Crew | None = None) -> None:
        self.skipped: list[Skipped] = []
        self.keys: list[str] = []
        self._cache = cache
        self._crew = crew or Crew()
        self._progress = progress
        self._n_steps = n_steps
        self._n_done = 0

    def make(self, stage: str, subject: str, inputs: tuple[Any, ...], compute: Callable[[], T]) -> Made[T] | None:
        """The result of `compute`, or None when the data cannot carry it; then it joins `skipped`.

        `inputs` is all that the result depends on, outcomes of earlier stages included.
        """
        self.announce(stage, subject)
        key = self._key(stage, inputs)
        if not self._has_outcome(key):
            _work(self._cache, key, compute)
        return self._outcome(stage, key, Step(subject, inputs, compute))

    def make_all(self, stage: str, steps: Sequence[Step[T]]) -> dict[str, Made[T]]:
        """The results, by subject, of steps that do not wait for each other: side by side where there is a crew.

        `compute` and all that it holds must be picklable.
        """
        return self.end(self.begin(stage, steps))

    def begin(self, stage: str, steps: Sequence[Step[T]]) -> Underway[T]:
        """Steps that the crew does while this process goes on, until `end` waits for them."""
        keys = tuple(self._key(stage, step.inputs) for step in steps)
        todo = tuple(k for k, key in enumerate(keys) if not self._has_outcome(key))
        begun = self._crew.begin([partial(_work, self._cache, keys[k], steps[k].compute) for k in todo])
        return Underway(stage, tuple(steps), keys, todo, begun)

    def end(self, underway: Underway[T]) -> dict[str, Made[T]]:
        """The results, by subject, of the steps that were begun."""
        stage, steps, keys, todo = underway.stage, underway.steps, underway.keys, underway.todo
        for k in sorted(set(range(len(steps))) - set(todo)):
            self.announce(stage, steps[k].subject)
        outcomes = self._crew.finish(
            underway.begun, on_done=lambda number: self.announce(stage, steps[todo[number]].subject)
        )
        for k, outcome in zip(todo, outcomes, strict=True):
            self._remember(keys[k], outcome)
        made = {step.subject: self._outcome(stage, key, step) for step, key in zip(steps, keys, strict=True)}
        return {subject: outcome for subject, outcome in made.items() if outcome is not None}

    def derive(self, inputs: tuple[Any, ...], compute: Callable[[], T]) -> Made[T]:
        """A quick step without an account of its own, made when it is asked for."""
        return Made(digest(*inputs), compute, self._cache)

    def announce(self, stage: str, subject: str) -> None:
        """Report a step: that it begins, or, where steps are done side by side, that it ended."""
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

    def _key(self, stage: str, inputs: tuple[Any, ...]) -> str:
        key = digest(stage, code_digest(), versions(), *inputs)
        self.keys.append(key)
        return key

    def _has_outcome(self, key: str) -> bool:
        return self._cache.holds(key) or self._cache.holds(_failed(key))

    def _remember(self, key: str, outcome: Any) -> None:
        """What a worker could not put into the cache is remembered here for the rest of the run."""
        if isinstance(outcome, WorkerLost):
            self._cache.remember(_failed(key), _LOST)
        elif isinstance(outcome, _Failure):
            self._cache.remember(_failed(key), outcome)
        elif outcome is not None:
            self._cache.remember(key, outcome)

    def _outcome(self, stage: str, key: str, step: Step[T]) -> Made[T] | None:
        has_failed, failure = self._cache.load(_failed(key))
        if not has_failed:
            return Made(key, step.compute, self._cache)
        self.skip(stage, step.subject, failure.why, failure.remedy)
        return None


def _failed(key: str) -> str:
    """The key under which the reason is kept when there is no result."""
    return f"{key}-failed"


def _work(cache: StageCache, key: str, compute: Callable[[], Any]) -> Any:
    """Compute and keep the result, or why there is none; returned only where the cache could not keep it."""
    value = _attempt(compute)
    is_kept = cache.store(_failed(key) if isinstance(value, _Failure) else key, value)
    return None if is_kept else value


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
