"""When the best candidate is stated firmly, and why not."""

from __future__ import annotations

from collections.abc import Sequence

from fragkit.net.nets import Net
from fragkit.net.search import Candidate

_FIRM_EVIDENCE = 12.0
_FIRM_EXPLAINED = 0.4
_MARGIN = 10.0
"""Half the difference of the squared evidence, about a log likelihood ratio, by which the best leads the next."""
_EQUAL_SD = 3.0


def doubts(ranked: Sequence[Candidate], nets: Sequence[Net]) -> tuple[str, ...]:
    """Reasons not to state the first net firmly; none when it is firm.

    Notes
    -----
    The limits were set on pictures of the five-step ladder of the tests, on seeds of their own.
    """
    best, found = ranked[0], []
    if nets[0].evidence < _FIRM_EVIDENCE or nets[0].explained < _FIRM_EXPLAINED:
        found.append("The picture carries the repeat only faintly: check it by eye before relying on it.")
    rivals = [net for net in nets[1:] if (best.evidence**2 - net.evidence**2) / 2.0 <= _MARGIN]
    if rivals:
        found.append(f"Another repeat explains the picture nearly as well: {rivals[0]!r}.")
    if best.unequal_sd > _EQUAL_SD:
        found.append("Some copies resemble each other more than the rest do: a multiple of this may be the repeat.")
    return tuple(found)
