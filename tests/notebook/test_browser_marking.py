"""The widgets in a real browser: JupyterLab on loopback, driven as a person does, by mouse and by keyboard."""

import io
import json
import os
import shutil
import statistics
import subprocess
import sys
from itertools import pairwise
from pathlib import Path

import nbformat
import numpy as np
import pytest
from lab_page import await_widgets, chromium_page, cursor_of, in_kernel, lab_server, open_notebook, to_page, view_of
from PIL import Image

from fragkit.opencv import cv2
from fragkit.survey import read_labels

pytestmark = [pytest.mark.browser, pytest.mark.filterwarnings("default")]

ROOT = Path(__file__).resolve().parents[2]
NOTEBOOK = "notebooks/01-from-a-photograph-to-a-measured-picture.ipynb"
N_FRAMES = 150


@pytest.fixture(scope="module")
def served(tmp_path_factory):
    folder = tmp_path_factory.mktemp("lab") / "work"
    shutil.copytree(ROOT / "sample_images", folder / "sample_images")
    (folder / "notebooks").mkdir()
    shutil.copyfile(ROOT / NOTEBOOK, folder / NOTEBOOK)
    with lab_server(folder) as address:
        yield folder, address


@pytest.fixture
def page():
    with chromium_page() as page:
        yield page
        assert page.outside == [], "the page asked for something outside this machine"


def _scratch(folder: Path, name: str, code: str) -> str:
    """A notebook of one cell."""
    kernel = {"kernelspec": {"name": "python3", "display_name": "Python 3", "language": "python"}}
    notebook = nbformat.v4.new_notebook(cells=[nbformat.v4.new_code_cell(code)], metadata=kernel)
    nbformat.write(notebook, folder / f"{name}.ipynb")
    return f"{name}.ipynb"


def _marking_cell(photo: Path) -> str:
    return (
        "from pathlib import Path\nfrom fragkit.notebook import mark_points\n"
        f"marker = mark_points(Path({str(photo)!r}), table=Path({str(photo.with_suffix('.csv'))!r}))\nmarker"
    )


def _points(page, *, until=bool) -> list[dict]:
    """The points that the kernel has, once they are as expected: widgets talk to it beside its cells."""
    for _ in range(100):
        points = json.loads(in_kernel(page, "import json; print(json.dumps(marker.points))"))
        if until(points):
            return points
        page.wait_for_timeout(100)
    raise AssertionError(f"the kernel still has {points}")


def _is_last_at(x, y, *, within):
    """Whether the last point lies at (x, y)."""
    return lambda points: max(abs(points[-1]["x_px"] - x), abs(points[-1]["y_px"] - y)) <= within


def _names_last(name):
    """Whether the last point has this name and, typed last, the sd that all points of the sample have."""
    return lambda points: (points[-1]["name"], points[-1]["sd_mm"]) == (name, 0.3)


def _zoom_to(page, canvas, x, y, *, scale):
    """Turn the wheel over a photograph pixel until a pixel of it is at least `scale` pixels large."""
    page.mouse.move(*to_page(canvas, x, y))
    while view_of(canvas)[0] < scale:
        page.mouse.wheel(0, -300)


def _walk(page, canvas, x, y):
    """Bring the cross to a photograph pixel by keys alone, to 0.1 px."""
    for zooms in (0, 4, 4, 4, 4):
        for _ in range(zooms):
            page.keyboard.press("+")
        scale = view_of(canvas)[0]
        step = next(step for step in (0.1, 0.2, 0.5, 1, 2, 5, 10, 20, 50) if step * scale >= 0.99)
        for axis, target, less, more in ((0, x, "ArrowLeft", "ArrowRight"), (1, y, "ArrowUp", "ArrowDown")):
            away = round((target - cursor_of(canvas)[axis]) / step)
            key = more if away > 0 else less
            for prefix, count in (("Shift+", abs(away) // 20), ("", abs(away) % 20)):
                for _ in range(count):
                    page.keyboard.press(prefix + key)


def _enter(widget, row: int, **cells):
    """Type into the cells of a row of the table, by keyboard."""
    for key, text in cells.items():
        field = widget.locator(f"tbody tr:nth-child({row}) input[data-key={key}]")
        field.fill(text)
        field.press("Tab")


def test_notebook_one_by_mouse_and_keyboard(served, page, tmp_path):
    _, address = served
    open_notebook(page, address, NOTEBOOK, n_widgets=2)
    marking, labelling = page.locator(".fk-widget").nth(0), page.locator(".fk-widget").nth(1)
    given = _points(page)
    assert len(given) == 12
    _replace_two_points(page, marking, given)
    kept = _points(page, until=_names_last("A2"))
    for name in ("A1", "A2"):
        old, new = (next(point for point in points if point["name"] == name) for points in (given, kept))
        assert [new[key] for key in ("x_mm", "y_mm", "sd_mm")] == [old[key] for key in ("x_mm", "y_mm", "sd_mm")]
        # by mouse at 5 and by keys at 10 screen pixels a photograph pixel: half a screen pixel, and half a step
        np.testing.assert_allclose([new["x_px"], new["y_px"]], [old["x_px"], old["y_px"]], rtol=0, atol=0.15)
    _label(page, labelling)
    marking.screenshot(path=tmp_path / "marking-light.png")
    labelling.screenshot(path=tmp_path / "labelling-light.png")
    _save_and_compare(page, marking, labelling, tmp_path)
    _reload(page, marking, labelling)
    page.evaluate("jupyterapp.commands.execute('apputils:change-theme', { theme: 'JupyterLab Dark' })")
    page.wait_for_timeout(1500)
    marking.screenshot(path=tmp_path / "marking-dark.png")
    labelling.screenshot(path=tmp_path / "labelling-dark.png")
    page.screenshot(path=tmp_path / "page-dark.png")
    page.evaluate("jupyterapp.commands.execute('apputils:change-theme', { theme: 'JupyterLab Light' })")
    print(f"\nscreenshots: {tmp_path}")


def _replace_two_points(page, widget, given):
    """A1 deleted and placed anew by mouse, A2 by keyboard; both named and measured in the table."""
    canvas = widget.locator(".fk-canvas")
    canvas.scroll_into_view_if_needed()
    canvas.focus()
    page.keyboard.press("n")
    page.keyboard.press("Delete")
    page.keyboard.press("n")
    page.keyboard.press("n")
    page.keyboard.press("p")
    widget.get_by_text("B1 chosen").or_(widget.get_by_text("A2 chosen")).or_(widget.get_by_text("A3 chosen")).wait_for()
    first, second = given[0], given[1]
    _zoom_to(page, canvas, first["x_px"], first["y_px"], scale=5)
    page.mouse.click(*to_page(canvas, first["x_px"], first["y_px"]))
    _enter(widget, 12, name="A1", x_mm=str(first["x_mm"]), y_mm=str(first["y_mm"]), sd_mm=str(first["sd_mm"]))
    row = [point["name"] for point in _points(page, until=_names_last("A1"))].index("A2") + 1
    widget.locator(f"tbody tr:nth-child({row}) input[data-key=name]").focus()
    widget.get_by_role("button", name="Delete point").press("Enter")
    canvas.focus()
    page.keyboard.press("0")
    _walk(page, canvas, second["x_px"], second["y_px"])
    page.keyboard.press("Enter")
    comma = str(second["x_mm"]).replace(".", ",")  # as a spreadsheet of many countries writes it
    _enter(widget, 12, name="A2", x_mm=comma, y_mm=str(second["y_mm"]), sd_mm=str(second["sd_mm"]))
    widget.locator(".fk-verdict", has_text="from 12 points").wait_for()
    canvas.focus()
    page.keyboard.press("0")


def _label(page, widget):
    """Metal by a brush stroke, loss by an outline of three corners, and the box round an example."""
    canvas = widget.locator(".fk-canvas")
    canvas.scroll_into_view_if_needed()
    canvas.focus()
    page.mouse.move(*to_page(canvas, 700, 700))
    page.mouse.down()
    page.mouse.move(*to_page(canvas, 1000, 700), steps=8)
    page.mouse.up()
    for key in "lo":
        page.keyboard.press(key)
    for corner in ((1300, 900), (1700, 900), (1500, 1300)):
        page.mouse.click(*to_page(canvas, *corner))
    page.keyboard.press("Enter")
    page.keyboard.press("e")
    for corner in ((600, 300), (760, 460)):
        page.mouse.click(*to_page(canvas, *corner))
    widget.get_by_text("Example boxed.").wait_for()


def _save_and_compare(page, marking, labelling, tmp_path):
    """Both widgets save; the command line then finds what the kernel has."""
    marking.get_by_role("button", name="Save").click()
    marking.get_by_text("12 points saved in press-1.csv.").wait_for()
    labelling.locator(".fk-canvas").focus()
    page.keyboard.press("Control+s")
    labelling.get_by_text("Labels saved in press-1-labels.png").wait_for()
    study = Path(in_kernel(page, "print(study)").strip())
    code = """
import json
import numpy as np
m = rectify(read_photo(photo), marker.control, lens=lens, flatness_mm=1.2)
counts = np.bincount(areas.labels.ravel(), minlength=6).tolist()
sds_mm = marker.judgement.sd_mm, m.sd_mm
print(json.dumps([m.homography.tolist(), m.rms_mm, m.loo_rms_mm, sds_mm, counts, areas.example_px]))
"""
    homography, rms_mm, loo_rms_mm, (judged_sd_mm, sd_mm), counts, example_px = json.loads(in_kernel(page, code))
    assert judged_sd_mm == pytest.approx(sd_mm, rel=1e-9)
    assert np.bincount(read_labels(study / "press-1-labels.png").ravel(), minlength=6).tolist() == counts
    # a stroke 300 px long with a brush of 12 px radius, half of 400 × 400 px; a screen pixel is 4 px, a row may join
    assert counts[3] == pytest.approx(300 * 24 + np.pi * 12**2, abs=300 + 24 * 8)
    assert counts[4] == pytest.approx(400 * 400 / 2, abs=400 * 5)
    assert example_px == pytest.approx([600, 300, 760, 460], abs=4)
    assert f"example_px = {example_px}" in (study / "survey.toml").read_text(encoding="utf-8")
    _keep_one_photograph(study)
    command = [sys.executable, "-m", "fragkit", "run", str(study), "--out", str(tmp_path / "record")]
    done = subprocess.run(command, capture_output=True, text=True, check=False, cwd=tmp_path, env=os.environ)
    assert done.returncode == 0, done.stdout + done.stderr
    results = json.loads((tmp_path / "record" / "results.json").read_text(encoding="utf-8"))
    found = next(photo for photo in results["photos"] if photo["name"] == "press-1")["rectify"]
    assert found["n_control"] == 12
    np.testing.assert_allclose(found["homography"], homography, rtol=1e-6, atol=0)  # what the file's digits keep
    assert found["rms_mm"] == pytest.approx(rms_mm, rel=1e-4)
    assert found["loo_rms_mm"] == pytest.approx(loo_rms_mm, rel=1e-4)


def _keep_one_photograph(study):
    """The saved study without its other photographs and its walls, so that the run is short."""
    path = study / "survey.toml"
    head, photo, *_ = path.read_text(encoding="utf-8").split("[[photo]]")
    assert 'file = "press-1.jpg"' in photo
    path.write_text(f'{head}[[photo]]{photo}[[fragment]]\nname = "press"\n', encoding="utf-8")


def _reload(page, marking, labelling):
    """A page reload loses neither points nor strokes nor what can be undone."""
    before = _points(page), in_kernel(page, "print(json.dumps(areas.strokes))")
    page.evaluate("jupyterapp.commands.execute('docmanager:save')")
    page.wait_for_function("!jupyterapp.shell.currentWidget.context.model.dirty")
    page.reload()
    await_widgets(page, 2)
    assert (_points(page), in_kernel(page, "print(json.dumps(areas.strokes))")) == before
    names = [field.input_value() for field in marking.locator("input[data-key=name]").all()]
    assert names == [point["name"] for point in before[0]]
    marking.locator(".fk-verdict", has_text="from 12 points").wait_for()
    labelling.get_by_role("button", name="Undo").click()
    labelling.get_by_text("Undone.").wait_for()
    assert in_kernel(page, "print(len(areas.strokes))").strip() == "2"
    labelling.get_by_role("button", name="Redo").click()
    labelling.get_by_text("Done again.").wait_for()
    assert in_kernel(page, "print(json.dumps(areas.strokes))") == before[1]


def test_traps_of_the_browser(served, page):
    """Keys stay on the canvas; border, half pixel and EXIF move no click."""
    folder, address = served
    photo = folder / "turned.jpg"
    _turned_photograph(photo)
    open_notebook(page, address, _scratch(folder, "traps", _marking_cell(photo)), n_widgets=1)
    widget, canvas = page.locator(".fk-widget"), page.locator(".fk-canvas")
    _check_keys(page, widget, canvas)
    _check_turned(page, canvas)
    _check_half_pixel(page, canvas)
    _check_moves(page, widget, canvas)


def _turned_photograph(path: Path) -> None:
    """Stored lying (600 × 400), displayed upright (400 × 600), with a red square and a white right half."""
    upright = np.full((600, 400, 3), 40, np.uint8)
    upright[:, 200:] = 240
    upright[90:111, 60:81] = (230, 20, 20)
    upright = cv2.GaussianBlur(upright, (0, 0), 0.8)
    stored = Image.fromarray(np.ascontiguousarray(np.rot90(upright)))
    exif = Image.Exif()
    exif[274] = 6
    stored.save(path, quality=95, subsampling=0, exif=exif)


def _check_keys(page, widget, canvas):
    def cells():
        return page.evaluate("jupyterapp.shell.currentWidget.content.widgets.length")

    before = cells()
    canvas.click(position={"x": 5, "y": 5})
    for target in (canvas, widget.get_by_role("button", name="Snap to it"), widget.locator("summary").first):
        target.focus()
        for key in "abxdd":
            page.keyboard.press(key)
        assert cells() == before
        assert page.evaluate("jupyterapp.shell.currentWidget.content.mode") == "command"
    assert canvas.count() == 1


def _check_turned(page, canvas):
    """The red square lies where the analysis has it, on the screen and when it is clicked."""
    box = canvas.bounding_box()
    scale = min(box["width"] / 400, box["height"] / 600)
    x, y = (box["width"] - 400 * scale) / 2 + 70.5 * scale, (box["height"] - 600 * scale) / 2 + 100.5 * scale
    red, green, _ = page.evaluate(
        "([x, y]) => [...document.querySelector('.fk-canvas').getContext('2d').getImageData(x, y, 1, 1).data]", [x, y]
    )[:3]
    assert red > 200
    assert green < 60
    page.mouse.click(round(box["x"] + x), round(box["y"] + y))
    point = _points(page, until=lambda points: len(points) == 1)[-1]
    expected = [
        (round(box[axis] + place) - box[axis] - (box[side] - size * scale) / 2) / scale - 0.5
        for axis, place, side, size in (("x", x, "width", 400), ("y", y, "height", 600))
    ]
    np.testing.assert_allclose([point["x_px"], point["y_px"]], expected, rtol=0, atol=0.002)  # tables keep 0.001 px
    pixel = in_kernel(page, "p = marker.points[-1]; print(*marker._pixels[round(p['y_px']), round(p['x_px'])])")
    red, green, _ = (int(value) for value in pixel.split())
    assert red > 200
    assert green < 60


def _check_half_pixel(page, canvas):
    """The edge between the columns 199 and 200 lies at 199.5, as it does for the analysis."""
    _zoom_to(page, canvas, 199.5, 400, scale=39)
    box = canvas.bounding_box()
    page.mouse.move(*to_page(canvas, 199.5, 400))
    page.mouse.down()
    page.mouse.move(box["x"] + 20, to_page(canvas, 199.5, 400)[1], steps=5)  # at the side a border would show
    page.mouse.up()
    left, row = round(box["x"]), round(box["y"]) + 60
    view_of(canvas)
    clip = {"x": left, "y": row, "width": round(box["width"]) - 240, "height": 1}  # the glass lies to the right
    seen = np.asarray(Image.open(io.BytesIO(page.screenshot(clip=clip))).convert("L"))[0].astype(int)
    edges = np.flatnonzero((seen[1:] > 140) & (seen[:-1] <= 140)) + 1
    assert len(edges) == 1
    page.mouse.click(left + int(edges[0]), row)
    point = _points(page, until=lambda points: len(points) == 2)[-1]
    assert point["x_px"] == pytest.approx(199.5, abs=0.06)  # 2 of 39 screen pixels


def _check_moves(page, widget, canvas):
    """A point is pulled by the mouse, set by a key, snapped to the corner of the red square, and taken back."""
    page.keyboard.press("0")
    before = _points(page)[-1]
    page.mouse.move(*to_page(canvas, before["x_px"], before["y_px"]))
    page.mouse.down()
    page.mouse.move(*to_page(canvas, 150, 300), steps=5)
    page.mouse.up()
    screen_px = 1 / view_of(canvas)[0]
    moved = _points(page, until=_is_last_at(150, 300, within=screen_px))[-1]
    page.mouse.move(*to_page(canvas, 79, 112))
    page.keyboard.press("m")
    _points(page, until=_is_last_at(79, 112, within=screen_px))
    widget.get_by_label("Kind of mark to snap to").select_option("corner")
    canvas.focus()
    page.keyboard.press("s")
    widget.get_by_text("Centre of the corner at").wait_for()
    _points(page, until=_is_last_at(80.5, 110.5, within=0.15))  # JPEG blurs the edge
    for _ in range(3):
        page.keyboard.press("Control+z")
    _points(page, until=lambda points: points[-1] == before)
    page.keyboard.press("Control+Shift+z")
    _points(page, until=lambda points: points[-1] == moved)


def test_frames_at_24_megapixels(served, page, tmp_path):
    folder, address = served
    photo = folder / "large.jpg"
    rng = np.random.default_rng(4)
    small = Image.fromarray(rng.integers(0, 255, (400, 600, 3), dtype=np.uint8))
    small.resize((6000, 4000), Image.Resampling.BICUBIC).save(photo, quality=90)
    open_notebook(page, address, _scratch(folder, "large", _marking_cell(photo)), n_widgets=1)
    canvas = page.locator(".fk-canvas")
    canvas.scroll_into_view_if_needed()
    print(f"\nframe times at 24 megapixels, ms ({N_FRAMES} moves)        median    p95")
    for what, scale in (("pan, whole picture", 0.0), ("pan at 1 : 1", 1.0)):
        _zoom_to(page, canvas, 3000, 2000, scale=scale)
        median = _print_frames(page, what, lambda: _pan(page, canvas))
        assert median < 100  # a redraw in the kernel takes seconds
    page.keyboard.press("0")
    assert _print_frames(page, "zoom by wheel", lambda: _zoom(page)) < 100
    page.screenshot(path=tmp_path / "large.png")
    page.keyboard.press("0")
    started = page.evaluate("performance.now()")
    page.mouse.click(*to_page(canvas, 3000, 2000))
    _points(page, until=lambda points: len(points) == 1)
    print(f"click to kernel and back: {page.evaluate('performance.now()') - started:.0f} ms")


def _print_frames(page, what, act) -> float:
    """Median time between frames while `act` is done."""
    page.evaluate("""() => {
        window.frames_ms = [];
        window.isCounting = true;
        const count = (time) => { window.frames_ms.push(time); if (window.isCounting) requestAnimationFrame(count); };
        requestAnimationFrame(count);
    }""")
    act()
    times = page.evaluate("() => { window.isCounting = false; return window.frames_ms; }")
    gaps = [later - earlier for earlier, later in pairwise(times)]
    print(f"{what:<48} {statistics.median(gaps):6.1f} {statistics.quantiles(gaps, n=20)[-1]:6.1f}")
    return statistics.median(gaps)


def _pan(page, canvas):
    box = canvas.bounding_box()
    x, y = box["x"] + box["width"] / 2, box["y"] + box["height"] / 2
    page.mouse.move(x, y)
    page.mouse.down()
    for k in range(N_FRAMES):
        page.mouse.move(x + 150 * np.sin(k / 12), y + 100 * np.cos(k / 17))
    page.mouse.up()


def _zoom(page):
    for k in range(N_FRAMES):
        page.mouse.wheel(0, -60 if k % 100 < 50 else 60)
