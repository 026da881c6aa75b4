"""What Firefox, WebKit and plain viewers need of the pages, as far as Chromium can hold it."""

from __future__ import annotations

import io
import json
from dataclasses import replace

import numpy as np
import pytest

from siting.batch.output.overview import overview_page
from siting.grid import Grid
from siting.report.page.map import map_page
from siting.settings.protocol import Protocol
from tests.batch_rows import invented_batch
from tests.browser.conftest import PHONE, WIDE, on_paper, opened, painted, show_only
from tests.browser.reports import report
from tests.map_result import map_result

pytestmark = pytest.mark.slow

SIZES = pytest.mark.parametrize("size", [WIDE, PHONE], ids=["1400", "390"])
# A browser too old for a page: the script fails where it first asks for this.
TOO_OLD = "Object.defineProperty(window, 'matchMedia', { value: undefined })"
CANNOT_SAVE = """delete HTMLAnchorElement.prototype.download;
HTMLAnchorElement.prototype.click = () => { window.followed = true; };"""


@pytest.fixture(scope="module")
def overview_file(tmp_path_factory):
    path = tmp_path_factory.mktemp("overview") / "overview.html"
    batch = invented_batch(60)
    grid = Grid("EPSG:32617", 539000.0, 4821000.0, 20.0, 60, 60)
    dem = np.add.outer(np.arange(60.0), np.arange(60.0)).astype(np.float32)
    path.write_text(
        overview_page(batch, relief=(dem, grid), protocol_name="test"), encoding="utf-8"
    )
    return path


def only_words(page, words):
    """The stand-in is there to its last line, and no empty map or dead button."""
    stand_in = page.locator(".without-scripts")
    assert words in stand_in.inner_text()
    assert not page.locator(".desk").is_visible()
    assert not page.locator(".head-buttons").is_visible()
    page.mouse.wheel(0, 100_000)
    for _ in range(50):
        box = stand_in.bounding_box()
        # A page scrolls by whole pixels, its last line may end on part of one.
        if box["y"] + box["height"] < page.viewport_size["height"] + 1:
            return
        page.wait_for_timeout(60)
    raise AssertionError("the last line cannot be scrolled to")


def middle(shape):
    """Latitude and longitude in the middle of an outline's box."""
    west, south, east, north = shape.bounds
    return [(south + north) / 2, (west + east) / 2]


@SIZES
def test_without_scripts_both_pages_say_so(browser, page_file, overview_file, size):
    for path, words in ((page_file, "The spots in words"), (overview_file, "parcels.csv")):
        with opened(browser, path, java_script_enabled=False, **size) as found:
            only_words(found.page, words)


@SIZES
def test_words_stand_in_where_a_script_fails(browser, page_file, overview_file, size):
    for path, words in ((page_file, "The spots in words"), (overview_file, "parcels.csv")):
        with opened(browser, path, **size) as found:
            found.page.wait_for_selector("html[data-ready]")
            assert not found.page.locator(".without-scripts").is_visible()
            found.page.add_init_script(TOO_OLD)
            found.page.reload()
            only_words(found.page, words)


def test_a_later_fault_leaves_the_map(wide):
    wide.evaluate("window.dispatchEvent(new ErrorEvent('error'))")
    assert wide.locator("#map_siting").is_visible()
    assert not wide.locator(".without-scripts").is_visible()


def test_saving_never_replaces_the_page(browser, page_file):
    """Where a viewer cannot save, the text is there to be copied."""
    with opened(browser, page_file, **PHONE) as found:
        page = found.page
        page.add_init_script(CANNOT_SAVE)
        page.reload()
        page.wait_for_selector("html[data-ready]")
        page.click("#row-2")
        report(page, "visit-2", "ruled out", reason="wet")
        page.click("#tab-visits")
        assert not page.locator("#visits-text").is_visible()
        page.click("#visits-json")
        assert page.evaluate("window.followed") is None
        text = page.locator("#visits-text").input_value()
        assert json.loads(text)["format"] == "siting decisions 1"
        assert '"state": "ruled out"' in text


def test_boxes_and_lists_take_the_colours_of_the_theme(browser, page_file, overview_file):
    """WebKit draws a list box by the scheme, whatever its style says: light words on light."""
    scheme = "getComputedStyle(document.documentElement).colorScheme"
    for path in (page_file, overview_file):
        with opened(browser, path, color_scheme="light", **WIDE) as found:
            found.page.wait_for_selector("html[data-ready]")
            assert found.page.evaluate(scheme) == "light"
            found.page.click("#theme-switch")
            assert found.page.evaluate(scheme) == "dark"


def test_no_filter_by_day_or_on_paper(wide):
    """WebKit prints a map with a filter black."""
    ground = "getComputedStyle(document.querySelector('.picture-ground')).filter"
    assert wide.evaluate(ground) == "none"
    wide.click("#theme-switch")
    assert wide.evaluate(ground) != "none"
    wide.emulate_media(media="print")
    assert wide.evaluate(ground) == "none"


def test_the_dark_map_shows_the_relief(browser, tmp_path):
    """Under scores that are all the same, what is uneven in lightness is the shading."""
    from PIL import Image

    result = map_result()
    row, col = np.mgrid[0 : result.land.grid.n_rows, 0 : result.land.grid.n_cols]
    hills = (250 + 4 * np.sin(row / 4) * np.sin(col / 4)).astype(np.float32)
    land = replace(result.land, dem=hills)
    spread = {}
    for score in (0.2, 0.9):
        total = np.full(result.land.grid.shape, score, dtype=np.float32)
        flat = replace(result, land=land, scores=replace(result.scores, total=total), spots=())
        path = tmp_path / "map.html"
        path.write_text(map_page(flat, protocol=Protocol()), encoding="utf-8")
        for theme in ("light", "dark"):
            with opened(browser, path, color_scheme=theme, **WIDE) as found:
                page = found.page
                show_only(page, "Shaded ground", "Score in colours")
                painted(page)
                frame = page.locator("#map_siting").bounding_box()
                clip = {"x": frame["x"] + frame["width"] / 2 - 100, "width": 200,
                        "y": frame["y"] + frame["height"] / 2 - 100, "height": 200}  # fmt: skip
                seen = Image.open(io.BytesIO(page.screenshot(clip=clip))).convert("L")
                spread[score, theme] = float(np.asarray(seen).std())
    for score in (0.2, 0.9):
        assert spread[score, "dark"] > 0.5 * spread[score, "light"], spread


PIXEL_OF = "(p) => { const { x, y } = testMap.latLngToContainerPoint(p); return [x, y]; }"


def test_the_overview_prints_all_parcels_in_dark_ink(browser, overview_file):
    shapes = invented_batch(60).shapes
    places_of_parcels = {name: middle(shape) for name, shape in shapes.items()}
    with opened(browser, overview_file, color_scheme="dark", **WIDE) as found:
        page = found.page
        page.wait_for_selector("html[data-ready]")
        before = page.evaluate(PIXEL_OF, places_of_parcels["L0001"])
        on_paper(page)
        assert page.evaluate("getComputedStyle(document.body).color") == "rgb(0, 0, 0)"
        frame = page.locator("#map").bounding_box()
        assert abs(frame["width"] - 180 / 25.4 * 96) < 3
        names = page.eval_on_selector_all("#rows .pick", "found => found.map((e) => e.textContent)")
        places = [page.evaluate(PIXEL_OF, places_of_parcels[name]) for name in names]
        assert len(places) == 60
        for x, y in places:
            assert 0 < x < frame["width"]
            assert 0 < y < frame["height"]
        page.emulate_media(media="screen")
        page.locator("html:not(.printing)").wait_for(state="attached")
        after = page.evaluate(PIXEL_OF, places_of_parcels["L0001"])
        assert after == pytest.approx(before, abs=2)


def test_numbers_are_no_telephone_numbers(browser, page_file, overview_file):
    """Telephones make a link of a long number, such as a northing, unless a page forbids it."""
    for path in (page_file, overview_file):
        text = path.read_text(encoding="utf-8")
        assert '<meta name="format-detection" content="telephone=no, ' in text
