"""Paper sizes, drawing scales, and the text sizes that can be read on a scaffold."""

from __future__ import annotations

import re
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
DRAWING_PAPERS = ("A4", "A3")
"""Of a wall drawing: larger ones, reduced to A4, can no longer be read."""
MAX_PAGE_MM = 5080.0
"""Traditional limit of a PDF page, 200 inches (ISO 32000-1:2008, annex C); larger ones do not print true."""

ROLL_MM = (250.0, 2000.0)
"""Widths of paper rolls that are taken for true."""

SMALL_MM, PLAIN_MM, LARGE_MM = 2.5, 3.5, 5.0
"""Heights of capitals, of the series of ISO 3098-1:2015; nothing is smaller than the first."""

READ_ON_A4_MM: Mapping[str, float] = MappingProxyType(
    {paper: SMALL_MM * PAPER_MM[paper][0] / PAPER_MM["A4"][0] for paper in DRAWING_PAPERS}
)
"""Height of capitals that is 2.5 mm when the sheet is reduced to A4."""


def paper_size_mm(paper: str, *, landscape: bool = False) -> tuple[float, float]:
    """Width and height of a paper size; of a roll, such as "roll 914", its width and the longest page.

    Raises
    ------
    ValueError
        If the size is not one of A0 to A4 and no roll of 250 to 2000 mm.
    """
    if roll := re.fullmatch(r"roll (\d+)", paper):
        width = float(roll.group(1))
        if not ROLL_MM[0] <= width <= ROLL_MM[1]:
            raise ValueError(f"The roll is {width:.0f} mm wide; it must be {ROLL_MM[0]:.0f} to {ROLL_MM[1]:.0f} mm.")
        return (MAX_PAGE_MM, width) if landscape else (width, MAX_PAGE_MM)
    if paper not in PAPER_MM:
        known = ", ".join(sorted(PAPER_MM))
        raise ValueError(f'The paper is {paper!r}; it must be one of {known}, or a roll such as "roll 914".')
    width, height = PAPER_MM[paper]
    return (height, width) if landscape else (width, height)


def choose_paper(width_mm: float, height_mm: float, *, margins_mm: tuple[float, float]) -> tuple[str, int]:
    """The smaller of A4 and A3, across, on which an object fits at 1:20; else at the next smaller scale.

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
        for paper in DRAWING_PAPERS:
            room = paper_size_mm(paper, landscape=True)
            if width_mm / scale <= room[0] - margins_mm[0] and height_mm / scale <= room[1] - margins_mm[1]:
                return paper, scale
    raise ValueError(
        f"A wall of {width_mm / 1000:.1f} × {height_mm / 1000:.1f} m does not fit on {DRAWING_PAPERS[-1]} at "
        f"1:{SCALES[-1]}; divide it into two walls."
    )
