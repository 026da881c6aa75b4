"""Screens of every kind: zoom, large letters, forced colours, paper, and colours that are true."""

from __future__ import annotations

import io
import re
from dataclasses import replace

import numpy as np
import pytest

from siting.report.page.map import map_page
from siting.report.shared.overlays import score_classes
from siting.settings.protocol import Protocol
from tests.browser.conftest import PHONE, WIDE, at_place, on_paper, opened, painted
from tests.browser.reports import open_card
from tests.map_result import map_result

pytestmark = pytest.mark.slow

LETTERS = "document.documentElement.style.fontSize = '200%'"


def ready(found):
    found.page.wait_for_selector("html[data-ready]")
    return found.page


def picture_of(page, **options):
    from PIL import Image

    return np.asarray(Image.open(io.BytesIO(page.screenshot(**options))).convert("RGB"))


def test_at_200_percent_the_map_keeps_its_room(browser, page_file):
    """A window of 1400 by 700 pixels at 200 %: 700 by 350 of the page's own."""
    small = {"viewport": {"width": 700, "height": 350}, "device_scale_factor": 2}
    with opened(browser, page_file, **small) as found:
        page = ready(found)
        box = page.locator("#map_siting").bounding_box()
        assert box["width"] * box["height"] >= 0.4 * 700 * 350
        assert box["width"] >= 380
        open_card(page, 1)
        assert page.evaluate("document.documentElement.scrollWidth") <= 700


@pytest.mark.parametrize("size", [WIDE, PHONE], ids=["1400", "390"])
def test_letters_twice_as_large_cut_nothing(browser, page_file, size):
    """WCAG 2.2, 1.4.4: text alone at 200 %."""
    with opened(browser, page_file, **size) as found:
        page = ready(found)
        page.evaluate(LETTERS)
        for tab in ("ask", "weights", "visits", "key", "guide", "spots"):
            page.click(f"#tab-{tab}")
            wide = page.evaluate("document.documentElement.scrollWidth")
            assert wide <= size["viewport"]["width"], tab
        open_card(page, 1)
        page.select_option("#visit-1-state", "camera up")
        cut = page.evaluate(
            """[...document.querySelectorAll("button, dt, dd, label, .spot-title")]
            .filter((e) => e.checkVisibility() && e.clientWidth)
            .filter((e) => e.scrollWidth > e.clientWidth + 1)
            .map((e) => [e.id || e.className, e.textContent.slice(0, 40)])"""
        )
        assert cut == []


def test_in_forced_colours_the_key_and_the_tips_keep_their_look(browser, page_file):
    with opened(browser, page_file, forced_colors="active", **WIDE) as found:
        page = ready(found)
        page.click("#tab-key")
        box = page.locator("#key-steps").bounding_box()
        seen = picture_of(page, clip=box).reshape(-1, 3)
        assert len(np.unique(seen, axis=0)) >= 15
        tip = page.evaluate(
            """() => { const style = getComputedStyle(
              document.querySelector(".folium-map .pointer"), "::before");
            return [style.clipPath, style.borderTopWidth, style.backgroundColor]; }"""
        )
        assert tip[0].startswith("polygon")
        assert tip[1] == "0px"
        assert tip[2] not in ("rgba(0, 0, 0, 0)", "transparent")
        assert found.complaints == []


def lab(rgb):
    """CIE L*a*b* of sRGB, D65 (IEC 61966-2-1 and CIE 15)."""
    value = np.asarray(rgb, dtype=float) / 255
    linear = np.where(value > 0.04045, ((value + 0.055) / 1.055) ** 2.4, value / 12.92)
    matrix = np.array(
        [[0.4124, 0.3576, 0.1805], [0.2126, 0.7152, 0.0722], [0.0193, 0.1192, 0.9505]]
    )
    xyz = linear @ matrix.T / np.array([0.95047, 1.0, 1.08883])
    f = np.where(xyz > 0.008856, np.cbrt(xyz), 7.787 * xyz + 16 / 116)
    return np.stack(
        [116 * f[..., 1] - 16, 500 * (f[..., 0] - f[..., 1]), 200 * (f[..., 1] - f[..., 2])], -1
    )


@pytest.mark.parametrize("theme", ["light", "dark"])
def test_the_key_shows_the_colours_of_the_map(browser, page_file, theme):
    """Ground of the same points looks in the map as in the key: delta E (CIE 1976) within 5."""
    result = map_result()
    grid, classes = result.land.grid, score_classes(result.scores.total)
    rng = np.random.default_rng(3)
    allowed = np.argwhere((result.no_go == 0) & np.isfinite(result.scores.total))
    with opened(browser, page_file, color_scheme=theme, **WIDE) as found:
        page = ready(found)
        page.click("#tab-key")
        box = page.locator("#key-steps").bounding_box()
        for name in ("contours", "layer-", "zone"):
            page.evaluate(
                "(name) => document.querySelectorAll(`.folium-map [class*=${name}], .dot-holder, "
                ".name-holder`).forEach((e) => { e.style.display = 'none'; })",
                name,
            )
        painted(page)
        seen = picture_of(page)
        steps = []
        for k in range(20):
            x = round(box["x"] + 1 + (k + 0.5) * (box["width"] - 2) / 20)
            steps.append(seen[round(box["y"] + box["height"] / 2), x])
        far = []
        for row, col in allowed[rng.choice(len(allowed), 150, replace=False)]:
            x, y = at_place(page, *(float(v) for v in grid.xy(row, col)))
            step = int(classes[row, col]) - 1
            if 380 < x < 900 and 150 < y < 830:
                far.append(np.linalg.norm(lab(seen[round(y), round(x)]) - lab(steps[step])))
        assert len(far) > 60
        assert np.median(far) < 5


def test_the_key_on_the_map_is_the_key_beside_it(wide):
    colours = "all => all.map((one) => one.style.backgroundColor)"
    on_map = wide.locator("#map-key .glaze").evaluate_all(colours)
    assert on_map == wide.locator("#key-steps .glaze").evaluate_all(colours)
    assert len(set(on_map)) == 20
    assert wide.locator("#map-key").is_visible()


def test_a_closed_kind_is_named_once_where_its_areas_lie_close(wide):
    painted(wide)
    names = wide.locator(".folium-map .name-zone:not(.hidden)").all_text_contents()
    assert names
    assert len(set(names)) == len(names)


def pages(pdf):
    return len(re.findall(rb"/Type\s*/Page\b(?!s)", pdf))


@pytest.mark.parametrize("paper", ["A4", "Letter"])
def test_on_paper_the_key_stands_under_the_map_on_the_first_page(wide, paper):
    height_mm = {"A4": 297, "Letter": 279.4}[paper]
    wide.set_viewport_size({"width": 688, "height": 1000})  # the width of the paper's inside
    on_paper(wide)
    top = wide.locator(".head").bounding_box()["y"]
    box = wide.locator("#key").bounding_box()
    used_mm = (box["y"] + box["height"] - top) / 96 * 25.4
    assert 0.75 * (height_mm - 28) <= used_mm <= height_mm - 28
    assert wide.locator("#key-zones").is_visible()
    assert not wide.locator("#print-button").is_visible()
    assert not wide.locator("#map-key").is_visible()
    assert pages(wide.pdf(format=paper)) >= 2


def test_a_card_is_short_until_it_is_unfolded(browser, page_file):
    with opened(browser, page_file, **PHONE) as found:
        page = ready(found)
        open_card(page, 1)
        assert len(page.locator("#card-1").inner_text().split()) <= 260
        geo = page.locator("#card-1 a.geo")
        spot = map_result().spots[0]
        assert geo.get_attribute("href") == f"geo:{spot.lat:.5f},{spot.lon:.5f}"


def test_the_position_can_be_copied(wide):
    wide.context.grant_permissions(["clipboard-read", "clipboard-write"])
    open_card(wide, 1)
    wide.locator("#card-1 dd button").click()
    wide.locator("#card-1", has_text="Copied.").wait_for()
    spot = map_result().spots[0]
    text = wide.evaluate("navigator.clipboard.readText()")
    assert text == f"{spot.lat:.5f}, {spot.lon:.5f}"


def test_every_bearing_says_whether_it_is_true_or_by_compass(browser, tmp_path):
    path = tmp_path / "map.html"
    path.write_text(map_page(map_result(), protocol=Protocol()), encoding="utf-8")
    with opened(browser, path, **WIDE) as found:
        page = ready(found)
        open_card(page, 1)
        words = page.locator("#card-1 dl.facts").inner_text()
        for match in re.finditer(r"\d+°( on a compass| true)?", words):
            assert match[1], match[0]
        assert "true north" in page.locator("#card-1 .rose").get_attribute("aria-label")


def test_a_single_good_heading_is_no_range(browser, tmp_path):
    result = map_result()
    scores = np.full(72, 0.1)
    scores[35] = 0.95
    spot = replace(result.spots[0], aim=replace(result.spots[0].aim, scores=scores))
    path = tmp_path / "map.html"
    changed = replace(result, spots=(spot, *result.spots[1:]))
    path.write_text(map_page(changed, protocol=Protocol()), encoding="utf-8")
    with opened(browser, path, **WIDE) as found:
        page = ready(found)
        open_card(page, 1)
        words = page.locator("#card-1 .rose").get_attribute("aria-label")
        assert words.startswith("Good: 175°. Bad: 180° to 170°.")


def test_the_bullet_of_a_warning_stands_beside_its_coloured_bar(browser, page_file):
    """The bar is 5 pixels wide and a bullet hangs about one letter before its line."""
    with opened(browser, page_file, **PHONE) as found:
        page = ready(found)
        room = page.locator("ul.warned").evaluate(
            "e => parseFloat(getComputedStyle(e).paddingLeft)"
            " / parseFloat(getComputedStyle(e).fontSize)"
        )
        assert room >= 1.5
