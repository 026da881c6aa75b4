"""A coordinator's first hour at the desk: each hesitation that was seen stays cured."""

from __future__ import annotations

import json
from typing import Any

import pytest
from playwright.sync_api import expect

from tests.browser.axe import axe_faults
from tests.browser.conftest import desk_page
from tests.browser.desk_process import running_desk
from tests.browser.test_desk_hand import SAMPLE, asked, click, land, press
from tests.browser.test_desk_states import PLACES

pytestmark = pytest.mark.slow

ROWS = "Name\tLatitude\tLongitude\nOff the maps\t44.126\t-70.129\nOn the maps\t43.532\t-80.506\n"
IN_PANEL = """(one) => { const at = one.getBoundingClientRect();
  const panel = document.getElementById("panel").getBoundingClientRect();
  return at.top >= panel.top - 1 && at.bottom <= panel.bottom + 1; }"""
ON_MAP = """(place) => testMap.getBounds().contains(place)"""


@pytest.fixture(scope="module")
def desk(browser, tmp_path_factory):
    office = tmp_path_factory.mktemp("new") / "o"
    words = (SAMPLE / "inputs.toml", "-o", office)
    with running_desk(*words) as at, desk_page(browser, at) as page:
        yield page


def listed(page: Any) -> None:
    press(page, "Sign-ups")
    page.locator("#title", has_text="Sign-ups").wait_for()
    page.locator("#rows").wait_for(state="attached")


def test_a_table_is_in_sight_once_and_can_be_pasted_again(desk):
    listed(desk)
    desk.get_by_text("Paste a table").click()
    box = desk.get_by_label("The first row names the columns: name")
    box.fill(ROWS)
    press(desk, "Add all")
    expect(desk.locator("#said")).to_have_text("2 added.")
    expect(box).to_have_value("")
    # The office is empty no more.
    expect(desk.get_by_text("No sign-ups yet")).to_be_hidden()
    expect(desk.get_by_role("button", name="Score all that are ready")).to_be_visible()
    # Both, though one lies far beyond what the office's maps show.
    assert desk.evaluate(ON_MAP, [44.126, -70.129])
    assert desk.evaluate(ON_MAP, [43.532, -80.506])
    box.fill(ROWS)
    press(desk, "Add all")
    expect(desk.locator("#said")).to_have_text("0 added. 2 in the list already.")
    expect(desk.locator("#by-status")).to_contain_text("No outline yet (2)")


def test_the_first_look_has_every_sign_up_in_sight(desk):
    page = desk.context.new_page()
    page.goto(desk.url.split("#")[0])
    page.locator("#rows li").first.wait_for()
    assert page.evaluate(ON_MAP, [44.126, -70.129])
    assert page.evaluate(ON_MAP, [43.532, -80.506])
    page.close()


@pytest.mark.parametrize(("width", "height", "touch"), [(320, 700, True), (700, 450, False)])
def test_what_lies_on_a_small_map_does_not_lie_on_each_other(desk, browser, width, height, touch):
    """320 px, and a window of 1400 px at 200 %."""
    context = browser.new_context(
        storage_state=desk.context.storage_state(), has_touch=touch,
        viewport={"width": width, "height": height},
    )  # fmt: skip
    page = context.new_page()
    page.goto(desk.url.split("#")[0])
    page.locator("#rows li").first.wait_for()
    page.wait_for_timeout(500)
    boxes = page.locator(".leaflet-control").evaluate_all(
        "all => all.map((one) => one.getBoundingClientRect().toJSON())"
    )
    assert len(boxes) > 3
    for n, one in enumerate(boxes):
        for other in boxes[n + 1 :]:
            assert (
                one["right"] <= other["left"] or other["right"] <= one["left"]
                or one["bottom"] <= other["top"] or other["bottom"] <= one["top"]
            ), (one, other)  # fmt: skip
    context.close()


def test_a_sign_up_off_the_maps_says_so_and_is_put_right(desk):
    listed(desk)
    press(desk, "Off the maps")
    caution = desk.get_by_text("Your office's maps show nothing here")
    expect(caution).to_be_visible()
    desk.get_by_text("About this sign-up", exact=True).click()
    place = desk.get_by_label("Position: latitude, longitude")
    expect(place).to_have_value("44.126, -70.129")
    place.fill("43.5331, -80.5061")
    place.press("Tab")
    expect(desk.locator("#said")).to_have_text("Saved.")
    expect(caution).to_have_count(0)
    assert desk.evaluate(ON_MAP, [43.5331, -80.5061])
    assert not axe_faults(desk)


def test_the_list_comes_back_where_the_map_was_left(desk):
    listed(desk)
    desk.evaluate("testMap.setView([43.53, -80.5], 14, { animate: false })")
    press(desk, "On the maps")
    desk.locator(".layer").first.wait_for()
    desk.evaluate("testMap.setView([43.6, -80.6], 17, { animate: false })")
    listed(desk)
    assert desk.evaluate("testMap.getZoom()") == 14
    assert desk.evaluate(ON_MAP, [43.53, -80.5])


def test_none_here_says_what_it_takes_away(desk):
    uid = land(desk, "Emptied")
    layer = desk.locator(".layer", has_text="Feeding places")
    layer.get_by_role("button", name="Mark one").click()
    click(desk, 0.5, 0.5)
    expect(layer).to_contain_text("1 marked")
    layer.get_by_role("button", name="None here").click()
    said = desk.locator("#said")
    expect(said).to_contain_text(
        "Saved. Taken away: Feeding place 1. Undo brings it back.", timeout=20_000
    )
    press(desk, "Undo")
    expect(layer).to_contain_text("1 marked")
    expect(said).to_have_text("Saved.")
    assert {s["layer"] for s in asked(desk, "GET", f"/api/land/{uid}")["shapes"]} == {
        "parcel", "feeders",
    }  # fmt: skip


@pytest.mark.parametrize(
    ("layer", "begin", "corners"),
    [("Where the volunteer starts", "Mark the place", 1), ("Roads and drives", "Draw a road", 2)],
)
def test_what_was_just_drawn_is_in_sight(desk, layer, begin, corners):
    """The panel is short while one draws, and long again afterwards."""
    land(desk, f"Long {corners}")
    desk.get_by_role("button", name=begin).click()
    for n in range(corners):
        click(desk, 0.4 + 0.1 * n, 0.5)
    if corners > 1:
        press(desk, "Done")
    expect(desk.locator("#said")).to_contain_text("Saved.", timeout=20_000)
    part = desk.locator(".layer", has_text=layer)
    expect(part.get_by_label("Name or note")).to_be_visible()
    assert part.get_by_label("Name or note").evaluate(IN_PANEL)
    # What comes next stands below the last layer.
    below = desk.get_by_role("button", name="That is all: score it")
    expect(below).to_be_enabled()
    last = desk.locator(".layer").last.bounding_box()
    assert 0 <= below.bounding_box()["y"] - last["y"] - last["height"] < 60


def test_nothing_to_score_is_said(desk):
    uid = land(desk, "Only this", corners=None)
    listed(desk)
    desk.route("**/api/score", lambda route: route.fulfill(
        status=202, json={"now": "", "next": "", "waiting": 0, "asked": 0}))  # fmt: skip
    press(desk, "Score all that are ready")
    expect(desk.locator("#said")).to_contain_text("Nothing to score")
    desk.unroute("**/api/score")
    assert asked(desk, "GET", f"/api/signups?only={uid}")["rows"][0]["status"] == "No outline yet"


def test_outlines_are_chosen_without_dropping_them(desk, tmp_path):
    """A phone has nothing to drop, and a keyboard neither."""
    path = tmp_path / "land.geojson"
    ring = [[-80.507, 43.531], [-80.504, 43.531], [-80.504, 43.533], [-80.507, 43.531]]
    path.write_text(
        '{"type": "FeatureCollection", "features": [{"type": "Feature", "properties": {},'
        f' "geometry": {{"type": "Polygon", "coordinates": [{ring}]}}}}]}}'
    )
    listed(desk)
    desk.get_by_text("Add from files").click()
    desk.get_by_label("Outlines or sketches").set_input_files(str(path))
    expect(desk.locator("#title")).to_have_text("Came back", timeout=60_000)
    expect(desk.get_by_text("land.geojson").first).to_be_visible(timeout=60_000)


def test_a_sketch_says_what_is_new_in_the_words_of_the_land(desk):
    press(desk, "Came back")
    desk.locator("#back-files").wait_for(timeout=60_000)
    ring = [[-80.509, 43.530], [-80.503, 43.530], [-80.503, 43.534], [-80.509, 43.530]]
    shape = {"type": "Feature", "properties": {"layer": "parcel"},
             "geometry": {"type": "Polygon", "coordinates": [ring]}}  # fmt: skip
    # fmt: off
    content = {"type": "FeatureCollection", "format": "siting sketch 1", "for": "On the maps",
               "said_by": "the owner", "answers": {"livestock": "none"}, "features": [shape]}
    # fmt: on
    file = {"name": "sketch.json", "mimeType": "application/json"}
    desk.set_input_files("#back-files", [{**file, "buffer": json.dumps(content).encode()}])
    card = desk.locator("#waiting > li", has_text="sketch.json")
    expect(card).to_contain_text(
        "Outline of the land: drawn in the sketch, not drawn yet here", timeout=60_000
    )
    expect(card).to_contain_text("Livestock: none in the sketch, not asked here")


def test_what_lies_on_the_map_is_as_dark_as_the_page(desk):
    desk.emulate_media(color_scheme="dark")
    listed(desk)
    look = "(one) => window.getComputedStyle(one).backgroundColor"
    sheet = desk.locator("#by-status").evaluate(look)
    for part in (".leaflet-control-layers", ".leaflet-control-scale-line"):
        assert desk.locator(part).first.evaluate(look) == sheet
    desk.emulate_media(color_scheme="light")


def test_a_sketch_page_bears_the_name_of_its_land(desk):
    land(desk, "Mill Lane")
    with desk.expect_download(timeout=60_000) as download:
        press(desk, "Sketch page for the volunteer")
    assert download.value.suggested_filename == "sketch-Mill Lane.html"
    expect(desk.locator("#said")).to_contain_text("sketch-Mill Lane.html is with your downloads.")


def test_a_place_tapped_on_the_map_is_found_in_the_list(desk):
    uid = land(desk, "Many places")
    spots = [
        {**PLACES["spots"][0], "rank": n, "spot_id": f"L-{n}", "lon": -80.510 + n / 1000}
        for n in range(1, 11)
    ]
    shown = {**PLACES, "spots": spots, "decision": None, "camera": None, "is_old": False}
    desk.route(f"**/api/places/{uid}", lambda route: route.fulfill(json=shown))
    desk.evaluate("uid => { window.location.hash = `places/${uid}`; }", uid)
    desk.locator(".places > li").first.wait_for()
    # Which number is a rank and which a rate: "1" alone would be read as spot 1.
    expect(desk.get_by_text("“2 times” means about twice as many pictures")).to_be_visible()
    desk.locator(".place-mark", has_text="8").click()
    card = desk.locator("#spot-8")
    expect(card).to_have_class("is-lit")
    assert card.locator("h3").evaluate(IN_PANEL)
    # A form that opens below the edge comes into view.
    card.get_by_text("Rule spot 8 out").click()
    desk.wait_for_timeout(200)
    assert card.get_by_role("button", name="Rule it out").evaluate(IN_PANEL)
    desk.unroute(f"**/api/places/{uid}")


def test_a_new_list_does_not_say_the_old_status(desk):
    land(desk, "Fresh")
    seen = """() => { window.statuses = [];
      const note = () => { const at = document.getElementById("status");
        if (at && document.getElementById("title").textContent.startsWith("Places"))
          window.statuses.push(at.textContent); };
      new MutationObserver(note).observe(document.body, { childList: true, subtree: true }); }"""
    desk.evaluate(seen)
    press(desk, "Score this land")
    expect(desk.locator("#title")).to_have_text("Places of Fresh", timeout=180_000)
    expect(desk.locator("#said")).to_have_text("The files are ready.", timeout=180_000)
    expect(desk.locator("#status")).to_have_text("Scored")
    statuses = desk.evaluate("statuses")
    assert "Ready to score" not in statuses
    assert statuses[0] == "Files being written"
