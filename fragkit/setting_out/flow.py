"""Blocks that follow one another down A4 pages, each page with its heading, check bar and cautions."""

from __future__ import annotations

from dataclasses import dataclass, field

from fragkit.setting_out.paper import LARGE_MM, PLAIN_MM, SMALL_MM
from fragkit.setting_out.pdf_page import Page

BORDER_MM = 14.0
FOOT_MM = 30.0


@dataclass
class Flow:
    """Where the next block goes on a page, which is as wide as it is between its borders."""

    page: Page
    heading: str
    right: str = "mm from the datum"
    number: int = 1
    y_mm: float = 0.0
    width_mm: float = field(init=False)

    def __post_init__(self) -> None:
        self.width_mm = self.page.width_mm - 2 * BORDER_MM
        self._head()

    def _head(self) -> None:
        page = self.page
        self.y_mm = page.height_mm - BORDER_MM - LARGE_MM
        page.text(BORDER_MM, self.y_mm, f"{self.heading}, page {self.number}", cap_mm=PLAIN_MM, bold=True)
        page.text(page.width_mm - BORDER_MM, self.y_mm, self.right, cap_mm=PLAIN_MM, align="right")
        page.check_bar(BORDER_MM, BORDER_MM + 13)
        page.cautions(BORDER_MM, BORDER_MM + 8, width_mm=self.width_mm)
        self.y_mm -= 9.0

    def need(self, height_mm: float) -> bool:
        """Go to a new page unless a block of this height still fits; whether it did."""
        if self.y_mm - height_mm >= BORDER_MM + FOOT_MM:
            return False
        self.page.next()
        self.number += 1
        self._head()
        return True

    def say(self, words: str) -> None:
        """A paragraph of small text."""
        self.y_mm = self.page.paragraph(BORDER_MM, self.y_mm, words, width_mm=self.width_mm) - 1.0

    def title(self, words: str) -> None:
        """A heading between blocks."""
        self.page.text(BORDER_MM, self.y_mm - 5.0, words, cap_mm=PLAIN_MM, bold=True)
        self.y_mm -= 11.0


def sign_boxes(flow: Flow, *roles: str) -> None:
    """A box to sign for each role."""
    flow.need(10.0 * len(roles))
    for role in roles:
        flow.y_mm -= 9.0
        flow.page.text(BORDER_MM, flow.y_mm, f"{role}, date:", cap_mm=SMALL_MM)
        flow.page.box(BORDER_MM + 105, flow.y_mm - 2.2, flow.width_mm - 105, 7.5)
    flow.y_mm -= 4.0


def break_boxes(flow: Flow, *, first: str, last: str, n_sessions: int = 4) -> None:
    """Boxes for the first and the last line of every session, re-measured after the break."""
    flow.need(28.0 + 8.0 * n_sessions)
    flow.title("After every break, measure the first and the last line again")
    flow.say(f"Of the whole wall these are {first} and {last}. If one has moved, set up and check again.")
    heads = ("session", "first line", "reads", "after break", "last line", "reads", "after break")
    width = flow.width_mm / len(heads)
    for k, head in enumerate(heads):
        flow.page.text(BORDER_MM + k * width, flow.y_mm - 1.0, head, cap_mm=SMALL_MM)
    flow.y_mm -= 3.0
    for number in range(n_sessions):
        flow.y_mm -= 8.0
        flow.page.text(BORDER_MM, flow.y_mm + 2.2, f"{number + 1}", cap_mm=SMALL_MM)
        for k in range(1, len(heads)):
            flow.page.box(BORDER_MM + k * width, flow.y_mm, width - 1.5, 7.0)
    flow.y_mm -= 4.0
