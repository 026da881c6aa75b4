"""What the survey asks for or knows already: said first, marked, and followed through."""

from __future__ import annotations

from dataclasses import replace

import pytest
from playwright.sync_api import expect

from siting.decisions.proposal import Proposal
from siting.report.page.map import map_page
from siting.settings.protocol import Protocol
from tests.browser.axe import axe_faults
from tests.browser.conftest import PHONE, WIDE, at_rest, lat_lon, opened, words_of
from tests.browser.reports import open_card, report
from tests.map_result import map_result

pytestmark = pytest.mark.slow

SMALL_PHONE = {**PHONE, "viewport": {"width": 320, "height": 640}}
OFF = lat_lon(540250.0, 4820180.0)
SPOT = map_result().spots[1]
WHY = "animals are likely to cross the stream there"
PROPOSALS = {
    "proposed": Proposal("P01-AAAA", 3, "proposed", WHY),
    "proposed off the list": Proposal("P01-M2XD", None, "proposed", WHY, lat=OFF[0], lon=OFF[1]),
    "chosen": Proposal("P01-AAAA", 2, "chosen", lat=SPOT.lat, lon=SPOT.lon),
    "camera up": Proposal("P01-AAAA", 2, "camera up", lat=SPOT.lat, lon=SPOT.lon),
    "camera off the list": Proposal("P01-M2XD", None, "camera up", lat=OFF[0], lon=OFF[1]),
}


@pytest.fixture(scope="module")
def pages(tmp_path_factory):
    """A page for each proposal, and one of a parcel without a spot."""
    folder, result = tmp_path_factory.mktemp("proposals"), map_result()
    made = {name: replace(result, proposal=asked) for name, asked in PROPOSALS.items()}
    made["no spot"] = replace(result, spots=())
    files = {name: folder / f"{name}.html" for name in made}
    for name, path in files.items():
        path.write_text(map_page(made[name], protocol=Protocol()), encoding="utf-8")
    return files


@pytest.fixture
def page_of(browser, pages):
    """Opens the page of a proposal on a telephone and waits until it is ready."""
    open_now = []

    def page(name, **size):
        tab = opened(browser, pages[name], **(size or PHONE))
        open_now.append(tab)
        found = tab.__enter__()
        found.page.wait_for_selector("html[data-ready]")
        return found.page

    yield page
    for tab in open_now:
        tab.__exit__(None, None, None)


def order(page):
    return page.locator("#spot-list > li").evaluate_all("all => all.map((one) => one.id)")


def test_the_proposed_spot_is_first_in_the_list_and_marked_on_the_map(page_of):
    page = page_of("proposed")
    assert order(page) == ["item-3", "item-1", "item-2", "item-4"]
    assert page.locator("#asked-3").inner_text() == "Proposed by the survey"
    assert page.locator('.dot-holder[aria-label^="Spot 3,"] .badge').inner_text() == "→"
    # Nothing beside it says to choose another way.
    assert not page.locator("#alike-words").is_visible()
    assert page.locator("#sure-words").is_visible()


def test_the_spot_with_the_camera_is_first_and_its_form_is_at_hand(page_of):
    page = page_of("camera up")
    assert order(page) == ["item-2", "item-1", "item-3", "item-4"]
    assert not page.locator("#alike-words").is_visible()
    open_card(page, 2)
    assert page.locator("#visit-2-state").is_visible()
    assert page.locator("#card-2").get_by_role("button", name="Report a visit").count() == 0


def test_who_rules_the_proposed_spot_out_is_told_where_to_go_on(page_of):
    page = page_of("proposed")
    open_card(page, 3)
    report(page, "visit-3", "ruled out", reason="people")
    said = "Kept on this device. Go to spot 1 next. Send it"
    assert words_of(page.locator("#visit-3-said")) == said
    assert words_of(page.locator("#first-words")).startswith("Go to spot 1 next.")
    assert order(page) == ["item-1", "item-2", "item-4", "item-3"]
    assert "Proposed" not in page.locator("#spot-list").inner_text()
    assert page.locator("#alike-words").is_visible()


def test_all_four_answers_stand_on_the_first_screen_of_a_phone(page_of):
    """Where and why, which way, what if it is no good, how to report: nothing is scrolled."""
    page = page_of("proposed")
    for part in page.locator("#first-words .line").all():
        expect(part).to_be_in_viewport(ratio=1)
    expect(page.locator("#first-next")).to_be_in_viewport(ratio=1)
    first, then = words_of(page.locator("#first-words")), words_of(page.locator("#first-next"))
    assert first.startswith(f"The survey proposes spot 3 for you, because {WHY}. ")
    assert "Face " in first
    assert "No good when you get there?" in then
    assert "Tap the spot in the list, then “Report a visit”" in then
    assert "Send your reports under Visits." in then
    # The words come first; the map begins under them and is still on the screen.
    words, ground = (page.locator(name).bounding_box() for name in ("#answer", "#map-frame"))
    assert words["y"] + words["height"] <= ground["y"] + 1
    assert ground["y"] + 150 < page.viewport_size["height"]


def test_a_proposed_place_off_the_list_is_said_and_reported_under_visits(page_of):
    page = page_of("proposed off the list")
    first = words_of(page.locator("#first-words"))
    assert first.startswith(f"The survey proposes {OFF[0]:.5f}, {OFF[1]:.5f} (latitude, longitude)")
    assert f"because {WHY}" in first
    assert "under Visits" in words_of(page.locator("#first-next"))
    assert page.locator(".sign-own").count() == 1
    page.click("#tab-visits")
    page.click("#visits-own summary")
    report(page, "own-1", "ruled out", reason="no tree")
    page.click("#tab-spots")
    assert words_of(page.locator("#first-words")).startswith("Go to spot 1 ")


def test_without_scripts_too_the_page_says_what_is_asked_for(browser, pages):
    with opened(browser, pages["proposed"], java_script_enabled=False, **PHONE) as found:
        words = words_of(found.page.locator(".without-scripts"))
        assert f"The survey proposes spot 3 for you, because {WHY}." in words


def test_large_letters_of_the_head_do_not_overlap(page_of):
    page = page_of("proposed")
    page.evaluate("document.documentElement.style.fontSize = '200%'")
    for name in ("h1", ".head p"):
        sizes = page.locator(name).first.evaluate(
            "e => [getComputedStyle(e).lineHeight, getComputedStyle(e).fontSize].map(parseFloat)"
        )
        assert sizes[0] >= 1.15 * sizes[1], name


STATES = (
    "spots",
    "card",
    "fault",
    "checked",
    "moved",
    "taken down",
    "visits",
    "own",
    "ask",
    "weights",
)


def show(page, state):
    """Bring the page into a state, from the one before it; False where this page has no such."""
    row, own = page.locator(".spot-row").first, page.locator("#visits-own summary").first
    if state in ("card", "fault", "checked", "moved", "taken down"):
        if not row.count():
            return False
        n = row.get_attribute("id").removeprefix("row-")
        open_card(page, int(n))
        if state == "fault":
            report(page, f"visit-{n}", "ruled out")
        elif state != "card":
            page.select_option(f"#visit-{n}-state", state)
    elif state == "own":
        if not own.count():
            return False
        own.click()
        page.select_option("#own-1-state", "camera up")
    elif state == "ask":
        page.evaluate("testMap.fire('click', { latlng: testMap.getCenter() })")
    elif state == "weights":
        page.click("#tab-weights")
        page.locator("#weight-sliders input").first.focus()
        page.keyboard.press("End")
    else:
        page.click(f"#tab-{state}")
    return True


@pytest.mark.parametrize("name", [*PROPOSALS, "no spot"])
@pytest.mark.parametrize(
    ("scheme", "size"), [("light", PHONE), ("dark", WIDE)], ids=["light 390", "dark 1400"]
)
def test_axe_finds_nothing_whatever_was_decided(page_of, name, scheme, size):
    page = page_of(name, color_scheme=scheme, **size)
    for state in STATES:
        if not show(page, state):
            continue
        assert axe_faults(page) == [], state
        across = page.evaluate("document.documentElement.scrollWidth")
        assert across <= size["viewport"]["width"], state


HIDDEN = """() => [...document.querySelectorAll(".dot-holder")].filter((one) => {
  const box = one.getBoundingClientRect();
  const seen = document.elementFromPoint(box.x + box.width / 2, box.y + box.height / 2);
  return !seen || !one.contains(seen); }).map((one) => one.getAttribute("aria-label"))"""


@pytest.mark.parametrize("size", [WIDE, PHONE, SMALL_PHONE], ids=["1400", "390", "320"])
def test_no_tool_of_the_map_lies_over_a_spot(browser, tmp_path, size):
    """A spot in each corner of the parcel, also where buttons, key and scale lie on the map."""
    result = map_result()
    west, south, east, north = result.land.parcel_shape.bounds
    corners = [(west, north), (east, north), (west, south), (east, south)]
    places = [lat_lon(x, y) for x, y in corners]
    spots = tuple(
        replace(spot, lat=place[0], lon=place[1])
        for spot, place in zip(result.spots, places, strict=True)
    )
    path = tmp_path / "map.html"
    path.write_text(map_page(replace(result, spots=spots), protocol=Protocol()), encoding="utf-8")
    with opened(browser, path, **size) as found:
        found.page.wait_for_selector("html[data-ready]")
        # The words come first: on a small telephone the map begins below the screen.
        found.page.locator("#map-key").scroll_into_view_if_needed()
        at_rest(found.page)
        assert found.page.evaluate(HIDDEN) == []


def test_a_leaf_opens_at_its_head_and_keeps_its_place(page_of):
    page = page_of("proposed")

    def top(name):
        head = page.locator(".tabs").bounding_box()
        return page.locator(f"#{name}").bounding_box()["y"] - head["y"] - head["height"]

    open_card(page, 3)
    page.locator("#card-3").get_by_role("button", name="Report a visit").click()
    read_to = top("spots")
    assert read_to < -300
    # As a finger does it: Playwright's own click would scroll a little before it.
    page.evaluate("document.getElementById('tab-guide').click()")
    assert abs(top("guide")) <= 1
    page.evaluate("document.getElementById('tab-spots').click()")
    assert abs(top("spots") - read_to) <= 1
    page.evaluate("testMap.fire('click', { latlng: testMap.getCenter() })")
    assert abs(top("ask")) <= 1
