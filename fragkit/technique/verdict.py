"""A verdict: what the evidence says, how firmly, and what more would settle it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from types import MappingProxyType

import numpy as np
from numpy.typing import NDArray

from fragkit.card import card

FloatArray = NDArray[np.float64]

OPEN = "cannot be told"
FIRM_POSTERIOR = 0.95

WORDS = (
    (0.99, "the evidence speaks very firmly for “{}”"),
    (0.95, "the evidence speaks firmly for “{}”"),
    (0.80, "the evidence points to “{}”, not firmly"),
    (0.60, "the evidence leans to “{}”"),
    (0.00, "the evidence leaves the question open"),
)
"""Fixed scale: least posterior, and the words for it."""


@dataclass(frozen=True, eq=False, kw_only=True)
class Verdict:
    """What the evidence says about one question.

    Attributes
    ----------
    verdict : str
        The most probable answer when it is firm, else "cannot be told".
    log10_bayes_factors : mapping of str to float
        Evidence for each answer against the first.
    posterior : mapping of str to float
        Under equal priors.
    words : str
        The finding on a fixed scale of words.
    would_settle : str
        What more would settle the question.
    """

    verdict: str
    log10_bayes_factors: Mapping[str, float]
    posterior: Mapping[str, float]
    words: str
    would_settle: str

    def __repr__(self) -> str:
        return f"<Verdict {self.verdict}; {self.words}>"

    def _repr_html_(self) -> str:
        rows = [("verdict", self.verdict), ("in words", self.words)]
        rows += [(name, f"posterior {share:.2f}") for name, share in self.posterior.items()]
        return card("Verdict", [*rows, ("would settle it", self.would_settle)])


def reach_verdict(
    answers: Sequence[str],
    log_evidence: FloatArray,
    *,
    would_settle: str,
    least_posterior: float = FIRM_POSTERIOR,
) -> Verdict:
    """The verdict for natural-log evidences under equal priors; firm only from `least_posterior` on."""
    logs = np.asarray(log_evidence, float)
    posterior = np.exp(logs - logs.max())
    posterior /= posterior.sum()
    best = int(np.argmax(posterior))
    scale = next(words for least, words in WORDS if posterior[best] >= least)
    firm = posterior[best] >= max(least_posterior, FIRM_POSTERIOR)
    words = scale.format(answers[best])
    if not firm and posterior[best] >= FIRM_POSTERIOR:
        words += ", but simulations of this fragment show that such a posterior errs too often"
    return Verdict(
        verdict=answers[best] if firm else OPEN,
        log10_bayes_factors=MappingProxyType(
            {name: float((value - logs[0]) / np.log(10.0)) for name, value in zip(answers, logs, strict=True)}
        ),
        posterior=MappingProxyType({n: float(p) for n, p in zip(answers, posterior, strict=True)}),
        words=words,
        would_settle=would_settle,
    )
