"""The errors that `fragkit` raises on purpose.

ValueError                a bad argument: the value, the rule and the way out
FragkitError
├── SurveyError           the study folder has faults; `faults` lists every one of them
├── EstimationError       the data cannot carry an answer: what was found, what was needed
└── OutputError           a result cannot be written where it was asked for
"""

from __future__ import annotations

from dataclasses import dataclass


class FragkitError(Exception):
    """Base class of the errors that `fragkit` raises on purpose."""


@dataclass(frozen=True, kw_only=True)
class Fault:
    """One fault in a study folder: where it is, what is wrong, and what to do.

    Attributes
    ----------
    file : str
        Path relative to the study folder.
    where : str
        Line of a TOML file, row and column of a table, or the key; empty when the whole file is meant.
    message : str
        What is wrong, with the value found.
    remedy : str
        What to do.
    """

    file: str
    where: str
    message: str
    remedy: str = ""

    def __str__(self) -> str:
        place = f"{self.file}:{self.where}" if self.where else self.file
        return f"{place}: {self.message}" + (f" {self.remedy}" if self.remedy else "")


class SurveyError(FragkitError):
    """The study folder has faults, all of them listed in `faults`."""

    def __init__(self, faults: tuple[Fault, ...]) -> None:
        self.faults = tuple(faults)
        super().__init__("\n".join(str(fault) for fault in self.faults))

    def __reduce__(self) -> tuple[type[SurveyError], tuple[tuple[Fault, ...]]]:
        return type(self), (self.faults,)


class EstimationError(FragkitError):
    """The data cannot carry an answer.

    Parameters
    ----------
    message : str
        What could not be estimated and why.
    found, needed : str
        What was found, and what would have been needed.
    """

    def __init__(self, message: str, *, found: str = "", needed: str = "") -> None:
        self.message, self.found, self.needed = message, found, needed
        parts = [message, f"Found: {found}." if found else "", f"Needed: {needed}." if needed else ""]
        super().__init__(" ".join(part for part in parts if part))

    def __reduce__(self) -> tuple[object, ...]:
        return _estimation_error, (self.message, self.found, self.needed)


def _estimation_error(message: str, found: str, needed: str) -> EstimationError:
    return EstimationError(message, found=found, needed=needed)


class OutputError(FragkitError):
    """A result cannot be written where it was asked for."""
