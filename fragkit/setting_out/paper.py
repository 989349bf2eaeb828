"""Paper sizes, drawing scales, and the text sizes that can be read on a scaffold."""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType

PAPER_MM: Mapping[str, tuple[float, float]] = MappingProxyType(
    {
        "A0": (841.0, 1189.0),
        "A1": (594.0, 841.0),
        "A2": (420.0, 594.0),
        "A3": (297.0, 420.0),
        "A4": (210.0, 297.0),
    }
)
"""Width and height, upright: ISO 216:2007."""

SCALES = (1, 2, 5, 10, 20, 50, 100)
"""Reductions 1:n for drawings: ISO 5455:1979."""

USUAL_SCALE = 20
MAX_PAGE_MM = 5080.0
"""Traditional limit of a PDF page, 200 inches (ISO 32000-1:2008, annex C); larger ones do not print true."""

SMALL_MM, PLAIN_MM, LARGE_MM = 2.5, 3.5, 5.0
"""Heights of capitals, of the series of ISO 3098-1:2015; nothing is smaller than the first."""


def paper_size_mm(paper: str, *, landscape: bool = False) -> tuple[float, float]:
    """Width and height of a paper size.

    Raises
    ------
    ValueError
        If the size is not one of A0 to A4.
    """
    if paper not in PAPER_MM:
        raise ValueError(f"The paper is {paper!r}; it must be one of {', '.join(sorted(PAPER_MM))}.")
    width, height = PAPER_MM[paper]
    return (height, width) if landscape else (width, height)


def choose_paper(width_mm: float, height_mm: float, *, margins_mm: tuple[float, float]) -> tuple[str, int]:
    """Smallest paper, across, on which an object fits at 1:20; else the largest at the next smaller scale.

    Parameters
    ----------
    width_mm, height_mm : float
        Size of the object.
    margins_mm : (float, float)
        Taken off the paper's width and height.

    Returns
    -------
    paper : str
    scale : int
        The n of 1:n.
    """
    for scale in SCALES[SCALES.index(USUAL_SCALE) :]:
        for paper in sorted(PAPER_MM, reverse=True):
            room = paper_size_mm(paper, landscape=True)
            if width_mm / scale <= room[0] - margins_mm[0] and height_mm / scale <= room[1] - margins_mm[1]:
                return paper, scale
    raise ValueError(
        f"A wall of {width_mm / 1000:.1f} × {height_mm / 1000:.1f} m does not fit on A0 at "
        f"1:{SCALES[-1]}; divide it into two walls."
    )
