"""The field sheet in Chromium: offline, on a phone, printed, and with hostile text."""

from __future__ import annotations

import re
import shutil
from dataclasses import replace

import pytest

from siting.report.paper.sheet import field_sheet
from siting.report.shared.facts import spot_facts
from siting.settings.inputs import SurveyInput
from siting.settings.protocol import Protocol
from siting.words.cautions import all_cautions, texts
from tests.browser.axe import axe_faults
from tests.browser.conftest import PHONE, WIDE, opened
from tests.fake_result import fake_result, with_details
from tests.hostile import TEXTS, hostile_result

pytestmark = pytest.mark.slow


def sheet(result):
    return field_sheet(result, spot_facts(result), protocol=Protocol(), survey=SurveyInput())


@pytest.fixture(scope="module")
def result():
    return with_details(fake_result())


@pytest.fixture(scope="module")
def sheet_file(result, tmp_path_factory):
    path = tmp_path_factory.mktemp("sheet") / "field_sheet.html"
    path.write_text(sheet(result), encoding="utf-8")
    return path


def full(result):
    """Every caution that can come together, and as much to say of a spot as there ever is."""
    # "crossing_water" stands for both; a valley line is said only where no water is mapped.
    single = ("water", "crossing", "valley")
    told = texts([caution for caution in all_cautions() if caution.topic not in single])
    why = tuple(f"A thing that draws animals here, some {n} m (66 ft) away." for n in range(6))
    check = ("Look for this and that, and for a third thing that only eyes can settle here.",) * 8
    spots = [
        replace(spot, why=why, check=check, pulled_down=why[:3], cautions=told)
        for spot in result.spots
    ]
    return replace(result, spots=tuple(spots))


@pytest.mark.parametrize("size", [WIDE, PHONE], ids=["1400", "390"])
def test_opens_offline_without_a_request_or_complaint(browser, sheet_file, size):
    with opened(browser, sheet_file, **size) as tab:
        assert tab.outside == []
        assert tab.complaints == []
        width = size["viewport"]["width"]
        assert tab.page.evaluate("document.documentElement.scrollWidth") <= width
        assert tab.page.locator("section.page").count() == 7
        # The one style sheet is let in by its fingerprint; without it there would be no line.
        border = tab.page.locator("h3").first.evaluate("e => getComputedStyle(e).borderBottomStyle")
        assert border == "solid"


def test_the_policy_keeps_script_out(browser, result, tmp_path):
    # A planted script does nothing: the sheet needs none and lets none in.
    path = tmp_path / "planted.html"
    path.write_text(sheet(result).replace("</main>", "<script>window.hit=1</script></main>"))
    with opened(browser, path) as tab:
        assert tab.page.evaluate("window.hit") is None
        assert any("Content Security Policy" in line for line in tab.complaints)


@pytest.mark.parametrize("size", [WIDE, PHONE], ids=["1400", "390"])
def test_axe_finds_nothing(browser, sheet_file, size):
    with opened(browser, sheet_file, bypass_csp=True, **size) as tab:
        assert axe_faults(tab.page) == []


def test_links_are_large_enough_to_touch(browser, sheet_file):
    # WCAG 2.2, 2.5.8: 24 by 24 CSS pixels.
    with opened(browser, sheet_file, **PHONE) as tab:
        for box in [link.bounding_box() for link in tab.page.locator("a").all()]:
            assert box["height"] >= 24
            assert box["width"] >= 24


def pages(pdf):
    return len(re.findall(rb"/Type\s*/Page\b(?!s)", pdf))


@pytest.mark.parametrize("paper", ["A4", "Letter"])
@pytest.mark.parametrize("much", [False, True], ids=["usual", "full"])
def test_one_printed_page_to_a_spot(browser, result, tmp_path, paper, much):
    path = tmp_path / "sheet.html"
    path.write_text(sheet(full(result) if much else result), encoding="utf-8")
    with opened(browser, path) as tab:
        # Never smaller print: what does not fit "Before you go" runs on to one more side.
        assert pages(tab.page.pdf(format=paper)) in ((3 + 4, 3 + 5) if much else (3 + 4,))


@pytest.mark.parametrize("much", [False, True], ids=["usual", "full"])
def test_nothing_is_set_smaller_than_10_points(browser, result, tmp_path, much):
    path = tmp_path / "sheet.html"
    path.write_text(sheet(full(result) if much else result), encoding="utf-8")
    with opened(browser, path) as tab:
        tab.page.emulate_media(media="print")
        small = tab.page.evaluate(
            """[...document.querySelectorAll("body *:not(svg *)")]
            .filter((e) => [...e.childNodes].some((n) => n.nodeType === 3 && n.data.trim()))
            .filter((e) => parseFloat(getComputedStyle(e).fontSize) < 10 * 96 / 72 - 0.01)
            .map((e) => [e.tagName, e.className, getComputedStyle(e).fontSize])"""
        )
        assert small == []


def test_the_printed_pages_are_filled(browser, result, tmp_path):
    """The lowest ink of each page lies in its last tenth."""
    import io
    import subprocess

    from PIL import Image

    path, pdf = tmp_path / "sheet.html", tmp_path / "sheet.pdf"
    path.write_text(sheet(result), encoding="utf-8")
    with opened(browser, path) as tab:
        tab.page.pdf(path=pdf, format="A4")
    for number in range(1, 8):
        if shutil.which("pdftoppm") is None:
            pytest.skip("pdftoppm (poppler-utils) is not installed")
        image = subprocess.run(
            ["pdftoppm", "-r", "30", "-gray", "-f", str(number), "-l", str(number), str(pdf)],
            capture_output=True, check=True,
        ).stdout  # fmt: skip
        page = Image.open(io.BytesIO(image))
        inked = page.point(lambda grey: 255 if grey < 200 else 0).getbbox()
        assert inked[3] > 0.88 * page.height, number


@pytest.mark.parametrize("width", [390, 320])
def test_no_table_is_cut_on_a_phone(browser, sheet_file, width):
    with opened(browser, sheet_file, viewport={"width": width, "height": 700}) as tab:
        assert tab.page.evaluate("document.documentElement.scrollWidth") <= width
        cells = tab.page.locator("tbody td:visible").all()
        assert len(cells) >= 20
        for cell in cells:
            box = cell.bounding_box()
            assert box["x"] >= 0
            assert box["x"] + box["width"] <= width


def test_both_headings_say_true_and_compass(browser, sheet_file):
    with opened(browser, sheet_file) as tab:
        words = tab.page.locator(".spot-page").first.inner_text()
        second = words[words.index("Second choice:") :].split(", the dashed")[0]
        assert "on a compass" in second
        assert "true" in second


def test_each_page_begins_with_its_heading(browser, result, tmp_path):
    path = tmp_path / "sheet.html"
    path.write_text(sheet(result), encoding="utf-8")
    with opened(browser, path) as tab:
        tab.page.emulate_media(media="print")
        breaks = tab.page.evaluate(
            "[...document.querySelectorAll('.page')].map(e => getComputedStyle(e).breakAfter)"
        )
        assert breaks == ["page"] * 6 + ["auto"]


def test_hostile_text_does_nothing(browser, tmp_path):
    path = tmp_path / "sheet.html"
    path.touch()
    with opened(browser, path, **PHONE) as tab:
        for text in TEXTS:
            path.write_text(sheet(hostile_result(text)), encoding="utf-8")
            tab.requests.clear()
            tab.page.reload()
            assert tab.page.evaluate("window.hit") is None, text
            assert tab.outside == [], text
            assert tab.complaints == [], text
            assert tab.page.evaluate("document.documentElement.scrollWidth") <= 390, text[:40]
            shown = tab.page.locator("h1").inner_text()
            assert shown.startswith("Field sheet:"), text
