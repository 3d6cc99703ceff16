"""The page in a real browser, light and dark, on phone and desk."""

from __future__ import annotations

import base64
import re
import shutil

import pytest

from helpers.pages import page_and_twin
from helpers.studies import SPOILED, VARIANTS, build_study

CHROMIUM = shutil.which("chromium") or shutil.which("chromium-browser")

pytestmark = [
    pytest.mark.browser,
    pytest.mark.skipif(CHROMIUM is None, reason="Chromium is not on this machine"),
]
playwright = pytest.importorskip("playwright.sync_api")
axe = pytest.importorskip("axe_playwright_python.sync_playwright")


@pytest.fixture(scope="module")
def browser():
    with playwright.sync_playwright() as driver:
        chromium = driver.chromium.launch(
            executable_path=CHROMIUM, args=["--no-sandbox", "--disable-dev-shm-usage"]
        )
        yield chromium
        chromium.close()


@pytest.fixture
def page_file(tmp_path):
    """`page_file(variant)`: a report on disk."""

    def write(variant):
        path = tmp_path / "report.html"
        path.write_text(page_and_twin(build_study(variant))[0], encoding="utf-8")
        return path

    return write


@pytest.fixture
def opened(browser, page_file):
    """`opened(variant, width, scheme)`: the page, with what it said and asked for."""
    contexts = []

    def show(variant, width, scheme):
        context = browser.new_context(
            viewport={"width": width, "height": 844}, color_scheme=scheme, offline=True
        )
        contexts.append(context)
        page = context.new_page()
        said, asked = [], []
        page.on("console", lambda message: said.append(message.text))
        page.on("pageerror", lambda error: said.append(str(error)))
        page.on("request", lambda request: asked.append(request.url))
        page.goto(page_file(variant).as_uri())
        return page, said, asked

    yield show
    for context in contexts:
        context.close()


WIDTHS = (320, 390, 1200)


def too_wide(page):
    """By width of the window: pixels by which the page is wider."""
    found = {}
    for width in WIDTHS:
        page.set_viewport_size({"width": width, "height": 844})
        over = page.evaluate("document.documentElement.scrollWidth - window.innerWidth")
        found |= {width: over} if over > 0 else {}
    return found


KINDS = ["full", "wide", "failed", "hostile", "no reactor", "start", "alarmed", "first step"]
MOST = ("full", "alarmed")
"""The two that hold most of what is coloured, and of what the style sets otherwise on a desk; the
others in the dark take half a minute."""


@pytest.mark.parametrize(
    ("scheme", "variant"),
    [("light", variant) for variant in KINDS]
    + [pytest.param("dark", v, marks=() if v in MOST else pytest.mark.slow) for v in KINDS],
)
def test_page_is_sound_at_every_width(opened, variant, scheme):
    """No message, no outside request, no sideways scroll, all pictures drawn, axe content."""
    page, said, asked = opened(variant, 390, scheme)
    assert too_wide(page) == {}
    page.evaluate("document.querySelectorAll('details').forEach(d => d.open = true)")
    assert too_wide(page) == {}
    pictures = page.evaluate(
        "[...document.images].map(i => [i.alt.length, i.naturalWidth, i.complete])"
    )
    assert pictures
    assert all(words > 60 and wide > 0 and done for words, wide, done in pictures)
    # On either side of the one width at which the style changes; colours do not hang on it.
    for width in (1200, 320) if scheme == "light" and variant in MOST else (320,):
        page.set_viewport_size({"width": width, "height": 844})
        found = axe.Axe().run(page)
        assert found.violations_count == 0, found.generate_report()
    assert said == []
    assert all(url.startswith(("file:", "data:")) for url in asked)


def ink(page, picture):
    """Mean brightness, 0 to 1, of the marks drawn in one figure's screenshot against its paper."""
    png = base64.b64encode(page.locator("img").nth(picture).screenshot()).decode()
    script = """async png => {
        const bytes = Uint8Array.from(atob(png), c => c.charCodeAt(0));
        const image = await createImageBitmap(new Blob([bytes]));
        const canvas = new OffscreenCanvas(image.width, image.height);
        const draw = canvas.getContext('2d');
        draw.drawImage(image, 0, 0);
        const {data} = draw.getImageData(0, 0, image.width, image.height);
        const grey = [];
        for (let i = 0; i < data.length; i += 4)
            grey.push((data[i] + data[i + 1] + data[i + 2]) / 765);
        const paper = grey[0];
        const far = grey.filter(g => Math.abs(g - paper) > 0.6);
        return [paper, far.length / grey.length];
    }"""
    return page.evaluate(script, png)


@pytest.mark.parametrize(("scheme", "paper"), [("light", 1.0), ("dark", 0.09)])
def test_figures_show_ink_on_the_pages_paper(opened, scheme, paper):
    """Axes and labels are dark on white and light on black, never lost in the paper."""
    page, _, _ = opened("full", 390, scheme)
    page.evaluate("document.querySelectorAll('details').forEach(d => d.open = true)")
    for picture in range(page.locator("img").count()):
        found, share = ink(page, picture)
        assert found == pytest.approx(paper, abs=0.05)
        assert 0.002 < share < 0.5


def test_answer_is_on_the_first_screen_of_a_phone(opened):
    """Wet hands do not scroll."""
    page, _, _ = opened("full", 390, "light")
    box = page.locator(".big").bounding_box()
    assert box["y"] + box["height"] < 300
    for item in ("Pump:", "Dosing a day:", "Next test:", "Run the report again"):
        box = page.get_by_text(item, exact=False).first.bounding_box()
        assert box["y"] + box["height"] < 844


@pytest.mark.parametrize("variant", [one for one in (*VARIANTS, *SPOILED) if one != "hostile"])
def test_what_is_open_fits_four_screens_of_a_phone(opened, variant):
    """Before anything is unfolded; names of ordinary length."""
    page, _, _ = opened(variant, 390, "light")
    assert page.evaluate("document.documentElement.scrollHeight") <= 4 * 844


def sheets(page, paper):
    """Number of sheets that the page prints on."""
    pdf = page.pdf(format=paper)
    assert pdf.startswith(b"%PDF")
    return len(re.findall(rb"/Type\s*/Page\b", pdf))


@pytest.mark.parametrize("variant", [one for one in (*VARIANTS, *SPOILED) if one != "hostile"])
def test_the_day_sheet_prints_on_one_sheet(opened, variant):
    """What is open on loading fits one A4 or US letter, from a phone in the dark as well; names of
    ordinary length."""
    page, _, _ = opened(variant, 390, "dark")
    assert [sheets(page, paper) for paper in ("A4", "Letter")] == [1, 1]


def test_paper_holds_every_test_and_what_was_unfolded(opened):
    """A fold cannot be opened on paper: the schedule is there, other folds only where opened, each
    after the day sheet."""
    page, _, _ = opened("start", 390, "light")
    page.emulate_media(media="print")
    shown = page.locator("main").inner_text
    assert "Until the next report, within" in shown()
    assert "Supplies" not in shown()
    page.evaluate("document.querySelector('#supplies > details').open = true")
    assert "Supplies" in shown()
    before = "getComputedStyle(document.querySelector('#supplies')).breakBefore"
    assert page.evaluate(before) == "page"
    assert sheets(page, "A4") == 2
    page.evaluate("document.querySelectorAll('details').forEach(d => d.open = true)")
    assert 4 <= sheets(page, "A4") <= 14
