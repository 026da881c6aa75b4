"""Every look of every page: 320, 390 and 1400 px and 200 % zoom, by light, dark and forced colours.

What a screen has to do is done in each look, by touch on the telephones and by the keyboard alone
on the desk. What each point asks for more closely stands in the tests beside this file.
"""

from __future__ import annotations

import re
from dataclasses import replace

import pytest
from playwright.sync_api import expect

from siting.batch.output.letters import letters, templates
from siting.batch.output.overview import overview_page
from siting.decisions.proposal import Proposal
from siting.report.page.map import map_page
from siting.report.paper.sheet import field_sheet
from siting.report.shared.facts import spot_facts
from siting.settings.inputs import SurveyInput
from siting.settings.protocol import Protocol
from tests.batch_rows import invented_batch
from tests.browser.axe import axe_faults
from tests.browser.conftest import PHONE, WIDE, at_rest, opened, words_of
from tests.browser.test_map_drawn import DRAWN
from tests.map_result import map_result

pytestmark = pytest.mark.slow

SIZES = {
    "320": {**PHONE, "viewport": {"width": 320, "height": 640}},
    "390": PHONE,
    "1400": WIDE,
    # A window of 1400 by 900 pixels at 200 %.
    "zoomed": {"viewport": {"width": 700, "height": 450}, "device_scale_factor": 2},
}
LOOKS = {
    "light": {"color_scheme": "light"},
    "dark": {"color_scheme": "dark"},
    "forced": {"forced_colors": "active"},
}
every_size = pytest.mark.parametrize("size", SIZES.values(), ids=list(SIZES))
every_look = pytest.mark.parametrize("look", LOOKS.values(), ids=list(LOOKS))
# What is shown and reaches past the edge of the screen; maps scroll by themselves.
STICKS_OUT = """() => [...document.querySelectorAll("body *")].filter((e) => e.checkVisibility()
  && !e.closest(".leaflet-container, .unseen, svg, .scroll, .wide")
  && e.getBoundingClientRect().width > 0
  && e.getBoundingClientRect().right > document.documentElement.clientWidth + 1)
  .map((e) => e.outerHTML.slice(0, 90))"""
STEPS = """() => new Set([...document.querySelectorAll("#map-key-steps .step")].map((step) =>
  getComputedStyle(step).backgroundColor + [...step.children].map((one) =>
    getComputedStyle(one).backgroundColor).join())).size"""


@pytest.fixture(scope="module")
def files(tmp_path_factory):
    """A map page with a proposal and places drawn at random, a sheet, an overview and a letter."""
    folder = tmp_path_factory.mktemp("matrix")
    asked = Proposal("P01-AAAA", 3, "proposed", "animals are likely to cross the stream there")
    result = replace(map_result(), proposal=asked, random_places=DRAWN)
    batch = invented_batch(40)
    letter = next(
        text for name, text in letters(batch, templates(None)).items()
        if name.endswith(".html") and "We propose a camera" in text
    )  # fmt: skip
    texts = {
        "map": map_page(result, protocol=Protocol()),
        "sheet": field_sheet(result, spot_facts(result), protocol=Protocol(), survey=SurveyInput()),
        "overview": overview_page(batch, relief=None, protocol_name="Spring survey"),
        "letter": letter,
    }
    found = {name: folder / f"{name}.html" for name in texts}
    for name, path in found.items():
        path.write_text(texts[name], encoding="utf-8")
    return found


def go(page, selector: str, *, by_touch: bool) -> None:
    """Press something as this reader does: with a finger, or by the keyboard alone."""
    if by_touch:
        page.tap(selector)
    else:
        page.focus(selector)
        page.keyboard.press("Enter")
    at_rest(page)


def nothing_sticks_out(page) -> None:
    assert page.evaluate(STICKS_OUT) == []
    across = page.evaluate("document.documentElement.scrollWidth")
    assert across <= page.viewport_size["width"]


@every_look
@every_size
def test_the_map_page_serves_its_reader_in_every_look(browser, files, size, look):
    """The first words, a card, Ask, a report of a place ruled out, the ratios, a random place."""
    touch = bool(size.get("has_touch"))
    with opened(browser, files["map"], **size, **look) as found:
        page = found.page
        page.wait_for_selector("html[data-ready]")
        # Where first, and why: without a tap. The key is on the map and has all its colours.
        expect(page.locator("#first-words .line").first).to_be_in_viewport(ratio=1)
        assert "Face " in words_of(page.locator("#first-words"))
        assert page.locator("#map-key").is_visible()
        assert page.evaluate(STEPS) >= 12
        # No tool lies over another, whatever the size.
        names = page.locator(".name-zone:visible").all_inner_texts()
        assert len(names) <= max(6, len(set(names)) + 2)

        go(page, "#row-3", by_touch=touch)
        words = words_of(page.locator("#card-3"))
        assert re.search(r"on a compass \(.*true\)|° true", words)
        assert page.locator("#card-3 a.geo").get_attribute("href").startswith("geo:")
        assert page.locator("#card-3 details[open]").count() == 0
        nothing_sticks_out(page)

        page.select_option("#visit-3-state", "ruled out")
        page.select_option("#visit-3-reason", "people")
        go(page, "#visit-3-save", by_touch=touch)
        rows = page.locator("#spot-list > li")
        assert rows.last.get_attribute("id") == "item-3"
        assert "dashed" in page.eval_on_selector(
            "#row-3 .dot", "e => getComputedStyle(e).borderTopStyle"
        )
        assert "spot 3" not in words_of(page.locator("#first-words")).split(".")[0]

        if touch:
            page.locator("#map_siting").scroll_into_view_if_needed()
            box = page.locator("#map_siting").bounding_box()
            page.touchscreen.tap(box["x"] + 0.5 * box["width"], box["y"] + 0.62 * box["height"])
        else:
            page.focus("#map_siting")
            page.keyboard.press("ArrowUp")
            at_rest(page)
            page.keyboard.press("Enter")
        asked = page.locator("#ask-answer .answer-head, #card-1, #card-2, #drawn-list [open]")
        expect(asked.locator("visible=true").first).to_be_visible()

        for tab in ("weights", "visits", "key", "guide", "spots"):
            go(page, f"#tab-{tab}", by_touch=touch)
            nothing_sticks_out(page)
        go(page, "#drawn-1 > summary", by_touch=touch)
        page.select_option("#drawn-1-state", "camera up")
        nothing_sticks_out(page)
        assert (found.outside, found.complaints) == ([], [])


@pytest.mark.parametrize("size", ["320", "390", "zoomed"])
@pytest.mark.parametrize("look", ["light", "forced"])
def test_axe_finds_nothing_in_the_looks_that_no_other_test_shows(browser, files, size, look):
    for name, path in files.items():
        with opened(browser, path, **SIZES[size], **LOOKS[look]) as found:
            page = found.page
            states = [None]
            if name == "map":
                page.wait_for_selector("html[data-ready]")
                states += ["#row-3", "#tab-visits"]
            elif name == "overview":
                page.wait_for_selector("html[data-ready]")
                states += ["#tab-cells"]
            for state in states:
                if state is not None:
                    page.click(state)
                faults = axe_faults(page, colours_alone=look == "forced")
                assert faults == [], (name, state)


@every_look
@every_size
def test_sheet_overview_and_letter_fit_every_look(browser, files, size, look):
    touch = bool(size.get("has_touch"))
    with opened(browser, files["overview"], **size, **look) as found:
        page = found.page
        page.wait_for_selector("html[data-ready]")
        nothing_sticks_out(page)
        go(page, "#rows .pick >> nth=0", by_touch=touch)
        assert page.locator("#card-body h2").count() == 1
        go(page, "#tab-cells", by_touch=touch)
        assert words_of(page.locator("#cell-rows th").first)
        nothing_sticks_out(page)
        assert found.complaints == []
    for name in ("sheet", "letter"):
        with opened(browser, files[name], **size, **look) as found:
            nothing_sticks_out(found.page)
            said = words_of(found.page.locator("body"))
            assert "true" in said if name == "sheet" else "because" in said
            assert (found.outside, found.complaints) == ([], [])


def test_what_sticks_out_would_be_found(browser, files):
    with opened(browser, files["letter"], **PHONE) as found:
        found.page.evaluate("document.body.append(document.createElement('hr'))")
        found.page.evaluate("document.querySelector('hr').style.width = '500px'")
        with pytest.raises(AssertionError):
            nothing_sticks_out(found.page)
