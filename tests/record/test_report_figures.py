"""How a figure is carried in the report: as lines where that is light, else as pixels drawn once."""

import base64
import io
import re

import numpy as np
import pytest
from matplotlib.figure import Figure
from PIL import Image

from fragkit.record.figures import embed


def carried(drawn):
    """Media type and bytes of the picture in the page."""
    html = embed(drawn, alt="a figure", caption="what it shows")
    kind, data = re.search(r'src="data:([^;]+);base64,([^"]+)"', html).groups()
    return kind, base64.b64decode(data)


def axes_of():
    return Figure(figsize=(4.0, 3.0), layout="constrained").add_subplot()


def test_a_chart_is_carried_as_lines():
    axes = axes_of()
    axes.plot([0, 1], [0, 1])
    kind, content = carried(axes.figure)
    assert kind == "image/svg+xml"
    assert b"<svg" in content


@pytest.mark.parametrize(("n_marks", "expected"), [(400, "image/svg+xml"), (401, "image/png")])
def test_thousands_of_marks_are_carried_as_png(n_marks, expected):
    axes = axes_of()
    axes.scatter(np.arange(n_marks), np.zeros(n_marks))
    assert carried(axes.figure)[0] == expected


def test_a_photograph_is_carried_as_jpeg_without_wide_margins():
    axes = axes_of()
    axes.imshow(np.random.default_rng(1).integers(0, 200, (400, 800, 3), dtype=np.uint8))
    axes.set_axis_off()
    kind, content = carried(axes.figure)
    assert kind == "image/jpeg"
    with Image.open(io.BytesIO(content)) as image:
        width, height = image.size
        inked = np.array(image.convert("L")) < 250
    rows, columns = np.flatnonzero(inked.any(axis=1)), np.flatnonzero(inked.any(axis=0))
    assert (width - 16) / (height - 16) == pytest.approx(2.0, abs=0.03)  # the picture's own shape
    assert 4 <= rows[0] <= 12  # eight pixels of white, give or take what JPEG blurs
    assert 4 <= width - 1 - columns[-1] <= 12


def test_the_same_figure_gives_the_same_bytes():
    def drawn():
        axes = axes_of()
        axes.plot([0, 1], [0, 1])
        return axes.figure

    assert carried(drawn()) == carried(drawn())
