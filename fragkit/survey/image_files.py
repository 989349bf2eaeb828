"""What an image file is, from its header and its ends alone: size, orientation, whether it is all there."""

from __future__ import annotations

import logging
import re
import struct
import warnings
import zlib
from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path

import tifffile
from PIL import Image, UnidentifiedImageError

from fragkit.errors import Fault, SurveyError

PIXEL_LIMIT = 200_000_000
"""Largest photograph that is opened: a header may claim any size, and fill the memory."""

logging.getLogger("tifffile").addHandler(logging.NullHandler())  # damage is reported as a fault, not on stderr

_FORMATS = {"JPEG": "JPEG", "MPO": "JPEG", "PNG": "PNG"}
_TIFF_STARTS = (b"II*\0", b"MM\0*", b"II+\0", b"MM\0+")
_RAW = {".dng", ".nef", ".cr2", ".cr3", ".arw", ".raf", ".orf", ".rw2", ".pef"}
DAMAGE = (
    OSError,
    ValueError,
    SyntaxError,
    TypeError,
    LookupError,
    RuntimeError,
    EOFError,
    struct.error,
    zlib.error,
)
"""What the readers of pictures raise on damaged files."""

_MOST_CHANNELS = 5
_ORIENTATION_TAG = 274
_JPEG_MARKER = re.compile(rb"\xff[^\x00\xd0-\xd7\xff]")


@dataclass(frozen=True)
class ImageHeader:
    """An image as its header describes it.

    Attributes
    ----------
    kind : str
        "JPEG", "PNG" or "TIFF".
    width_px, height_px : int
        As displayed, the orientation applied.
    orientation : int
        EXIF or TIFF orientation, 1 to 8, not yet applied to the stored pixels.
    icc : bytes or None
        The embedded colour profile.
    is_unpacked_by_tifffile : bool
        A TIFF whose compression tifffile undoes without further packages; OpenCV undoes LZW.
    mode : str
        Pixel layout: "L" one channel, "P" indexed, "RGB", "CMYK" ….
    """

    kind: str
    width_px: int
    height_px: int
    orientation: int
    icc: bytes | None
    mode: str
    is_unpacked_by_tifffile: bool = False


def image_fault(file: str, message: str, remedy: str) -> SurveyError:
    """The error for a faulty image file."""
    return SurveyError((Fault(file=file, where="", message=message, remedy=remedy),))


def read_header(path: Path, file: str) -> ImageHeader:
    """Header of the image at `path`, which messages call `file`.

    Raises
    ------
    SurveyError
        No image, a kind that is not read, more than `PIXEL_LIMIT` pixels, or a file that ends too early.
    """
    if path.stat().st_size == 0:
        raise image_fault(file, "the file is empty (0 bytes).", "Copy it from the camera again.")
    if path.suffix.lower() in _RAW:
        remedy = "Develop it to a 16-bit TIFF, without lens correction or sharpening."
        raise image_fault(file, "camera raw files are not read.", remedy)
    header = _header(path, file)
    if header.width_px * header.height_px > PIXEL_LIMIT:
        size = f"{header.width_px} × {header.height_px}"
        most = f"{PIXEL_LIMIT / 1e6:.0f} million"
        raise image_fault(file, f"the picture claims {size} pixels; {most} is the most.", "Make it smaller.")
    if header.mode == "CMYK":
        raise image_fault(file, "the picture is in printing colours (CMYK).", "Convert it to RGB.")
    if not _is_whole(path, header.kind):
        remedy = "It was cut off while copying: copy it from the camera again."
        raise image_fault(file, "the file ends before the picture is complete.", remedy)
    return header


def _header(path: Path, file: str) -> ImageHeader:
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            return _open_header(path, file)
    except Image.DecompressionBombError:
        message = f"the picture claims more pixels than the {PIXEL_LIMIT / 1e6:.0f} million that are opened."
        raise image_fault(file, message, "Make it smaller.") from None
    except (UnidentifiedImageError, *DAMAGE):
        remedy = "Use a JPEG, PNG or TIFF, or copy the file again."
        raise image_fault(file, "this is no image, or its beginning is damaged.", remedy) from None


def _open_header(path: Path, file: str) -> ImageHeader:
    with path.open("rb") as stream:
        start = stream.read(4)
    if start in _TIFF_STARTS:
        return _tiff_header(path, file)
    with Image.open(path) as image:
        kind = _FORMATS.get(image.format or "")
        if kind is None:
            message = f"pictures of kind {image.format} are not read."
            raise image_fault(file, message, "Save it as JPEG, PNG or TIFF.")
        exif = _png_exif(path) if kind == "PNG" else image.getexif()
        orientation = exif.get(_ORIENTATION_TAG)
        icc = image.info.get("icc_profile")
        return _as_shown(ImageHeader(kind, *image.size, _orientation(orientation), icc, image.mode))


def _tiff_header(path: Path, file: str) -> ImageHeader:
    """Header by tifffile: Pillow refuses some layouts, and turns the size of others by their orientation."""
    with tifffile.TiffFile(path) as tiff:
        page = tiff.pages.first
        if page.samplesperpixel > _MOST_CHANNELS:
            message = f"the TIFF claims {page.samplesperpixel} channels."
            raise image_fault(file, message, "Save it as RGB or grey.")
        tag = page.tags.get(_ORIENTATION_TAG)
        size = (int(page.imagewidth), int(page.imagelength))
        mode = "CMYK" if page.photometric == tifffile.PHOTOMETRIC.SEPARATED else ""
        mode = mode or ("L" if page.samplesperpixel == 1 else "RGB")
        orientation = _orientation(tag and tag.value)
        can_unpack = page.compression in tifffile.TIFF.DECOMPRESSORS
        return _as_shown(ImageHeader("TIFF", *size, orientation, page.iccprofile, mode, can_unpack))


def _orientation(value: object) -> int:
    return value if isinstance(value, int) and 1 <= value <= 8 else 1


def _as_shown(header: ImageHeader) -> ImageHeader:
    if header.orientation < 5:
        return header
    return replace(header, width_px=header.height_px, height_px=header.width_px)


def _is_whole(path: Path, kind: str) -> bool:
    if kind == "TIFF":
        return _tiff_is_whole(path)
    content = path.read_bytes()
    return _jpeg_is_whole(content) if kind == "JPEG" else _png_is_whole(content)


def _jpeg_is_whole(content: bytes) -> bool:
    """Whether the scans run to an end-of-image marker (ITU-T T.81, annex B), thumbnails not counted."""
    at, has_scan = 2, False
    while found := _JPEG_MARKER.search(content, at):
        marker = content[found.start() + 1]
        if marker == 0xD9:
            return has_scan
        has_scan = has_scan or marker == 0xDA
        length = content[found.end() : found.end() + 2]
        at = found.end() + (int.from_bytes(length, "big") if len(length) == 2 else len(content))
    return False


def _png_is_whole(content: bytes) -> bool:
    """Whether the chunks run to IEND (ISO/IEC 15948:2004, 11.2.5)."""
    return any(kind == b"IEND" for kind, _ in _png_chunks(content))


def _png_exif(path: Path) -> Image.Exif:
    """EXIF of a PNG, wherever its chunk stands; Pillow's own getter decodes all pixels first."""
    exif = Image.Exif()
    for kind, data in _png_chunks(path.read_bytes()):
        if kind == b"eXIf":
            exif.load(data)
    return exif


def _png_chunks(content: bytes) -> Iterator[tuple[bytes, bytes]]:
    at = 8
    while at + 12 <= len(content):
        end = at + 8 + int.from_bytes(content[at : at + 4], "big")
        yield content[at + 4 : at + 8], content[at + 8 : end]
        at = end + 4


def _tiff_is_whole(path: Path) -> bool:
    with tifffile.TiffFile(path) as tiff:
        page = tiff.pages.first
        ends = [at + n for at, n in zip(page.dataoffsets, page.databytecounts, strict=False)]
    return bool(ends) and max(ends) <= path.stat().st_size
