"""What the browser gets: the scripts and the style of a widget, and the photograph as the analysis sees it."""

from __future__ import annotations

import io
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray
from PIL import Image

from fragkit.rectify import Picture
from fragkit.survey import Photograph

FOLDER = Path(__file__).with_name("front")
SHARED = ("ink.js", "stage.js", "panel.js")
JPEG_QUALITY = 92

MAX_PIXELS = 120_000_000
"""Browsers decode no picture of 600 megapixels; above this one the browser gets every k-th pixel averaged."""


@cache
def script(name: str) -> str:
    """The one module of a widget: the shared parts, then its own."""
    return "\n".join((FOLDER / file).read_text(encoding="utf-8") for file in (*SHARED, name))


@cache
def style() -> str:
    """The style sheet that all widgets share."""
    return (FOLDER / "look.css").read_text(encoding="utf-8")


def picture_bytes(picture: Picture) -> bytes:
    """A JPEG of a true-scale picture, with its colour profile."""
    return _encoded(picture.pixels, picture.icc)


def jpeg_bytes(photograph: Photograph) -> bytes:
    """A JPEG of the upright pixels, without EXIF, so that no browser turns it once more.

    Notes
    -----
    Browsers apply an EXIF orientation whatever they are asked; made from the pixels that are analysed, the
    picture shows each of them where the analysis has it. The colour profile goes along.
    """
    return _encoded(photograph.pixels, photograph.icc)


def _encoded(stored: NDArray[Any], icc: bytes | None) -> bytes:
    content = io.BytesIO()
    pixels = _shrunk(_eight_bits(stored))
    profile = {"icc_profile": icc} if icc else {}
    Image.fromarray(pixels).save(content, "JPEG", quality=JPEG_QUALITY, subsampling=0, **profile)
    return content.getvalue()


def _eight_bits(pixels: NDArray[Any]) -> NDArray[np.uint8]:
    return (pixels >> 8).astype(np.uint8) if pixels.dtype == np.uint16 else pixels


def _shrunk(pixels: NDArray[np.uint8]) -> NDArray[np.uint8]:
    height, width = pixels.shape[:2]
    factor = int(np.ceil(np.sqrt(height * width / MAX_PIXELS)))
    if factor == 1:
        return pixels
    return np.asarray(Image.fromarray(pixels).reduce(factor))
