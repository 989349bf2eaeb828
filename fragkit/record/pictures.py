"""True-scale pictures as files: TIFF and PNG that carry their scale, and small ones for the report."""

from __future__ import annotations

import io
import json
from typing import Any

import numpy as np
import tifffile
from numpy.typing import NDArray
from PIL import Image

from fragkit.rectify import Picture
from fragkit.units import MM_PER_INCH

_COMPRESSION = 1
"""Of 9: photographs shrink by a few percent more at several times the time."""


def tiff_bytes(picture: Picture) -> bytes:
    """A TIFF whose resolution tags say how many pixels lie on a centimetre of wall, all bits kept.

    Notes
    -----
    The description holds `mm_per_px` and `origin_mm`, the wall-plane place of the centre of the top-left
    pixel.
    """
    px_per_cm = 10.0 / picture.mm_per_px
    place = {"mm_per_px": picture.mm_per_px, "origin_mm": [float(v) for v in picture.origin_mm]}
    stream = io.BytesIO()
    tifffile.imwrite(
        stream,
        np.ascontiguousarray(picture.pixels),
        photometric="rgb",
        compression="zlib",
        compressionargs={"level": _COMPRESSION},
        predictor=True,
        resolution=(px_per_cm, px_per_cm),
        resolutionunit="CENTIMETER",
        description=json.dumps(place),
        metadata=None,
        software="fragkit",
        iccprofile=picture.icc,
    )
    return stream.getvalue()


def png_bytes(picture: Picture) -> bytes:
    """A PNG at true scale, transparent where the photograph shows nothing of the plane."""
    alpha = np.where(picture.coverage, 255, 0).astype(np.uint8)
    image = Image.fromarray(np.dstack([_eight_bit(picture.pixels), alpha]))
    dpi = MM_PER_INCH / picture.mm_per_px
    stream = io.BytesIO()
    image.save(stream, "PNG", dpi=(dpi, dpi), icc_profile=picture.icc, compress_level=_COMPRESSION)
    return stream.getvalue()


def thumbnail_bytes(picture: Picture, *, longest_px: int = 900) -> bytes:
    """A small JPEG for the report; what the photograph does not show is mid-grey."""
    pixels = np.where(picture.coverage[..., None], _eight_bit(picture.pixels), np.uint8(128))
    image = Image.fromarray(pixels)
    image.thumbnail((longest_px, longest_px), Image.Resampling.LANCZOS)
    stream = io.BytesIO()
    image.save(stream, "JPEG", quality=82)
    return stream.getvalue()


def _eight_bit(pixels: NDArray[Any]) -> NDArray[np.uint8]:
    if pixels.dtype == np.uint16:
        return (pixels >> 8).astype(np.uint8)
    return np.ascontiguousarray(pixels, np.uint8)
