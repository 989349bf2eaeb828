"""A verdict: what the evidence says, how firmly, and what more would settle it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from types import MappingProxyType

import numpy as np
from numpy.typing import NDArray

from fragkit.card import card
from fragkit.sketch import sketch_bars
from fragkit.units import in_percent

FloatArray = NDArray[np.float64]

OPEN = "cannot be told"
FIRM_POSTERIOR = 0.95

WORDS = (
    (0.99, "the evidence speaks very firmly for {}"),
    (0.95, "the evidence speaks firmly for {}"),
    (0.80, "the evidence points to {}, not firmly"),
    (0.60, "the evidence leans to {}"),
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
        All evidence together for each answer against the first.
    posterior : mapping of str to float
        Under the stated priors.
    words : str
        The finding on a fixed scale of words.
    would_settle : str
        What more would settle the question.
    by_kind : mapping of str to mapping of str to float
        The same log10 Bayes factors for each kind of evidence by itself ("positions", "outlines", "seen by eye").
    """

    verdict: str
    log10_bayes_factors: Mapping[str, float]
    posterior: Mapping[str, float]
    words: str
    would_settle: str
    by_kind: Mapping[str, Mapping[str, float]] = field(default_factory=dict)

    def __repr__(self) -> str:
        return f"<Verdict {self.verdict}; {self.words}>"

    def _repr_html_(self) -> str:
        rows = [("verdict", self.verdict), ("in words", self.words)]
        rows += [(name, in_percent(share)) for name, share in self.posterior.items()]
        drawn = sketch_bars("How probable each answer is", self.posterior, written=in_percent)
        return card("Verdict", [*rows, ("would settle it", self.would_settle)], drawing=drawn)


def reach_verdict(
    answers: Sequence[str],
    log_evidence: Mapping[str, FloatArray],
    *,
    would_settle: str,
    prior_logs: FloatArray | None = None,
    least_posterior: float = FIRM_POSTERIOR,
) -> Verdict:
    """The verdict for natural-log evidences of several kinds; firm only from `least_posterior` on.

    Parameters
    ----------
    answers : sequence of str
    log_evidence : mapping of str to (answers,) array
        Each kind of evidence by itself; they are independent given the answer, so their logs add up.
    would_settle : str
    prior_logs : (answers,) array, optional
        Log prior weights; equal when left out.
    least_posterior : float
    """
    total = np.sum(list(log_evidence.values()), axis=0)
    logs = total if prior_logs is None else total + prior_logs
    posterior = np.exp(logs - logs.max())
    posterior /= posterior.sum()
    firm = posterior.max() >= max(least_posterior, FIRM_POSTERIOR)
    best = answers[int(np.argmax(posterior))]
    return Verdict(
        verdict=best if firm else OPEN,
        log10_bayes_factors=_log10(answers, total),
        posterior=MappingProxyType({n: float(p) for n, p in zip(answers, posterior, strict=True)}),
        words=_in_words(answers, posterior, firm=bool(firm)),
        would_settle=would_settle,
        by_kind=MappingProxyType({kind: _log10(answers, np.asarray(e)) for kind, e in log_evidence.items()}),
    )


def _log10(answers: Sequence[str], logs: FloatArray) -> Mapping[str, float]:
    return MappingProxyType({n: float((v - logs[0]) / np.log(10.0)) for n, v in zip(answers, logs, strict=True)})


def _in_words(answers: Sequence[str], posterior: FloatArray, *, firm: bool) -> str:
    """The finding; when no one answer reaches “points to”, the two best together may."""
    order = np.argsort(posterior)[::-1]
    names = [f"“{answers[k]}”" for k in order[:2]]
    top, both = float(posterior[order[0]]), float(posterior[order[:2]].sum())
    if firm or top >= FIRM_POSTERIOR:
        words = _scale(top).format(names[0])
        return words if firm else words + ", but simulations of this fragment show that such a posterior errs too often"
    if top < 0.80 <= both and len(answers) > 2:
        return f"{_scale(both).format(' or '.join(names))}; which of the two is open"
    return _scale(top).format(names[0])


def _scale(posterior: float) -> str:
    return next(words for least, words in WORDS if posterior >= least)
