"""The desk in the states between: faults, work going on, tools open; each is clean in each look.

The main views stand in test_desk.py; data that are gathered in test_desk_data.py; the sketch page
in test_sketch_page.py.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import pytest
from playwright.sync_api import expect

from tests.browser.axe import axe_faults
from tests.browser.conftest import SHOW_MAP, WIDE
from tests.browser.desk_process import running_desk
from tests.browser.test_desk_hand import SAMPLE, asked, land, press, to

pytestmark = pytest.mark.slow

LOOKS = [
    (320, {"color_scheme": "light"}),
    (700, {"color_scheme": "dark"}),  # 1400 px at 200 %
    (1400, {"forced_colors": "active"}),
]
SPOTS = [
    {"rank": n, "spot_id": f"L-{n}XYZ", "name": "Cart track ford", "heading_true_deg": 225.0,
     "stability": "fair", "score": 2.9, "why": ["A stream crossing close by."],
     "lon": -80.506 + n / 2000, "lat": 43.532}
    for n in (1, 2)
]  # fmt: skip
CAMERA = {"lon": -80.5062, "lat": 43.5318, "since": "2027-04-03"}
CHOSEN = {"uid": "d" * 16, "run_uid": "a" * 16, "rank": 9, "kind": "accepted", "why": "",
          "made_at": "", "spot_id": "L-9GONE", "lon": -80.5, "lat": 43.5}  # fmt: skip
PLACES = {
    "run": "a" * 16, "summary": "Warning: Woods are mapped in wide squares.", "spots": SPOTS,
    "lot": {**SPOTS[0], "rank": 0, "spot_id": "L-R", "stratum": "woods"}, "decision": CHOSEN,
    "camera": CAMERA, "named": "", "is_old": True, "is_writing": False, "files_ready": False,
    "files": ["map.html", "field_sheet.html"],
}  # fmt: skip
LETTER = {"text": "Hello,\n", "kind": "camera", "is_chosen": False, "is_edited": True,
          "is_old": True, "sent_on": "2027-04-03", "kinds": [["camera", "A camera"]]}  # fmt: skip


@pytest.fixture(scope="module")
def desk(browser, tmp_path_factory):
    with running_desk(SAMPLE / "inputs.toml", "-o", tmp_path_factory.mktemp("states") / "o") as at:
        context = browser.new_context(**WIDE)
        context.set_default_timeout(60_000)
        context.add_init_script(SHOW_MAP)
        page = context.new_page()
        page.goto(at)
        page.wait_for_selector("html[data-drawn]")
        # Events would take a state away that is made up here.
        page.route("**/api/events*", lambda route: route.abort())
        page.reload()
        page.wait_for_selector("html[data-drawn]")
        yield page
        context.close()


@pytest.fixture(scope="module")
def uid(desk):
    return land(desk, "In between")


OPEN_ALL = "document.querySelectorAll('#body details').forEach((one) => { one.open = true; })"


def fulfilled(page: Any, address: str, **answer: Any) -> None:
    page.route(address, lambda route: route.fulfill(**answer))


def states(page: Any, uid: str) -> Iterator[str]:
    """One state after the other, each with its name."""
    here = page.url.split("#")[0]
    for queue, name in (("", "an empty office"), (uid, "land is scored")):
        state = {"rows": [], "queue": {"now": queue, "next": queue, "waiting": 3 * bool(queue)}}
        fulfilled(page, "**/api/signups", json=state)
        page.goto(f"{here}?{name}")
        page.locator("#empty").wait_for()
        if queue:
            page.locator("#work-bar").wait_for()
        yield name
        page.unroute("**/api/signups")
    page.goto(here)
    page.locator("#rows > li").first.wait_for()
    page.evaluate(OPEN_ALL)
    press(page, "Add")
    page.locator("#faults .caution").wait_for()
    yield "a form with a fault"
    to(page, f"land/{uid}")
    page.locator(".layer").first.wait_for()
    page.locator(".layer .shape-name").first.click()
    page.get_by_label("Corner to work on").select_option("1")
    press(page, "Move corner 2")
    yield "a corner is moved"
    press(page, "New corner on a side")
    yield "a corner is set on a side"
    page.evaluate(OPEN_ALL)
    yield "every part of the land open"
    fulfilled(page, f"**/api/land/{uid}", status=409, json={"code": "", "message": "Changed."})
    part = page.locator(".layer", has_text="Crossings")
    part.get_by_role("button", name="None here").click()
    page.get_by_role("button", name="Keep mine").wait_for()
    yield "another window changed it"
    page.unroute(f"**/api/land/{uid}")
    yield from _of_places(page, uid)
    yield from _with_keys(page, uid)


def _of_places(page: Any, uid: str) -> Iterator[str]:
    fulfilled(page, f"**/api/letter/{uid}*", json=LETTER)
    for writing in (False, True):
        fulfilled(page, f"**/api/places/{uid}", json={**PLACES, "is_writing": writing})
        for view in ("places", "letter"):
            to(page, "list")
            page.locator("#title", has_text="Sign-ups").wait_for()
            to(page, f"{view}/{uid}")
            page.locator("#title", has_text="In between").wait_for()
            if view == "places":
                page.locator(".places > li").first.wait_for()
                page.evaluate(OPEN_ALL)
            yield f"{view}, old, {'being written' if writing else 'with a camera'}"
        page.unroute(f"**/api/places/{uid}")
    fulfilled(page, f"**/api/places/{uid}", status=503, json={"code": "E", "message": "No disk."})
    to(page, "list")
    to(page, f"places/{uid}")
    page.locator("#faults .caution", has_text="No disk.").wait_for()
    yield "an answer that failed"
    page.unroute(f"**/api/places/{uid}")
    page.unroute(f"**/api/letter/{uid}*")


def _with_keys(page: Any, uid: str) -> Iterator[str]:
    to(page, f"land/{uid}")
    page.locator(".layer").first.wait_for()
    # On a phone the list opens under the finger or the hand.
    page.locator(".leaflet-control-layers").first.hover()
    for box in page.locator(".leaflet-control-layers-overlays input").all():
        box.check(force=True)
    page.locator(".cover-key").wait_for(state="attached")
    yield "land cover and contours shown"
    for box in page.locator(".leaflet-control-layers-overlays input").all():
        box.uncheck(force=True)


@pytest.mark.parametrize(("width", "media"), LOOKS)
def test_axe_finds_nothing_between_the_views(desk, uid, width, media):
    desk.emulate_media(**{"color_scheme": "light", "forced_colors": "none"} | media)
    desk.set_viewport_size({"width": width, "height": 800})
    found = []
    for state in states(desk, uid):
        found += [(state, fault) for fault in axe_faults(desk)]
        if desk.evaluate("document.documentElement.scrollWidth") > width:
            found.append((state, "sticks out"))
    assert found == []


ACTS = {
    "point": ("Feeding places", "Mark one", ["43.532, -80.506"]),
    "line": ("Trails", "Draw a trail", ["43.531, -80.508", "43.533, -80.504"]),
    "area": ("Livestock", "Draw a pasture", ["43.531, -80.508", "43.531, -80.502", "43.53, -80.5"]),
}  # fmt: skip


@pytest.mark.parametrize("kind", ACTS)
def test_every_act_of_drawing_is_done_by_keys_and_without_dragging(desk, kind):
    """WCAG 2.2, 2.1.1 and 2.5.7: no act needs a pointer, and none needs a drag."""
    desk.emulate_media(color_scheme="light", forced_colors="none")
    desk.set_viewport_size({"width": 1400, "height": 900})
    uid = land(desk, f"By keys: {kind}")
    layer, begin, places = ACTS[kind]
    part = desk.locator(".layer", has_text=layer)

    def by_key(name: str, at: Any = desk) -> None:
        at.get_by_role("button", name=name, exact=True).first.press("Enter")

    by_key(begin, part)
    for place in places:
        desk.get_by_label("Or type a position").fill(place)
        by_key("Add")
        desk.wait_for_timeout(50)
    if kind != "point":
        by_key("Done")
    expect(part).to_contain_text("1 marked")
    if kind != "point":
        desk.get_by_label("Corner to work on").select_option("0")
        desk.get_by_label("Position of corner 1").fill("43.5312, -80.5079")
        desk.get_by_label("Position of corner 1").press("Tab")
        by_key("New corner on a side")
        # The signs on the sides are buttons of the map, reached by the Tab key.
        desk.locator(".handle-middle").first.press("Enter")
    else:
        by_key("Move it")
        desk.locator("#map").focus()
        desk.keyboard.press("ArrowRight")
        desk.wait_for_timeout(400)
        desk.keyboard.press("Enter")
    desk.locator("#said", has_text="Saved").wait_for()
    found = [s for s in asked(desk, "GET", f"/api/land/{uid}")["shapes"] if s["kind"] == kind]
    drawn = [s for s in found if s["layer"] != "parcel"]
    assert len(drawn) == 1
    by_key("Delete")
    expect(part).to_contain_text("Not asked")
    by_key("Undo")
    expect(part).to_contain_text("1 marked")
