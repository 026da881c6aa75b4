"""Where a first-time user's hand was stopped at the desk: each stays cured."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
from playwright.sync_api import expect

from tests.batch_tools import few_trials
from tests.browser.conftest import PHONE, desk_page
from tests.browser.desk_process import running_desk
from tests.desk.test_back import up, visit

pytestmark = pytest.mark.slow

SAMPLE = Path(__file__).parents[2] / "sample_rasters"
# Longitude and latitude on the sample valley; two trails of the office's maps run over it.
LAND = [[-80.509, 43.530], [-80.503, 43.530], [-80.503, 43.534], [-80.509, 43.534]]


@pytest.fixture(scope="module")
def desk(browser, tmp_path_factory):
    """One page of one desk; each test adds a sign-up of its own."""
    home = tmp_path_factory.mktemp("hand")
    words = ("-o", home / "office", "--protocol", few_trials(home))
    with running_desk(SAMPLE / "inputs.toml", *words) as at, desk_page(browser, at) as page:
        yield page


def asked(page: Any, method: str, path: str, value: Any = None) -> Any:
    """What the desk's server answers the page."""
    return page.evaluate(
        """async ([method, path, value]) => {
        const { token } = JSON.parse(document.getElementById("siting-data").textContent);
        const answer = await fetch(path, { method, body: value ? JSON.stringify(value) : undefined,
          headers: { "X-Desk": token, "Content-Type": "application/json" } });
        return answer.json(); }""",
        [method, path, value],
    )


def land(page: Any, label: str, *, corners: Any = LAND) -> str:
    """The land of a new sign-up with this outline is open; its uid."""
    uid = asked(page, "POST", "/api/signups", {"label": label, "lon": -80.506, "lat": 43.532})[
        "uid"
    ]
    outline = {"uid": f"{uid[:15]}0", "layer": "parcel", "kind": "area", "corners": corners}
    shapes = [{**outline, "via": "office"}] if corners else []
    asked(page, "PUT", f"/api/land/{uid}", {"rev": 0, "answers": {}, "shapes": shapes})
    page.evaluate("uid => { window.location.hash = `land/${uid}`; }", uid)
    page.locator("#title", has_text=label).wait_for()
    page.locator(".layer").first.wait_for()
    return str(uid)


def shapes_of(page: Any, uid: str) -> Any:
    return asked(page, "GET", f"/api/land/{uid}")["shapes"]


def press(page: Any, name: str) -> None:
    page.get_by_role("button", name=name, exact=True).first.click()


def click(page: Any, across: float, down: float) -> None:
    box = page.locator("#map").bounding_box()
    page.mouse.click(box["x"] + across * box["width"], box["y"] + down * box["height"])
    page.wait_for_timeout(450)  # sooner it would be a double click


def held(page: Any, name: str) -> None:
    """A press as a hand does it: down where the eye sees the button, a while, up."""
    button = page.get_by_role("button", name=name, exact=True).first
    for _ in range(50):
        # In one step: an answer of the maps may draw the panel anew in between.
        at = button.evaluate("""one => { one.scrollIntoView({ block: "center" });
          const { x, y, width, height } = one.getBoundingClientRect();
          return [x + width / 2, y + height / 2]; }""")
        page.mouse.move(*at)
        if button.evaluate("(one, at) => one.contains(document.elementFromPoint(...at))", at):
            break
    page.mouse.down()
    page.wait_for_timeout(150)
    page.mouse.up()


@pytest.mark.parametrize("field", ["Name or note", "Who said so?"])
def test_a_press_survives_leaving_a_field(desk, field):
    uid = land(desk, f"Left {field[:4]}")
    desk.locator(".layer .shape-name").first.click()
    desk.get_by_label(field).fill("the owner")
    held(desk, "Draw a pasture")
    expect(desk.get_by_role("heading", name="Drawing: livestock")).to_be_visible()
    press(desk, "Cancel")
    # The form goes its own way to the disk: drawing need not wait for it.
    expect(desk.locator("#said")).to_have_text("Saved.")
    shape = shapes_of(desk, uid)[0]
    assert "the owner" in (shape["name"], shape["said_by"])


def test_leaving_a_field_by_tab_goes_to_the_next_one(desk):
    land(desk, "Tabbed")
    desk.locator(".layer .shape-name").first.click()
    desk.get_by_label("Name or note").fill("Hill")
    desk.get_by_label("Name or note").press("Tab")
    expect(desk.get_by_label("Who said so?")).to_be_focused()
    expect(desk.locator(".layer .shape-name").first).to_have_text("Hill")


def test_a_plain_click_on_the_map_changes_no_shape(desk):
    uid = land(desk, "Plain")
    before = shapes_of(desk, uid)[0]["corners"]
    desk.locator(".layer .shape-name").first.click()
    desk.locator("[data-corner='1']").click()
    # A corner is chosen, and the sides have their middles: still nothing was asked for.
    box = desk.locator("[data-corner='0']").bounding_box()
    other = desk.locator("[data-corner='1']").bounding_box()
    desk.mouse.click((box["x"] + other["x"]) / 2 + 12, (box["y"] + other["y"]) / 2 + 12)
    for across, down in ((0.3, 0.3), (0.5, 0.5), (0.9, 0.5)):
        click(desk, across, down)
    assert shapes_of(desk, uid)[0]["corners"] == before
    # Each act by its own button.
    if not desk.get_by_label("Corner to work on").is_visible():
        desk.locator(".layer .shape-name").first.click()
    desk.get_by_label("Corner to work on").select_option("1")
    press(desk, "Move corner 2")
    click(desk, 0.5, 0.5)
    expect(desk.locator("#said")).to_have_text("Saved.")
    moved = shapes_of(desk, uid)[0]["corners"]
    assert [a == b for a, b in zip(before, moved, strict=True)] == [True, False, True, True]
    press(desk, "New corner on a side")
    desk.locator(".handle-middle").first.click()
    expect(desk.locator("[data-corner]")).to_have_count(5)


def test_the_first_corner_and_a_double_click_end_the_drawing(desk):
    land(desk, "Closed", corners=None)
    press(desk, "Draw the outline")
    for across, down in ((0.4, 0.4), (0.6, 0.4)):
        click(desk, across, down)
    expect(desk.locator("#said")).to_have_text(
        "This outline is not saved yet: it needs 1 more corner."
    )
    click(desk, 0.6, 0.6)
    expect(desk.locator("[data-corner='2']")).to_have_text("3")
    click(desk, 0.4, 0.4)
    expect(desk.locator(".layer", has_text="Outline")).to_contain_text("1 part")
    # What the maps show is counted for the outline as it is now.
    expect(desk.locator(".layer", has_text="Trails")).to_contain_text("your maps show")
    press(desk, "Draw a trail")
    expect(desk.get_by_text("Then press Done")).to_be_visible()
    click(desk, 0.3, 0.5)
    click(desk, 0.5, 0.55)
    zoom = desk.evaluate("testMap.getZoom()")
    box = desk.locator("#map").bounding_box()
    desk.mouse.dblclick(box["x"] + 0.7 * box["width"], box["y"] + 0.5 * box["height"])
    trails = desk.locator(".layer", has_text="Trails")
    expect(trails).to_contain_text("1 marked")
    assert desk.locator("[data-corner]").count() == 3
    desk.wait_for_timeout(300)
    assert desk.evaluate("testMap.getZoom()") == zoom


def test_a_drawing_is_cancelled_and_the_button_says_which_corner_goes(desk):
    uid = land(desk, "Cancelled")
    press(desk, "Draw a pasture")
    for across, down in ((0.4, 0.4), (0.6, 0.4), (0.6, 0.6), (0.4, 0.6)):
        click(desk, across, down)
    expect(desk.get_by_role("button", name="Remove the last corner")).to_be_visible()
    desk.locator("[data-corner='1']").click()
    press(desk, "Remove the chosen corner")
    expect(desk.locator("[data-corner]")).to_have_count(3)
    press(desk, "Cancel")
    expect(desk.locator(".layer", has_text="Livestock")).to_contain_text("Not asked")
    expect(desk.locator("#said")).to_have_text("Saved.")
    assert [shape["layer"] for shape in shapes_of(desk, uid)] == ["parcel"]


def test_a_point_is_set_as_a_place_and_not_as_a_corner(desk):
    land(desk, "Pointed")
    press(desk, "Mark one")
    expect(desk.get_by_role("heading", name="Drawing: feeding places")).to_be_visible()
    expect(desk.get_by_text("Enter sets the place.")).to_be_visible()
    press(desk, "Cancel")


def test_none_here_says_that_the_offices_maps_still_count(desk):
    land(desk, "Trailed")
    trails = desk.locator(".layer", has_text="Trails")
    expect(trails).to_contain_text("your maps show")
    expect(trails).to_contain_text("count")
    trails.get_by_role("button", name="None here").click()
    expect(trails).to_contain_text("still count")
    expect(desk.locator("#said")).to_contain_text("Saved. But your maps show")


def test_the_signs_are_there_after_another_view(desk):
    land(desk, "Signed")
    desk.locator("#to-list").click()
    desk.locator("#rows > li").first.wait_for()
    drawn = """() => { const c = document.querySelector("canvas.leaflet-zoom-animated");
      return Boolean(c) && c.getContext("2d").getImageData(0, 0, c.width, c.height).data
        .some((v) => v > 0); }"""
    desk.wait_for_function(drawn)
    desk.locator("#to-back").click()
    desk.locator("#title", has_text="Came back").wait_for()
    desk.locator("#to-list").click()
    desk.locator("#rows > li").first.wait_for()
    desk.wait_for_function(drawn)


def test_a_cleared_fault_does_not_move_a_button_under_the_hand(desk):
    """The words of a fault go when the next act begins: not between the halves of a press."""
    land(desk, "Moved up")
    desk.evaluate("""() => { const p = document.createElement("p");
      p.textContent = "A fault. ".repeat(90); document.getElementById("faults").append(p); }""")
    desk.get_by_text("About this sign-up").click()
    desk.get_by_label("Office note").fill("call after six")
    held(desk, "Draw another part")
    expect(desk.get_by_role("heading", name="Drawing: outline")).to_be_visible()
    press(desk, "Cancel")


def test_on_a_phone_the_name_and_score_are_in_sight_after_add(desk, browser):
    context = browser.new_context(storage_state=desk.context.storage_state(), **PHONE)
    page = context.new_page()
    page.goto(desk.url.split("#")[0])
    # In an empty office, where this test comes first, the count is hidden and the form is open.
    page.locator("#count", has_text="sign-up").wait_for(state="attached")
    add = page.get_by_text("Add a sign-up", exact=True)
    if not page.get_by_label("Name of the land").is_visible():
        add.tap()
    page.get_by_label("Name of the land").fill("Phone hill")
    page.get_by_role("button", name="Add", exact=True).tap()
    expect(page.locator("#title")).to_have_text("Phone hill")
    expect(page.locator("#title")).to_be_in_viewport()
    expect(page.get_by_role("button", name="Score this land")).to_be_in_viewport()
    page.get_by_role("button", name="Draw the outline").tap()
    done = page.get_by_role("button", name="Done")
    expect(page.get_by_text("Tap the corners on the map")).to_be_visible()
    before = done.bounding_box()
    box = page.locator("#map").bounding_box()
    page.touchscreen.tap(box["x"] + 0.5 * box["width"], box["y"] + 0.5 * box["height"])
    expect(page.locator("[data-corner]")).to_have_count(1)
    assert done.bounding_box() == before
    context.close()


WAITING = """() => { window.saidOfWork = [];
  const words = document.getElementById("work-words");
  new MutationObserver(() => window.saidOfWork.push(words.textContent)).observe(words,
    { childList: true, characterData: true }); }"""


def without_the_chosen(route: Any) -> None:
    answer = route.fetch()
    found = answer.json()
    kept = [s for s in found["spots"] if s["spot_id"] != found["decision"]["spot_id"]]
    route.fulfill(response=answer, json={**found, "spots": kept})


def test_from_the_list_to_the_letter_and_to_the_camera(desk, tmp_path):
    """One run serves all: a place taken, its letter, the choice taken back, a camera reported."""
    uid = land(desk, "Walked")
    desk.evaluate(WAITING)
    press(desk, "Score this land")
    desk.locator(".places > li").first.wait_for(timeout=120_000)
    # Nobody else waits: the land that is being scored is not counted as waiting.
    assert [words for words in desk.evaluate("saidOfWork") if "waiting" in words] == []
    expect(desk.get_by_text("Plain ground has nothing to follow")).to_be_visible()
    # Before the choice no letter refuses the land; its view says what comes first.
    press(desk, "Letter and files")
    expect(desk.locator("#title")).to_have_text("Letter and files of Walked")
    desk.locator("#letter").wait_for(timeout=120_000)
    expect(desk.get_by_label("Which letter")).to_have_value("camera")
    expect(desk.get_by_text("No place is chosen yet")).to_be_visible()
    press(desk, "Choose a place first")
    press(desk, "Take this place")
    press(desk, "Next: the letter")
    desk.get_by_role("button", name="Mark as sent", disabled=False).wait_for(timeout=120_000)
    desk.wait_for_function("document.getElementById('work').hidden", timeout=120_000)
    text = desk.locator("#letter").input_value()
    assert text.startswith("Hello,\n\nThank you for offering your land (Walked).")
    assert text.rstrip().endswith("____________________")
    assert "We propose a camera at spot 1" in text
    assert "decisions_" in text
    with desk.expect_download() as download:
        press(desk, "Letter and files as a mail")
    assert download.value.suggested_filename == "Walked.eml"
    expect(desk.locator("#said")).to_contain_text("Walked.eml is with your downloads")
    before = desk.evaluate("document.getElementById('panel').scrollTop")
    press(desk, "Mark as sent")
    expect(desk.locator("#said")).to_have_text("Marked as sent. The sign-up is now “Letter sent”.")
    after = desk.evaluate("document.getElementById('panel').scrollTop")
    assert abs(after - before) < 200
    expect(desk.locator("#status")).to_have_text("Letter sent")
    # A choice that has left the list is still seen, and can be taken back there.
    desk.route("**/api/places/*", without_the_chosen)
    press(desk, "Land")
    press(desk, "Places")
    desk.get_by_text("The place that was chosen is not in this list.").wait_for()
    desk.unroute("**/api/places/*")
    press(desk, "Take the choice back")
    expect(desk.locator("#said")).to_contain_text("No place is chosen any more")
    expect(desk.locator("#status")).to_have_text("Scored")
    expect(desk.get_by_role("button", name="Take this place")).to_be_visible()
    # A camera that is up before the season begins is asked about, and is shown where it stands.
    desk.locator("#to-back").click()
    desk.locator("#title", has_text="Came back").wait_for()
    expect(desk.get_by_text("No camera is up yet.")).to_be_visible()
    report = tmp_path / "visit.json"
    report.write_bytes(visit("Walked", up("2026-11-27")))
    desk.set_input_files("#back-files", str(report))
    # Asked about before it counts, and as long as it stands.
    early = desk.get_by_text("the season begins on 2027-04-01")
    expect(desk.locator("#waiting")).to_contain_text("the season begins on 2027-04-01")
    press(desk, "Take it in")
    expect(desk.locator("#waiting > li")).to_have_count(0)
    expect(early).to_be_visible()
    desk.locator("#to-list").click()
    row = desk.locator("#rows > li", has_text="Walked")
    expect(row).to_contain_text("Camera up")
    expect(desk.locator(".map-key", has_text="To be scored")).to_be_visible()
    # Where the map is low, as at 200 % zoom, an open key would reach up to the map's buttons.
    desk.set_viewport_size({"width": 700, "height": 800})
    expect(desk.locator(".map-key[open]")).to_have_count(0)
    desk.set_viewport_size({"width": 1400, "height": 860})
    expect(desk.locator(".map-key[open]", has_text="To be scored")).to_be_visible()
    row.locator(".shape-name").click()
    expect(desk.locator("#title")).to_have_text("Places of Walked")
    expect(desk.locator(".camera-mark")).to_be_visible()
    assert uid in desk.url
    press(desk, "Land")
    desk.locator(".layer").first.wait_for()
    expect(desk.locator(".camera-mark")).to_be_visible()
    desk.locator("#to-list").click()
    expect(desk.locator(".camera-mark")).to_have_count(0)


# --- answers that come late --------------------------------------------------------------------


class Held:
    """The answers to one address, held back until they are let go."""

    def __init__(self, page: Any, address: str) -> None:
        self.page, self.address, self.routes = page, address, []
        page.route(address, lambda route: self.routes.append(route))

    def wait(self) -> None:
        while not self.routes:
            self.page.wait_for_timeout(20)

    def let_go(self, **answer: Any) -> None:
        """The answers as they are, or another one in their place."""
        for route in self.routes:
            route.fulfill(**answer) if answer else route.continue_()
        self.page.unroute(self.address)
        self.page.wait_for_timeout(400)


def to(page: Any, where: str) -> None:
    page.evaluate("where => { window.location.hash = where; }", where)


@pytest.fixture(scope="module")
def two(desk):
    """Uids of two sign-ups: the first with a feeder, the second with its outline alone."""
    uids = [land(desk, label) for label in ("Left behind", "Looked at")]
    shapes = [{**shape, "uid": shape["uid"]} for shape in shapes_of(desk, uids[0])]
    feeder = {"uid": "f" * 16, "layer": "feeders", "kind": "point", "corners": [[-80.506, 43.532]]}
    body = {"rev": 1, "answers": {}, "shapes": [*shapes, feeder]}
    asked(desk, "PUT", f"/api/land/{uids[0]}", body)
    to(desk, "list")
    return uids


def shown_land(page: Any) -> tuple[str, int, int]:
    """Title of the view, feeders listed, shapes drawn."""
    marked = page.locator(".layer", has_text="Feeding places").get_by_text("1 marked").count()
    return page.locator("#title").text_content(), marked, drawn_shapes(page)


def drawn_shapes(page: Any) -> int:
    return page.locator("#map .leaflet-overlay-pane svg path").count()


def test_land_that_comes_late_is_not_drawn_over_the_next(desk, two):
    first, second = two
    to(desk, f"land/{second}")
    desk.locator("#title", has_text="Looked at").wait_for()
    desk.locator(".layer").first.wait_for()
    desk.wait_for_timeout(300)
    alone = shown_land(desk)
    late = Held(desk, f"**/api/land/{first}")
    to(desk, f"land/{first}")
    late.wait()
    to(desk, f"land/{second}")
    desk.locator("#title", has_text="Looked at").wait_for()
    desk.locator(".layer").first.wait_for()
    late.let_go()
    assert shown_land(desk) == alone


def test_places_and_their_land_that_come_late_are_not_drawn(desk, two):
    first, second = two
    for address in ("**/api/places/", "**/api/land/"):
        late = Held(desk, address + first)
        to(desk, f"places/{first}")
        late.wait()
        to(desk, f"places/{second}")
        desk.locator("#title", has_text="Places of Looked at").wait_for()
        desk.wait_for_timeout(300)
        before = drawn_shapes(desk)
        late.let_go()
        expect(desk.locator("#title")).to_have_text("Places of Looked at")
        assert drawn_shapes(desk) == before == 1, address


def test_layers_of_the_maps_that_come_late_are_not_drawn(desk, two):
    first, second = two
    late = Held(desk, f"**/api/known?for={first}*")
    to(desk, f"land/{first}")
    late.wait()
    to(desk, f"land/{second}")
    desk.locator("#title", has_text="Looked at").wait_for()
    desk.locator("#map .known").first.wait_for(state="attached")
    late.let_go(json={"rows": []})
    assert desk.locator("#map .known").count() > 0
    expect(desk.locator(".layer", has_text="Trails")).to_contain_text("your maps show")


@pytest.mark.parametrize("view", ["list", "back", "season"])
def test_a_view_that_comes_late_stays_closed(desk, two, view):
    _, second = two
    address = {"list": "signups", "back": "back", "season": "season"}[view]
    to(desk, f"land/{second}")
    desk.locator("#title", has_text="Looked at").wait_for()
    late = Held(desk, f"**/api/{address}")
    to(desk, view)
    late.wait()
    to(desk, f"land/{second}")
    desk.locator(".layer").first.wait_for()
    late.let_go()
    expect(desk.locator("#title")).to_have_text("Looked at")
    expect(desk.locator(".layer").first).to_be_visible()
    assert desk.get_by_text("Scored, or on its way to a camera").count() == 0


def test_what_was_drawn_during_a_save_is_kept_when_the_view_is_left(desk):
    uid = land(desk, "Left in haste")
    slow = Held(desk, f"**/api/land/{uid}")
    for layer in ("Livestock", "Crossings"):
        part = desk.locator(".layer", has_text=layer)
        part.get_by_role("button", name="None here").click()
        slow.wait()
    to(desk, "list")
    desk.locator("#title", has_text="Sign-ups").wait_for()
    slow.let_go()
    for _ in range(100):  # the second save follows the first: soon, on a busy machine later
        answers = asked(desk, "GET", f"/api/land/{uid}")["answers"]
        if answers == {"livestock": "none", "crossings": "none"}:
            break
        desk.wait_for_timeout(200)
    assert answers == {"livestock": "none", "crossings": "none"}
    # And the next one is saved as ever.
    land(desk, "Taken up after it")
    desk.locator(".layer", has_text="Crossings").get_by_role("button", name="None here").click()
    expect(desk.locator("#said")).to_contain_text("Saved.")


def test_the_bar_of_many_starts_where_it_was(desk):
    """As after a restart: 61 of 5,000 are done, and one of them is being scored anew."""
    states = ["Scored"] * 61 + ["Ready to score"] * 4_939 + ["No outline yet", "Set aside"]
    row = {"cell": "", "priority": None, "contact_ref": "", "note": "", "set_aside_why": "",
           "lon": None, "lat": None, "has_places": False, "problem": ""}  # fmt: skip
    rows = [
        {**row, "uid": f"{n:016x}", "label": f"Land {n}", "parcel_id": f"L{n}", "status": status}
        for n, status in enumerate(states)
    ]
    state = {"now": rows[61]["uid"], "next": rows[62]["uid"], "waiting": 4_938}
    page = desk.context.new_page()
    page.route("**/api/signups", lambda route: route.fulfill(json={"rows": rows, "queue": state}))
    page.route("**/api/events*", lambda route: route.abort())
    page.goto(desk.url.split("#")[0])
    words = page.locator("#work-words")
    expect(words).to_have_text("Scoring Land 61: starting, 4,938 more waiting (61 of 5,000 done)")
    bar = page.evaluate("(({ value, max }) => [value, max])(document.getElementById('work-bar'))")
    assert bar == [61, 5_000]
    page.close()
