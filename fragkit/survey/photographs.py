"""Photographs read once, as displayed, with nothing lost."""

from __future__ import annotations

import hashlib
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import tifffile
from numpy.typing import NDArray
from PIL import Image

from fragkit.opencv import cv2
from fragkit.survey.image_files import DAMAGE, ImageHeader, image_fault, read_header

LABEL_NAMES = ("not read", "ground", "shadow", "metal", "loss", "later work")
"""Meaning of the codes 0, 1, 2 … in a label picture."""


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

    def __repr__(self) -> str:
        height, width = self.pixels.shape[:2]
        return f"Photograph({self.file!r}, {width} × {height} px, {self.pixels.dtype})"


def read_photo(path: Path) -> Photograph:
    """The photograph at `path`, oriented as displayed, 16 bits kept.

    Parameters
    ----------
    path : Path
        A JPEG, PNG or TIFF of 8 or 16 bits.

    Raises
    ------
    SurveyError
        The file is missing, empty, cut off, too large, or of a kind that is not read.

    Notes
    -----
    Pixels are stored once and displayed in one of eight ways (EXIF 2.32, tag 274; TIFF 6.0, section 13); the
    readers of different libraries apply the tag or not, so it is read from the header and applied here.
    """
    path = Path(path)
    if not path.is_file():
        raise image_fault(str(path), "the file is not there.", "Correct the path.")
    header = read_header(path, path.name)
    content = path.read_bytes()
    stored = _tiff_pixels(path) if header.is_unpacked_by_tifffile else _pixels(content, path.name)
    pixels = _turned(stored, header.orientation)
    pixels.setflags(write=False)
    return Photograph(
        pixels=pixels,
        icc=header.icc,
        sha256=hashlib.sha256(content).hexdigest(),
        file=path.name,
    )


def read_labels(path: Path) -> NDArray[np.uint8]:
    """The label picture at `path`: (h, w) codes whose meaning is in `LABEL_NAMES`.

    Raises
    ------
    SurveyError
        No picture of one channel and 8 bits, or a code that has no meaning.
    """
    path = Path(path)
    header = read_header(path, path.name)
    codes = _label_codes(path, header)
    strange = np.flatnonzero(np.bincount(codes.ravel(), minlength=len(LABEL_NAMES))[len(LABEL_NAMES) :])
    if strange.size:
        meaning = ", ".join(f"{code} {name}" for code, name in enumerate(LABEL_NAMES))
        message = f"the labels hold the code {strange[0] + len(LABEL_NAMES)}, which has no meaning."
        raise image_fault(path.name, message, f"The codes are {meaning}.")
    return _turned(codes, header.orientation)


def _pixels(content: bytes, file: str) -> NDArray[Any]:
    """Stored pixels, RGB; not by IMREAD_COLOR_RGB, which leaves 16-bit TIFFs unwritten in OpenCV 5.0."""
    flags = cv2.IMREAD_COLOR_BGR | cv2.IMREAD_ANYDEPTH | cv2.IMREAD_IGNORE_ORIENTATION
    pixels = cv2.imdecode(np.frombuffer(content, np.uint8), flags)
    if pixels is None:
        raise image_fault(file, "the picture cannot be decoded.", "Copy it again or save it anew.")
    return np.asarray(cv2.cvtColor(pixels, cv2.COLOR_BGR2RGB))


def _tiff_pixels(path: Path) -> NDArray[Any]:
    try:
        with tifffile.TiffFile(path) as tiff:
            page = tiff.pages.first
            pixels = page.asarray()
            is_inverted = page.photometric == tifffile.PHOTOMETRIC.MINISWHITE
            is_planar = page.planarconfig == tifffile.PLANARCONFIG.SEPARATE and pixels.ndim == 3
    except DAMAGE as error:
        remedy = "Save it without compression."
        raise image_fault(path.name, f"the TIFF cannot be unpacked ({error}).", remedy) from None
    if pixels.dtype not in (np.uint8, np.uint16) or pixels.ndim not in (2, 3):
        message = f"the TIFF holds {pixels.dtype} values in {pixels.ndim} dimensions."
        raise image_fault(path.name, message, "Save it with 8 or 16 bits a channel.")
    pixels = np.moveaxis(pixels, 0, -1) if is_planar else pixels
    pixels = np.iinfo(pixels.dtype).max - pixels if is_inverted else pixels
    if pixels.ndim == 2 or pixels.shape[2] < 3:
        grey = pixels if pixels.ndim == 2 else pixels[..., 0]
        return np.repeat(grey[..., None], 3, axis=2)
    return pixels[..., :3]


def _label_codes(path: Path, header: ImageHeader) -> NDArray[np.uint8]:
    if header.mode in {"L", "P"} and header.kind != "JPEG":
        codes = _raw_codes(path, header)
        if codes.dtype == np.uint8 and codes.ndim == 2:
            return codes
    message = f"the labels are a {header.kind} of layout {header.mode}."
    raise image_fault(path.name, message, "Save them as an 8-bit PNG of one channel (grey or indexed).")


def _raw_codes(path: Path, header: ImageHeader) -> NDArray[Any]:
    try:
        if header.is_unpacked_by_tifffile:
            with tifffile.TiffFile(path) as tiff:
                return np.asarray(tiff.pages.first.asarray())
        with Image.open(path) as image:
            return np.asarray(image)
    except DAMAGE as error:
        raise image_fault(path.name, f"the labels cannot be unpacked ({error}).", "Save them anew.") from None


def _turned(stored: NDArray[Any], orientation: int) -> NDArray[Any]:
    """The picture as displayed, by EXIF orientation."""
    if orientation >= 5:
        stored = np.swapaxes(stored, 0, 1)
    flip_rows = orientation in (3, 4, 7, 8)
    flip_columns = orientation in (2, 3, 6, 7)
    return np.ascontiguousarray(stored[:: -1 if flip_rows else 1, :: -1 if flip_columns else 1])
