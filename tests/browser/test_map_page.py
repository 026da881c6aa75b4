"""The map page in a browser: offline, in step, by finger, mouse and keys."""

from __future__ import annotations

import math
import re
from dataclasses import replace

import pytest
from playwright.sync_api import expect

from siting.report.files import gpx
from siting.report.page.map import map_page
from siting.report.paper.sheet import field_sheet
from siting.report.shared.facts import spot_facts
from siting.settings.inputs import SurveyInput
from siting.settings.protocol import Protocol
from siting.words.cautions import all_cautions
from siting.words.spot.card import minutes_words
from tests.browser.conftest import PHONE, WIDE, at_rest, opened
from tests.map_result import map_result

pytestmark = pytest.mark.slow


def test_opens_offline_and_asks_for_nothing(tab):
    assert tab.page.locator("#spot-list .spot-row").count() == 4
    assert tab.page.locator(".dot-holder").count() == 4
    assert tab.page.locator("#parcel-name").text_content() == "Hollow farm"
    assert len(tab.requests) >= 1


@pytest.mark.parametrize("size", [(1400, 900), (844, 390), (390, 844), (320, 640), (320, 256)])
def test_no_sideways_scroll(browser, page_file, size):
    """Down to 320 pixels, which is also a wide screen at 400 % (WCAG 2.2, 1.4.10)."""
    with opened(browser, page_file, viewport={"width": size[0], "height": size[1]}) as found:
        found.page.wait_for_selector("html[data-ready]")
        found.page.click("#row-1")
        for name in ("spots", "ask", "weights", "visits", "key", "guide"):
            found.page.click(f"#tab-{name}")
            wide, cut = found.page.evaluate(
                """[document.documentElement.scrollWidth - document.documentElement.clientWidth,
                [...document.querySelectorAll("[role=tab], .head button")]
                .filter((e) => e.scrollWidth > e.clientWidth + 1).map((e) => e.id)]"""
            )
            assert wide <= 0
            assert cut == []


def test_without_scripts_the_spots_are_told_in_words(browser, page_file):
    with opened(browser, page_file, java_script_enabled=False, **PHONE) as found:
        words = found.page.locator("body").inner_text()
        assert "The spots in words" in words
        assert words.count("(latitude, longitude)") >= 4
        assert "° true" in words
        assert not found.page.locator("#map_siting").is_visible()


def test_the_policy_forbids_what_is_not_named(browser, page_file):
    """A script or style put in afterwards does not run, and nothing may be fetched."""
    with opened(browser, page_file, **WIDE) as found:
        done = found.page.evaluate(INTRUDER)
        assert any("Content Security Policy" in text for text in found.complaints)
    assert done[0] is True
    assert done[1] != "rgb(255, 0, 0)"
    assert done[2] == "no"


INTRUDER = """async () => {
        const script = document.createElement("script");
        script.textContent = "window.broken = 1";
        document.body.append(script);
        document.body.insertAdjacentHTML("beforeend", "<p id='p' style='color:red'>x</p>");
        let fetched = "no";
        try { await fetch("https://example.org/"); fetched = "yes"; } catch (e) { fetched = "no"; }
        return [window.broken === undefined, getComputedStyle(document.getElementById("p")).color,
          fetched]; }"""


def chosen(page):
    row = page.locator('.spot-row[aria-current="true"]')
    return [page.locator(".dot-holder .dot.chosen").text_content(), row.get_attribute("id")]


def test_list_chooses_on_the_map(tab):
    tab.page.click("#row-3")
    assert chosen(tab.page) == ["3", "row-3"]
    assert tab.page.locator("#card-3").is_visible()
    assert tab.page.locator("#row-3").get_attribute("aria-expanded") == "true"
    assert tab.page.locator(".search-circle").count() >= 1
    tab.page.click("#row-3")
    assert not tab.page.locator("#card-3").is_visible()


def test_map_chooses_in_the_list(tab):
    tab.page.click("#tab-guide")
    tab.page.locator('.dot-holder[aria-label^="Spot 2,"]').click()
    assert chosen(tab.page) == ["2", "row-2"]
    assert tab.page.locator("#card-2").is_visible()
    assert tab.page.locator("#guide").is_hidden()
    in_sight_below_the_map(tab.page, "#row-2")


def in_sight_below_the_map(page, row):
    """Once the page is at rest, and not under the map that stays at its head on a phone."""
    at_rest(page)
    box, shown = page.locator(row).bounding_box(), page.viewport_size
    covered = page.locator(".tabs").bounding_box()
    assert covered["y"] + covered["height"] - 1 <= box["y"] < shown["height"] - 30


@pytest.mark.parametrize("size", [WIDE, PHONE], ids=["1400", "390"])
def test_with_motion_too_the_chosen_spot_comes_into_sight(browser, page_file, size):
    """A scroll that takes its time ends where the one without motion does."""
    with opened(browser, page_file, reduced_motion="no-preference", **size) as found:
        found.page.wait_for_selector("html[data-ready]")
        found.page.click("#tab-guide")
        found.page.locator('.dot-holder[aria-label^="Spot 2,"]').click()
        in_sight_below_the_map(found.page, "#row-2")


def test_touch_opens_a_card(browser, page_file):
    with opened(browser, page_file, **PHONE) as found:
        found.page.wait_for_selector("html[data-ready]")
        found.page.locator('.dot-holder[aria-label^="Spot 4,"]').tap()
        expect(found.page.locator("#card-4")).to_be_visible()
        found.page.locator("#tab-ask").tap()
        expect(found.page.locator("#ask")).to_be_visible()


def test_the_card_answers_the_four_questions(wide):
    wide.click("#row-1")
    words = wide.locator("#card-1").evaluate("card => card.textContent")
    for part in (
        "Go",
        "Position",
        "Look",
        "Face",
        "Hang",
        "Clear",
        "Take care",
        "Why here",
        "Parts of the",
    ):
        assert part in words
    assert "UTM 17 north" in words
    assert "accurate to about 15 m (49 ft)" in words
    assert "on a compass" in words
    assert "about 6 minutes there" in words
    assert spot_facts(map_result())[0].stability_words in words
    assert wide.locator("#card-1 .petal").count() == 24
    assert "Good:" in wide.locator("#card-1 .rose").get_attribute("aria-label")
    assert wide.locator(".wedge").count() >= 2  # on the map and in the key
    assert wide.locator(".folium-map .walk").count() == 1


def test_card_sheet_and_gpx_tell_the_same_minutes(wide):
    result = map_result()
    facts = spot_facts(result)
    sheet = field_sheet(result, facts, protocol=Protocol(), survey=SurveyInput())
    points = gpx.gpx(result, facts)
    for fact in facts:
        there, back = math.ceil(fact.walk.minutes_there), math.ceil(fact.walk.minutes_back)
        said = minutes_words(there, back)
        wide.click(f"#row-{fact.spot.rank}")
        words = wide.locator(f"#card-{fact.spot.rank}").inner_text()
        assert said in words
        assert said in " ".join(sheet.split())
        assert f"Walk: {said}." in points
    # At least one walk would be told shorter were its minutes rounded to the nearest.
    assert any(0 < fact.walk.minutes_there % 1 < 0.5 for fact in facts)


def test_a_spots_own_cautions_stay_on_its_card(browser, tmp_path):
    """Even one that all spots share: only what holds on the whole land is folded."""
    result = map_result()
    own = {c.topic: c.text for c in all_cautions()}
    told = (own["hunting"], own["crossing_water"])
    spots = tuple(replace(spot, cautions=told) for spot in result.spots)
    path = tmp_path / "map.html"
    path.write_text(map_page(replace(result, spots=spots), protocol=Protocol()), encoding="utf-8")
    with opened(browser, path, **WIDE) as found:
        found.page.wait_for_selector("html[data-ready]")
        found.page.click("#row-1")
        card = found.page.locator("#card-1")
        assert own["crossing_water"] in card.locator("dl.facts").inner_text()
        assert own["hunting"] not in card.locator("dl.facts").inner_text()
        assert own["hunting"] in card.locator("details.fold-cautions").text_content()


def test_all_by_keys(wide):
    """From the top of the page to a chosen spot, an asked place, a weight and a mark, no mouse."""
    press = wide.keyboard.press
    press("Tab")
    assert wide.evaluate("document.activeElement.className") == "skip"
    wide.locator("#row-1").focus()
    press("ArrowDown")
    press("ArrowDown")
    assert chosen(wide) == ["3", "row-3"]
    press("Enter")
    assert wide.locator("#card-3").is_visible()
    press("Home")
    assert chosen(wide) == ["1", "row-1"]

    wide.locator("#tab-spots").focus()
    press("ArrowRight")
    assert wide.locator("#ask").is_visible()

    wide.locator("#map_siting").focus()
    press("ArrowRight")
    assert wide.locator(".cross").is_visible()
    at_rest(wide)
    press("Enter")
    spoken = wide.locator("#ask-spoken").text_content()
    assert re.match(r"Index \d+\.\d here ", spoken) or "No camera here" in spoken

    wide.locator("#measure-switch").focus()
    press("Enter")
    wide.locator("#map_siting").focus()
    press("Enter")
    press("ArrowDown")
    at_rest(wide)
    press("Enter")
    assert "Distance:" in wide.locator("#measure-words").text_content()
    press("Backspace")
    assert "next point" in wide.locator("#measure-words").text_content()
    press("Escape")
    assert wide.locator("#measure-box").is_hidden()

    wide.locator("#tab-weights").focus()
    press("Enter")
    wide.locator("#weight-water").focus()
    press("End")
    # Twice the weight, which is the logarithm of the ratio: the ratio squared.
    squared = Protocol().attractors.water.ratio ** 2
    assert wide.locator("#out-water").text_content() == f"× {squared:.2f} · 200\u00a0%"

    wide.locator("#tab-spots").focus()
    press("Enter")
    wide.locator("#row-1").focus()
    press("Enter")
    wide.locator("#visit-1-state").focus()
    press("ArrowDown")
    assert wide.locator("#visit-1-at").is_visible()
    wide.locator("#visit-1-save").focus()
    press("Enter")
    assert "Kept on this device" in wide.locator("#visit-1-said").inner_text()


def test_tab_order_reaches_everything_in_a_sensible_order(wide):
    seen = []
    for _ in range(40):
        wide.keyboard.press("Tab")
        seen.append(wide.evaluate("document.activeElement.id || document.activeElement.className"))
    wanted = ["skip", "theme-switch", "print-button", "map_siting", "cross-switch",
              "measure-switch", "tab-spots", "row-1", "row-2"]  # fmt: skip
    places = [seen.index(name) for name in wanted]
    assert places == sorted(places)
