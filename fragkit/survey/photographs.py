"""Photographs read once, as displayed, with nothing lost."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray


@dataclass(frozen=True, eq=False, kw_only=True)
class Photograph:
    """A photograph as displayed.

    Attributes
    ----------
    pixels : (h, w, 3) array of uint8 or uint16
        RGB, EXIF or TIFF orientation applied once.
    icc : bytes or None
        The embedded colour profile.
    sha256 : str
    file : str
    """

    pixels: NDArray[Any]
    icc: bytes | None
    sha256: str
    file: str


def read_photo(path: Path) -> Photograph:
    """The photograph at `path`, oriented as displayed, 16 bits kept."""
    raise NotImplementedError
