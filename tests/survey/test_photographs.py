"""Photographs come as displayed, whole, and with all their bits."""

import struct
import zlib

import numpy as np
import pytest
import tifffile
from PIL import Image
from survey_pictures import picture

from fragkit.errors import SurveyError
from fragkit.opencv import cv2
from fragkit.survey import read_labels, read_photo, read_survey

CORNERS = np.zeros((40, 60, 3), np.uint8)
CORNERS[:20, :30] = [250, 20, 20]  # red, top left
CORNERS[:20, 30:] = [20, 250, 20]  # green, top right
CORNERS[20:, :30] = [20, 20, 250]  # blue, bottom left


def stored_for(displayed, orientation):
    """The pixels a camera would store: the inverse of the display rule, by rotations and flips of numpy."""
    inverse = {
        1: lambda a: a,
        2: np.fliplr,
        3: lambda a: np.rot90(a, 2),
        4: np.flipud,
        5: lambda a: np.swapaxes(a, 0, 1),
        6: lambda a: np.rot90(a, 1),
        7: lambda a: np.rot90(np.swapaxes(a, 0, 1), 2),
        8: lambda a: np.rot90(a, -1),
    }
    return np.ascontiguousarray(inverse[orientation](displayed))


@pytest.mark.parametrize("orientation", range(1, 9))
@pytest.mark.parametrize("suffix", ["jpg", "png", "tif"])
def test_orientation_is_applied_once(tmp_path, orientation, suffix):
    path = tmp_path / f"turned.{suffix}"
    stored = stored_for(CORNERS, orientation)
    if suffix == "tif":
        tifffile.imwrite(path, stored, photometric="rgb", extratags=[(274, "H", 1, orientation, True)])
    else:
        exif = Image.Exif()
        exif[274] = orientation
        Image.fromarray(stored).save(path, exif=exif, **({"quality": 98} if suffix == "jpg" else {}))
    pixels = read_photo(path).pixels
    assert pixels.shape == CORNERS.shape
    np.testing.assert_allclose(pixels[5::30, 5::50].astype(float), CORNERS[5::30, 5::50], rtol=0, atol=12)  # JPEG


@pytest.mark.parametrize("suffix", ["png", "tif"])
def test_sixteen_bits_stay_sixteen_bits(tmp_path, suffix):
    path = tmp_path / f"deep.{suffix}"
    deep = picture(40, 64, np.uint16)
    if suffix == "tif":
        tifffile.imwrite(path, deep, photometric="rgb", compression="zlib")
    else:
        path.write_bytes(cv2.imencode(".png", deep[..., ::-1])[1].tobytes())
    photo = read_photo(path)
    assert photo.pixels.dtype == np.uint16
    np.testing.assert_array_equal(photo.pixels, deep)


def test_grey_planar_and_inverted_tiffs(tmp_path):
    grey = picture(40, 64)[..., 0]
    tifffile.imwrite(tmp_path / "grey.tif", grey)
    tifffile.imwrite(tmp_path / "inverted.tif", 255 - grey, photometric="miniswhite")
    tifffile.imwrite(
        tmp_path / "planar.tif",
        np.moveaxis(picture(40, 64), -1, 0),
        photometric="rgb",
        planarconfig="separate",
    )
    for name in ("grey.tif", "inverted.tif"):
        np.testing.assert_array_equal(read_photo(tmp_path / name).pixels, np.repeat(grey[..., None], 3, 2))
    np.testing.assert_array_equal(read_photo(tmp_path / "planar.tif").pixels, picture(40, 64))


def test_a_tiff_packed_by_lzw_is_read(tmp_path):
    deep = picture(40, 64, np.uint16)
    (tmp_path / "lzw.tif").write_bytes(cv2.imencode(".tif", deep[..., ::-1])[1].tobytes())
    with tifffile.TiffFile(tmp_path / "lzw.tif") as tiff:
        assert tiff.pages.first.compression == tifffile.COMPRESSION.LZW
    np.testing.assert_array_equal(read_photo(tmp_path / "lzw.tif").pixels, deep)


def test_blanks_and_letters_of_any_script_in_a_path(tmp_path):
    path = tmp_path / "Bröckchen 1 – вид.jpg"
    Image.fromarray(picture()).save(path)
    photo = read_photo(path)
    assert photo.file == "Bröckchen 1 – вид.jpg"
    assert repr(photo) == "Photograph('Bröckchen 1 – вид.jpg', 240 × 160 px, uint8)"
    assert not photo.pixels.flags.writeable


def test_the_colour_profile_is_kept(tmp_path):
    Image.fromarray(picture()).save(tmp_path / "p.jpg", icc_profile=b"made-up profile")
    assert read_photo(tmp_path / "p.jpg").icc == b"made-up profile"


def test_colours_come_as_red_green_blue(tmp_path):
    Image.fromarray(CORNERS).save(tmp_path / "c.png")
    assert read_photo(tmp_path / "c.png").pixels[0, 0].tolist() == [250, 20, 20]


@pytest.mark.parametrize("suffix", ["jpg", "png", "tif"])
@pytest.mark.parametrize("kept_ratio", [0.3, 0.6, 0.95])
def test_a_cut_off_file_is_refused(tmp_path, suffix, kept_ratio):
    path = tmp_path / f"cut.{suffix}"
    image = Image.fromarray(picture())
    if suffix == "jpg":
        exif = Image.Exif()
        exif[274] = 1
        image.save(path, exif=exif, progressive=kept_ratio > 0.9)
    else:
        image.save(path)
    content = path.read_bytes()
    path.write_bytes(content[: int(kept_ratio * len(content))])
    with pytest.raises(SurveyError, match=rf"cut\.{suffix}: (the file ends before|this is no image)"):
        read_photo(path)


def test_a_thumbnail_inside_does_not_hide_that_the_picture_is_cut_off(tmp_path):
    path = tmp_path / "cut.jpg"
    Image.fromarray(picture()).save(path, quality=80)
    whole = path.read_bytes()
    thumbnail = b"Exif\0\0" + whole[:400] + b"\xff\xd9"
    segment = b"\xff\xe1" + struct.pack(">H", len(thumbnail) + 2) + thumbnail
    path.write_bytes(whole[:2] + segment + whole[2:-40])
    with pytest.raises(SurveyError, match=r"cut\.jpg: the file ends before the picture is complete\. It was cut off"):
        read_photo(path)


def test_bytes_after_the_end_of_a_picture_do_no_harm(tmp_path):
    path = tmp_path / "motion.jpg"
    Image.fromarray(picture()).save(path)
    path.write_bytes(path.read_bytes() + b"\0" * 5000)
    assert read_photo(path).pixels.shape == (160, 240, 3)


def test_an_empty_file_a_text_and_a_raw_file(tmp_path):
    for name, message in (
        ("empty.jpg", r"the file is empty \(0 bytes\)"),
        ("text.jpg", "this is no image, or its beginning is damaged"),
        ("shot.nef", "camera raw files are not read"),
    ):
        (tmp_path / name).write_bytes(b"" if name == "empty.jpg" else b"a letter")
        with pytest.raises(SurveyError, match=message):
            read_photo(tmp_path / name)
    with pytest.raises(SurveyError, match="the file is not there"):
        read_photo(tmp_path / "nothing.jpg")


def test_a_header_that_claims_too_many_pixels_is_refused_unopened(tmp_path):
    def chunk(kind, data):
        return struct.pack(">I", len(data)) + kind + data + struct.pack(">I", zlib.crc32(kind + data))

    for side in (15_000, 100_000):
        header = struct.pack(">IIBBBBB", side, side, 8, 2, 0, 0, 0)
        path = tmp_path / f"bomb-{side}.png"
        path.write_bytes(b"\x89PNG\r\n\x1a\n" + chunk(b"IHDR", header) + chunk(b"IDAT", b"") + chunk(b"IEND", b""))
        with pytest.raises(SurveyError, match=r"the picture claims .* pixels.* 200 million"):
            read_photo(path)


def test_other_kinds_of_picture_are_named(tmp_path):
    Image.fromarray(picture()).save(tmp_path / "a.gif")
    with pytest.raises(SurveyError, match=r"pictures of kind GIF are not read\. Save it as JPEG, PNG or TIFF"):
        read_photo(tmp_path / "a.gif")
    Image.fromarray(picture()).convert("CMYK").save(tmp_path / "a.jpg")
    with pytest.raises(SurveyError, match="printing colours"):
        read_photo(tmp_path / "a.jpg")
    tifffile.imwrite(tmp_path / "a.tif", picture().astype(np.float32), photometric="rgb")
    with pytest.raises(SurveyError, match="the TIFF holds float32 values"):
        read_photo(tmp_path / "a.tif")


def test_a_damaged_tiff_is_refused_in_words(tmp_path):
    path = tmp_path / "damaged.tif"
    tifffile.imwrite(path, picture(40, 64, np.uint16), photometric="rgb", compression="zlib")
    with tifffile.TiffFile(path) as tiff:
        at = tiff.pages.first.dataoffsets[0]
    content = bytearray(path.read_bytes())
    content[at : at + 40] = bytes(40)
    path.write_bytes(content)
    with pytest.raises(SurveyError, match=r"damaged\.tif: the TIFF cannot be unpacked \(Error -3"):
        read_photo(path)
    content[4:8] = bytes(4)  # no first page
    path.write_bytes(content)
    with pytest.raises(SurveyError, match="this is no image, or its beginning is damaged"):
        read_photo(path)


def test_a_tiff_of_many_channels_is_refused_unopened(tmp_path):
    tifffile.imwrite(tmp_path / "many.tif", np.zeros((8, 8, 40), np.uint8), planarconfig="contig", photometric="rgb")
    with pytest.raises(SurveyError, match="the TIFF claims 40 channels"):
        read_photo(tmp_path / "many.tif")


def test_labels_are_read_and_turned(tmp_path):
    codes = np.arange(24, dtype=np.uint8).reshape(4, 6) % 6
    exif = Image.Exif()
    exif[274] = 6
    Image.fromarray(np.ascontiguousarray(np.rot90(codes))).save(tmp_path / "l.png", exif=exif)
    np.testing.assert_array_equal(read_labels(tmp_path / "l.png"), codes)


def test_labels_with_a_strange_code_or_in_colour(tmp_path):
    Image.fromarray(np.full((4, 6), 9, np.uint8)).save(tmp_path / "l.png")
    with pytest.raises(SurveyError, match=r"the code 9, which has no meaning\. The codes are 0 not read, 1 ground"):
        read_labels(tmp_path / "l.png")
    path = tmp_path / "l.png"
    Image.fromarray(picture()[..., 0] % 6).save(path)
    content = bytearray(path.read_bytes())
    content[60:90] = bytes(30)
    path.write_bytes(content)
    with pytest.raises(SurveyError, match=r"the labels cannot be unpacked .*Save them anew"):
        read_labels(path)
    Image.fromarray(picture()).save(tmp_path / "rgb.png")
    with pytest.raises(SurveyError, match="8-bit PNG of one channel"):
        read_labels(tmp_path / "rgb.png")


def test_labels_of_the_wrong_size_are_a_fault_of_the_study(study):
    Image.fromarray(np.ones((40, 60), np.uint8)).save(study.root / "labels.png")
    study.replace("flatness_mm = 3.0", 'flatness_mm = 3.0\nlabels = "labels.png"')
    with pytest.raises(SurveyError, match=r"'labels\.png' is 60 × 40 px, its photograph 240 × 160 px as displayed"):
        read_survey(study.root)
    Image.fromarray(np.ones((160, 240), np.uint8)).save(study.root / "labels.png")
    assert read_survey(study.root).photos[0].labels.name == "labels.png"


def test_an_empty_and_a_cut_off_photograph_are_faults_of_the_study(study):
    path = study.root / "north-1.jpg"
    path.write_bytes(path.read_bytes()[:-200])
    (study.root / "north-2.png").write_bytes(b"")
    with pytest.raises(SurveyError, match="cut off while copying") as caught:
        read_survey(study.root)
    assert [str(fault) for fault in caught.value.faults] == [
        "north-1.jpg: the file ends before the picture is complete. "
        "It was cut off while copying: copy it from the camera again.",
        "north-2.png: the file is empty (0 bytes). Copy it from the camera again.",
    ]


def test_a_chart_is_read(study):
    (study.root / "chart.csv").write_text("patch,x_px,y_px,L,a,b\nwhite,20,20,96,0,1\ngrey,40,20,50,0,0\n")
    study.replace("flatness_mm = 3.0", 'flatness_mm = 3.0\nchart = { patches = "chart.csv" }')
    chart = read_survey(study.root).photos[0].chart
    assert chart.names == ("white", "grey")
    assert chart.lab.tolist() == [[96.0, 0.0, 1.0], [50.0, 0.0, 0.0]]
