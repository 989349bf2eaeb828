"""Many studies in one go: each by one worker, none stopped by the faults of another."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from concurrent.futures import Executor
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from types import MappingProxyType

from fragkit.card import card
from fragkit.crew import WorkerLost, crew_of
from fragkit.errors import FragkitError
from fragkit.sketch import sketch_bars
from fragkit.study.bench import Progress
from fragkit.study.run import run_study
from fragkit.study.summary import summary_rows
from fragkit.units import counted


@dataclass(frozen=True, kw_only=True)
class StudyOutcome:
    """What became of one study of a campaign.

    Attributes
    ----------
    folder, out : Path
        The study, and where its record lies.
    is_answered : bool
        Whether at least one of its fragments shows a repeat.
    fault : str or None
        Why there is no record.
    summary : sequence of (str, str)
        Subject and finding, as `fragkit run` prints them.
    skipped : sequence of str
        What gave no answer, and why.
    """

    folder: Path
    out: Path
    is_answered: bool = False
    fault: str | None = None
    summary: Sequence[tuple[str, str]] = ()
    skipped: Sequence[str] = ()


@dataclass(frozen=True, kw_only=True)
class Campaign(Mapping[str, StudyOutcome]):
    """The outcomes of many studies, by the name of their folder."""

    outcomes: Mapping[str, StudyOutcome]

    def __post_init__(self) -> None:
        object.__setattr__(self, "outcomes", MappingProxyType(dict(self.outcomes)))

    def __getitem__(self, name: str) -> StudyOutcome:
        return self.outcomes[name]

    def __iter__(self) -> Iterator[str]:
        return iter(self.outcomes)

    def __len__(self) -> int:
        return len(self.outcomes)

    @property
    def faulty(self) -> list[StudyOutcome]:
        """Studies without a record."""
        return [outcome for outcome in self.outcomes.values() if outcome.fault is not None]

    @property
    def unanswered(self) -> list[StudyOutcome]:
        """Studies with a record, in which no fragment shows a repeat."""
        return [one for one in self.outcomes.values() if one.fault is None and not one.is_answered]

    @property
    def n_answered(self) -> int:
        """Studies of which a fragment shows a repeat."""
        return len(self) - len(self.faulty) - len(self.unanswered)

    def __repr__(self) -> str:
        return f"Campaign({self.n_answered} of {counted(len(self), 'study', 'studies')} answered)"

    def _repr_html_(self) -> str:
        rows = [
            (name, outcome.fault or "; ".join(text for _, text in outcome.summary)) for name, outcome in self.items()
        ]
        ends = {
            "answered": self.n_answered,
            "without a repeat": len(self.unanswered),
            "without a record": len(self.faulty),
        }
        drawn = sketch_bars("How the studies ended", ends, unit="studies")
        return card(repr(self), rows, drawing=drawn)


def run_campaign(
    folders: Sequence[Path],
    *,
    out: Path,
    progress: Progress | None = None,
    cache: Path | None = None,
    executor: Executor | Callable[[], Executor] | None = None,
) -> Campaign:
    """Every study of a campaign, from photographs to record; a study that fails does not stop the rest.

    Parameters
    ----------
    folders : sequence of Path
        Study folders; nothing is written in them.
    out : Path
        The record of each study goes into the folder of this that bears its name.
    progress : callable, optional
        Called as each study ends with ("study", its name, studies done before, studies in all).
    cache : Path, optional
        As in `run_study`. After an interruption, what had been computed is taken from there.
    executor : Executor, or callable that makes one, optional
        Does whole studies side by side, with the same results. Its workers must see studies, cache and `out`
        under the same paths. A study holds the true-scale pictures used last in memory, up to 1 GB.

    Raises
    ------
    ValueError
        Two studies bear the same name.
    """
    named = _named(folders)
    names, n_done = list(named), iter(range(len(named)))

    def ended(number: int) -> None:
        if progress is not None:
            progress("study", names[number], next(n_done), len(names))

    tasks = [partial(_run_one, folder, out / name, cache) for name, folder in named.items()]
    with crew_of(executor) as crew:
        outcomes = crew.do(tasks, on_done=ended)
    told = [
        _lost(named[name], out / name) if isinstance(o, WorkerLost) else o
        for name, o in zip(names, outcomes, strict=True)
    ]
    return Campaign(outcomes=dict(zip(names, told, strict=True)))


def _named(folders: Sequence[Path]) -> dict[str, Path]:
    named: dict[str, Path] = {}
    for folder in folders:
        name = folder.resolve().name
        if name in named:
            raise ValueError(
                f"Two studies bear the name {name!r} ({named[name]} and {folder}), and so would their records: "
                "rename one of the folders, or run them one by one."
            )
        named[name] = folder
    return named


def _run_one(folder: Path, out: Path, cache: Path | None) -> StudyOutcome:
    try:
        result = run_study(folder, out=out, cache=cache)
    except FragkitError as error:
        return StudyOutcome(folder=folder, out=out, fault=str(error))
    return StudyOutcome(
        folder=folder,
        out=out,
        is_answered=result.is_answered,
        summary=tuple(summary_rows(result)),
        skipped=tuple(str(entry) for entry in result.skipped),
    )


def _lost(folder: Path, out: Path) -> StudyOutcome:
    fault = "The process that worked on it was stopped three times, most likely for want of memory: use fewer workers."
    return StudyOutcome(folder=folder, out=out, fault=fault)
