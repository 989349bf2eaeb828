"""The report in a real browser: no console message, nothing fetched, axe-core content, keyboard, print."""

import io
import shutil
import subprocess
from contextlib import contextmanager

import pypdf
import pytest
from playwright.sync_api import sync_playwright

AXE_VERSION = "4.14.1"
GRAVE = ("serious", "critical")
PAGES = ("report.html", "sign-off/find-note.html", "sign-off/brief.html", "works/order.html", "works/care.html")
MAX_REPORT_BYTES = 8_000_000

pytestmark = pytest.mark.browser


@pytest.fixture(scope="module")
def axe(tmp_path_factory):
    """The source of axe-core, from the npm registry."""
    npm = shutil.which("npm")
    if npm is None:
        pytest.skip("npm is not installed")
    folder = tmp_path_factory.mktemp("axe")
    command = [npm, "install", "--prefix", str(folder), "--no-audit", "--no-fund", f"axe-core@{AXE_VERSION}"]
    subprocess.run(command, check=True, capture_output=True, timeout=300)
    return (folder / "node_modules/axe-core/axe.min.js").read_text(encoding="utf-8")


@contextmanager
def opened(path, *, scheme="light"):
    """A page with the file, and everything that it says on the console or asks of a network."""
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=shutil.which("chromium"), args=["--no-sandbox"])
        try:
            page = browser.new_context(color_scheme=scheme, viewport={"width": 1100, "height": 1400}).new_page()
            page.said = []
            page.on("console", lambda message: page.said.append(message.text))
            page.on("pageerror", lambda error: page.said.append(str(error)))
            page.on("request", lambda request: page.said.extend([request.url] * request.url.startswith("http")))
            page.goto(path.as_uri())
            yield page
        finally:
            browser.close()


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("name", PAGES)
def test_opens_silently_and_axe_finds_nothing_serious(written, axe, name, scheme):
    with opened(written / name, scheme=scheme) as page:
        assert page.said == []
        page.evaluate(axe)
        found = page.evaluate("axe.run()")
    assert len(found["passes"]) > 10
    grave = [(one["id"], node["html"][:120]) for one in found["violations"] if one["impact"] in GRAVE
             for node in one["nodes"]]  # fmt: skip
    assert grave == []


def test_axe_notices_a_picture_without_words(written, axe, tmp_path):
    text = (written / "report.html").read_text(encoding="utf-8")
    (tmp_path / "broken.html").write_text(text.replace(" alt=", " data-alt="), encoding="utf-8")
    with opened(tmp_path / "broken.html") as page:
        page.evaluate(axe)
        found = page.evaluate("axe.run()")
    assert "image-alt" in {one["id"] for one in found["violations"] if one["impact"] in GRAVE}


def test_the_keyboard_reaches_the_report_every_chapter_and_every_wide_table(written):
    with opened(written / "report.html") as page:
        page.keyboard.press("Tab")
        assert page.evaluate("document.activeElement.className") == "skip"
        page.keyboard.press("Enter")
        assert page.evaluate("location.hash") == "#first"
        reached = set()
        n_stops = page.evaluate("document.querySelectorAll('a[href],[tabindex=\"0\"]').length")
        page.goto((written / "report.html").as_uri())
        for _ in range(n_stops):
            page.keyboard.press("Tab")
            reached.add(
                page.evaluate("document.activeElement.getAttribute('aria-label') || document.activeElement.hash")
            )
        chapters = page.evaluate("[...document.querySelectorAll('main > section')].map(one => '#' + one.id)")
        tables = page.evaluate("[...document.querySelectorAll('.wide')].map(one => one.getAttribute('aria-label'))")
    assert set(chapters) | set(tables) <= reached


def test_it_prints_with_the_first_page_by_itself_and_can_be_mailed(written):
    assert (written / "report.html").stat().st_size < MAX_REPORT_BYTES
    with opened(written / "report.html") as page:
        printed = pypdf.PdfReader(io.BytesIO(page.pdf(prefer_css_page_size=True)))
    texts = [page.extract_text() for page in printed.pages]
    for part in ("What is known", "What is guessed", "What to do next"):
        assert part in texts[0]
    assert "Photographs, and how good each one is" in texts[1]
    assert all(text.strip() for text in texts)
    width_mm, height_mm = (float(v) * 25.4 / 72 for v in printed.pages[0].mediabox[2:])
    assert (width_mm, height_mm) == pytest.approx((210, 297), abs=1)
