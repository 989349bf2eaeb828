"""What the eye saw: tool marks that no measurement shows, with a weight that the person who saw them states."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from fragkit.survey import FORMINGS, PLACINGS, SPEAKS_FOR

FloatArray = NDArray[np.float64]

MOST_ODDS = 1000.0


@dataclass(frozen=True, kw_only=True)
class Sign:
    """Something seen on the wall, and how much it counts.

    Attributes
    ----------
    what : str
        One of `SPEAKS_FOR`, or anything else together with `favours`.
    odds : float
        How many times more often this would be seen if one of the favoured answers were true than if another
        were. Below 1 when it was looked for and is not there.
    favours : tuple of str
        Ways of placing or forming; by default what the sign is known to speak for.
    reason : str
        Where it was seen, by whom.
    """

    what: str
    odds: float
    favours: tuple[str, ...] = ()
    reason: str = ""

    def __post_init__(self) -> None:
        if not self.favours:
            if self.what not in SPEAKS_FOR:
                known = ", ".join(SPEAKS_FOR)
                raise ValueError(f"sign {self.what!r} is not one of {known}; or say in `favours` what it speaks for")
            object.__setattr__(self, "favours", SPEAKS_FOR[self.what])
        wrong = [name for name in self.favours if name not in (*PLACINGS, *FORMINGS)]
        if wrong:
            raise ValueError(f"sign {self.what!r} favours {wrong[0]!r}; use {', '.join((*PLACINGS, *FORMINGS))}")
        if not 1.0 / MOST_ODDS <= self.odds <= MOST_ODDS:
            raise ValueError(
                f"odds of {self.what!r} are {self.odds}; state between 1/{MOST_ODDS:.0f} and {MOST_ODDS:.0f}"
            )


def sign_logs(signs: Sequence[Sign], answers: Sequence[str]) -> FloatArray:
    """Log evidence (answers,) of the signs that speak to these answers; taken as independent of each other."""
    logs = np.zeros(len(answers))
    for sign in signs:
        logs += np.log(sign.odds) * np.array([name in sign.favours for name in answers])
    return logs
