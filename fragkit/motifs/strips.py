"""A large picture in strips that do not wait for each other: they fit in memory, and threads share them."""

from __future__ import annotations

from dataclasses import dataclass

STRIP_PX = 400_000
"""About so many pixels are one strip, where each is looked at in many ways."""
SMALL_RATIO, DEEP = 0.4, 8
"""Of less than so many strips' pixels, or less than so many margins deep, a picture is one strip."""


@dataclass(frozen=True)
class Strip:
    """Rows of a picture: `inner` are its own, `outer` what it looks at; `own` are the inner ones within the outer."""

    inner: slice
    outer: slice

    @property
    def own(self) -> slice:
        return slice(self.inner.start - self.outer.start, self.inner.stop - self.outer.start)

    def every(self, step: int) -> Strip:
        """The same strip of every `step`-th row of the picture."""
        inner, outer = (slice(-(-k.start // step), -(-k.stop // step)) for k in (self.inner, self.outer))
        return Strip(inner, outer)


def strips_of(shape: tuple[int, ...], *, margin_px: int, multiple: int, size_px: int = STRIP_PX) -> list[Strip]:
    """Strips of an even number, or one, over a picture (h, w); what they look at begins at a multiple of some rows.

    They depend on the picture alone, not on how many threads there are.
    """
    height, width = shape[:2]
    half = round(height * width / (2 * size_px))
    if height * width >= SMALL_RATIO * size_px and height >= DEEP * margin_px:
        half = max(half, 1)
    rows = height if half == 0 else -(-height // (2 * half * multiple)) * multiple
    margin = -(-margin_px // multiple) * multiple
    inner = [slice(top, min(top + rows, height)) for top in range(0, height, rows)]
    return [Strip(k, slice(max(k.start - margin, 0), min(k.stop + margin, height))) for k in inner]
