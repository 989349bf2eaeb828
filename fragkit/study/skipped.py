"""What gave no answer, and why."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, kw_only=True)
class Skipped:
    """A stage that gave no answer for one subject.

    Attributes
    ----------
    stage : str
        What was attempted.
    subject : str
        The photograph, fragment or wall; "study" when it concerns all.
    why : str
        Why there is no answer.
    remedy : str
        What would help.
    """

    stage: str
    subject: str
    why: str
    remedy: str = ""

    @property
    def reason(self) -> str:
        """Why there is no answer and what would help, in one line."""
        return f"{self.why} {self.remedy}".rstrip()

    def __str__(self) -> str:
        return f"{self.stage} ({self.subject}): {self.reason}"
