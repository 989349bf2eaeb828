import io
import json

import numpy as np
import pytest
import record_room
import tifffile
from PIL import Image, ImageCms

from fragkit.record.pictures import png_bytes, thumbnail_bytes, tiff_bytes
from fragkit.rectify import Picture


def test_tiff_is_true_to_scale_and_keeps_every_bit():
    pixels = np.random.default_rng(1).integers(0, 65535, (40, 60, 3), dtype=np.uint16)
    picture = Picture(pixels=pixels, mm_per_px=0.25, origin_mm=np.array([-3.0, 9.0]), coverage=np.ones((40, 60), bool))
    with tifffile.TiffFile(io.BytesIO(tiff_bytes(picture))) as tiff:
        page = tiff.pages[0]
        np.testing.assert_array_equal(page.asarray(), pixels)
        assert page.tags["ResolutionUnit"].value == 3  # centimetre, TIFF 6.0
        numerator, denominator = page.tags["XResolution"].value
        assert 10 * denominator / numerator == pytest.approx(0.25, abs=1e-9)
        assert json.loads(page.description) == {"mm_per_px": 0.25, "origin_mm": [-3.0, 9.0]}


def test_png_is_transparent_where_nothing_is_seen():
    picture = record_room.picture()
    with Image.open(io.BytesIO(png_bytes(picture))) as image:
        found = np.array(image)
        dpi = image.info["dpi"][0]
    np.testing.assert_array_equal(found[..., 3] == 255, picture.coverage)
    np.testing.assert_array_equal(found[..., :3], picture.pixels)
    assert 25.4 / dpi == pytest.approx(2.5, abs=0.01)  # PNG stores whole pixels per metre


def test_thumbnail_fits_a_report():
    with Image.open(io.BytesIO(thumbnail_bytes(record_room.picture(), longest_px=80))) as image:
        assert max(image.size) == 80


def test_the_colour_profile_goes_with_the_picture():
    profile = ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB")).tobytes()
    shape = (20, 30)
    picture = Picture(
        pixels=np.full((*shape, 3), 30_000, np.uint16), mm_per_px=0.5, origin_mm=np.zeros(2),
        coverage=np.ones(shape, bool), icc=profile,
    )  # fmt: skip
    with Image.open(io.BytesIO(png_bytes(picture))) as png:
        assert png.info["icc_profile"] == profile
    with tifffile.TiffFile(io.BytesIO(tiff_bytes(picture))) as tiff:
        assert tiff.pages.first.iccprofile == profile
        assert tiff.pages.first.asarray().dtype == np.uint16
