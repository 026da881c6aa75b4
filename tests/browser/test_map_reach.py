"""Reach: for everyone, in register, on old browsers."""

from __future__ import annotations

import numpy as np
import pytest

from siting.report.page.map import map_page
from siting.settings.protocol import Protocol
from tests.browser.axe import axe_faults
from tests.browser.conftest import (
    PHONE,
    WIDE,
    ask_at,
    click_at,
    island_of,
    lat_lon,
    move_weights,
    opened,
    painted,
    show_only,
)
from tests.browser.reports import open_card, report
from tests.map_result import map_result, variants

pytestmark = pytest.mark.slow

STATES = (
    "spots", "card", "form", "unfolded", "reported", "ask", "mark", "weights", "visits", "own",
    "key", "guide", "measure", "here", "pick",
)  # fmt: skip
SMALL_PHONE = {**PHONE, "viewport": {"width": 320, "height": 640}}


def show(page, state):
    """Bring the page into a state, from the one before it in STATES."""
    if state == "card":
        open_card(page, 1)
    elif state == "form":
        page.select_option("#visit-1-state", "camera up")
    elif state == "unfolded":
        page.evaluate(
            "document.querySelectorAll('#card-1 details').forEach((one) => { one.open = true; })"
        )
    elif state == "reported":
        page.click("#visit-1-save")
        report(page, "visit-1", "ruled out", reason="wet", note="Under water")
    elif state == "ask":
        click_at(page, 540450.0, 4820430.0)
    elif state == "mark":
        page.click("#ask .fold-mark summary")
        report(page, "asked", "chosen")
    elif state == "own":
        page.click("#visits-own summary")
    elif state == "measure":
        page.click("#measure-switch")
    elif state == "here":
        page.click("#measure-switch")
        page.click("#here-switch")
    elif state == "pick":
        page.click("#here-close")
        page.click("#tab-spots")
        open_card(page, 2)
        page.select_option("#visit-2-state", "camera up")
        page.click("#visit-2-map")
    else:
        page.click(f"#tab-{state}")


@pytest.mark.parametrize(
    ("scheme", "size"),
    [("light", WIDE), ("dark", WIDE), ("light", PHONE), ("dark", SMALL_PHONE)],
    ids=["light 1400", "dark 1400", "light 390", "dark 320"],
)
def test_axe_finds_nothing(browser, page_file, scheme, size):
    """axe-core with the WCAG 2.0-2.2 A and AA rules and best practices, in every state."""
    with opened(browser, page_file, color_scheme=scheme, **size) as found:
        found.page.wait_for_selector("html[data-ready]")
        for state in STATES:
            show(found.page, state)
            faults = axe_faults(found.page, colours_alone=(scheme, size) == ("dark", WIDE))
            assert faults == [], (state, faults)


SMALL = """(least) => [...document.querySelectorAll(
    'button, select, textarea, summary, a[href], label:has(> input), [role="button"], '
    + '[role="tab"], input:not([type="radio"]):not([type="checkbox"])')]
  .filter((e) => e.checkVisibility() && !e.classList.contains("skip"))
  .map((e) => [e.id || e.className || e.tagName, e.getBoundingClientRect()])
  .filter(([, box]) => box.width < least || box.height < least)
  .map(([name, box]) => [name, box.width, box.height])"""


@pytest.mark.parametrize(
    ("size", "least"), [(WIDE, 24), (PHONE, 44), (SMALL_PHONE, 44)], ids=["1400", "390", "320"]
)
def test_targets_are_large_enough(browser, page_file, size, least):
    """WCAG 2.2: 24 pixels for a mouse (2.5.8, AA), 44 for a finger (2.5.5, AAA), in every state."""
    with opened(browser, page_file, **size) as found:
        found.page.wait_for_selector("html[data-ready]")
        for state in STATES:
            show(found.page, state)
            assert found.page.evaluate(SMALL, least) == [], state


def test_marks_at_five_cells_are_found_within_a_pixel(browser, tmp_path):
    """Bright single cells in the score picture, seen in a screenshot where PROJ puts them."""
    import io
    from dataclasses import replace

    from PIL import Image

    from siting.report.shared import overlays
    from siting.report.shared.frame import mercator_of

    result = map_result()
    grid = result.land.grid
    places = [(30, 25), (40, 72), (60, 50), (90, 30), (85, 65)]
    total = np.full(grid.shape, 0.01, dtype=np.float32)
    for row, col in places:
        total[row, col] = overlays.BRIGHTEST_INDEX
    marked = replace(result, scores=replace(result.scores, total=total), spots=())
    path = tmp_path / "map.html"
    path.write_text(map_page(marked, protocol=Protocol()), encoding="utf-8")
    # Two pixels of the device to one of the page, so that measuring adds less than it tells.
    with opened(browser, path, device_scale_factor=2, **WIDE) as found:
        page = found.page
        show_only(page, "Score in colours")
        page.evaluate("document.querySelector('.picture-score').style.opacity = 1")
        page.evaluate("document.querySelector('#map_siting').style.background = '#000'")
        painted(page)
        frame = page.locator("#map_siting").bounding_box()
        image = np.asarray(Image.open(io.BytesIO(page.screenshot())).convert("RGB")).astype(int)
        bright = (image[:, :, 0] > 200) & (image[:, :, 1] > 180) & (image[:, :, 2] < 120)
        rows, cols = ((found + 0.5) / 2 for found in np.nonzero(bright))
        for row, col in places:
            lon, lat = grid.to_lonlat.transform(*grid.xy(row, col))
            want = page.evaluate(
                """([x, y]) => { const world = 256 * Math.pow(2, testMap.getZoom());
                const scale = world / (2 * Math.PI * 6378137);
                const corner = testMap.getPixelOrigin(), pane = testMap._getMapPanePos();
                return [world / 2 + x * scale - corner.x + pane.x,
                  world / 2 - y * scale - corner.y + pane.y]; }""",
                [float(v) for v in mercator_of(np.array(lon), np.array(lat))],
            )
            x, y = frame["x"] + want[0], frame["y"] + want[1]
            own = np.hypot(cols - x, rows - y) < 12
            assert own.sum() > 100
            assert abs(cols[own].mean() - x) <= 1.0
            assert abs(rows[own].mean() - y) <= 1.0


def answer(page, place):
    ask_at(page, *lat_lon(*place))
    return page.locator("#ask-answer").text_content()


def test_a_browser_without_decompression_shows_the_same(browser, page_file):
    places = [(540_110.0 + 37 * i, 4_820_120.0 + 31 * i) for i in range(12)]
    with opened(browser, page_file, **WIDE) as found:
        page = found.page
        page.wait_for_selector("html[data-ready]")
        want = [answer(page, place) for place in places]
        page.add_init_script("delete window.DecompressionStream")
        page.reload()
        page.wait_for_selector("html[data-ready]")
        assert page.evaluate("typeof DecompressionStream") == "undefined"
        assert [answer(page, place) for place in places] == want


VARIANTS = variants()


@pytest.mark.parametrize("name", VARIANTS)
def test_every_kind_of_result_makes_a_page_that_works(browser, tmp_path, name):
    result, protocol = VARIANTS[name]
    path = tmp_path / "map.html"
    path.write_text(map_page(result, protocol=protocol), encoding="utf-8")
    with opened(browser, path, **PHONE) as found:
        page = found.page
        page.wait_for_selector("html[data-ready]")
        assert page.locator("#spot-list > li").count() == len(result.spots)
        for tab in ("ask", "weights", "visits", "key", "guide", "spots"):
            page.click(f"#tab-{tab}")
        if result.spots:
            page.click("#row-1")
            assert page.locator("#card-1").is_visible()
            dot = page.locator(".dot-holder").first.bounding_box()
            assert 0 < dot["x"] < 390
            assert 0 < dot["y"] < 844
        middle = result.land.grid.window(60, 60, 1, 1)
        assert ask_at(page, *lat_lon(*middle.bounds[:2], result.land.grid.crs)) != ""
        move_weights(page, **{c["name"]: 0.0 for c in island_of(page)["criteria"]})
        page.wait_for_selector('html[data-painted="page"]')
        page.click("#tab-weights")
        page.click("#weights-reset")
        assert found.outside == []
        assert found.complaints == []


def test_longitudes_go_on_past_the_180th_meridian(browser, tmp_path):
    """The map is in one piece there: outline, spots and both pictures lie together."""
    result, protocol = VARIANTS["180th meridian"]
    path = tmp_path / "map.html"
    path.write_text(map_page(result, protocol=protocol), encoding="utf-8")
    with opened(browser, path, **WIDE) as found:
        found.page.wait_for_selector("html[data-ready]")
        west, east = found.page.evaluate(
            """() => { let box = null;
            testMap.eachLayer((layer) => {
              if (layer.options.className === "picture-ground") box = layer.getBounds(); });
            return [box.getWest(), box.getEast()]; }"""
        )
        spots = [spot["lon"] for spot in island_of(found.page)["spots"]]
        assert west < 180 < east or west < -180 < east
        assert east - west < 0.1
        assert all(west < lon < east for lon in spots)
