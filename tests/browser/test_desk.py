"""The desk in a browser with the network off: from an empty office to a handed-over place."""

from __future__ import annotations

import json
import re
import zipfile
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import pytest
from playwright.sync_api import expect

from tests.batch_tools import few_trials
from tests.browser.axe import axe_faults
from tests.browser.conftest import PHONE, SHOW_MAP, WIDE, at_rest
from tests.browser.desk_process import running_desk
from tests.desk.test_back import sketch, up, visit
from tests.review.valley import table_of

pytestmark = pytest.mark.slow

SAMPLE = Path(__file__).parents[2] / "sample_rasters"


@pytest.fixture(scope="module")
def address(tmp_path_factory):
    """The one-time address of a desk that runs as a user would run it; used by `entered` once."""
    home = tmp_path_factory.mktemp("desk")
    words = ("-o", home / "office", "--protocol", few_trials(home))
    with running_desk(SAMPLE / "inputs.toml", *words) as found:
        yield found


@pytest.fixture(scope="module")
def entered(browser, address):
    """A browser profile that has come in, with all it asked for."""
    context = browser.new_context(accept_downloads=True, **WIDE)
    context.set_default_timeout(60_000)
    context.add_init_script(SHOW_MAP)
    page = context.new_page()
    page.goto(address)
    page.wait_for_selector("html[data-drawn]")
    page.close()
    yield context
    context.close()


@pytest.fixture
def desk(entered, address):
    page = entered.new_page()
    complaints: list[str] = []
    asked: list[str] = []
    page.on("pageerror", lambda error: complaints.append(str(error)))
    page.on("console", lambda m: complaints.append(m.text) if m.type == "error" else None)
    page.on("request", lambda request: asked.append(request.url))
    page.add_init_script(
        "document.addEventListener('securitypolicyviolation',"
        " (event) => console.error(event.violatedDirective))"
    )
    page.goto(address.split("/enter")[0])
    page.wait_for_selector("html[data-drawn]")
    yield page
    page.close()
    here = address.split("/enter")[0]
    assert [url for url in asked if not url.startswith((here, "data:", "blob:"))] == []
    # A refused save is a red line in the console of every browser; the page says it in words.
    assert [text for text in complaints if "status of 409" not in text] == []


def press(page: Any, name: str) -> None:
    page.get_by_role("button", name=name, exact=True).first.click()


def opened(page: Any) -> None:
    """The form of a new sign-up, which an empty office shows at once."""
    page.locator("#count", has_text="sign-up").wait_for(state="attached")
    page.wait_for_timeout(100)
    if not page.get_by_label("Name of the land").is_visible():
        page.get_by_text("Add a sign-up").click()


def add(page: Any, label: str) -> None:
    page.locator("#title", has_text="Sign-ups").wait_for()
    opened(page)
    page.get_by_label("Name of the land").fill(label)
    press(page, "Add")
    page.locator("#title", has_text=label).wait_for()


def saved(page: Any) -> None:
    # The first file of a desk loads the libraries that read it: long on a busy machine.
    page.locator("#said", has_text="Saved").wait_for(timeout=60_000)


def dropped(page: Any, path: Path) -> None:
    page.get_by_text("Take the land from a file").click()
    page.set_input_files("input[type=file]", str(path))
    saved(page)


def made(folder: Path, ending: str) -> Path:
    path = folder / f"land{ending}"
    farm = gpd.read_file(SAMPLE / "layers.gpkg", layer="parcel").to_crs("EPSG:4326").geometry
    frame = gpd.GeoDataFrame({"name": ["Brook farm"]}, geometry=list(farm), crs="EPSG:4326")
    frame.to_file(path, driver="KML" if ending == ".kml" else None)
    return path


def test_land_is_drawn_with_the_mouse_and_a_feeder_marked(desk):
    add(desk, "Drawn by mouse")
    expect(desk.locator("#status")).to_have_text("No outline yet")
    press(desk, "Draw the outline")
    box = desk.locator("#map").bounding_box()
    for across, down in ((0.4, 0.4), (0.6, 0.4), (0.6, 0.6), (0.4, 0.6)):
        desk.mouse.click(box["x"] + across * box["width"], box["y"] + down * box["height"])
        desk.wait_for_timeout(320)
    press(desk, "Done")
    saved(desk)
    expect(desk.locator("#status")).to_have_text("Ready to score")
    desk.get_by_role("button", name="Mark one").first.click()
    desk.mouse.click(box["x"] + 0.5 * box["width"], box["y"] + 0.5 * box["height"])
    saved(desk)
    expect(desk.locator(".layer", has_text="Feeding places")).to_contain_text("1 marked")
    desk.reload()
    desk.wait_for_selector("html[data-drawn]")
    expect(desk.locator(".layer", has_text="Feeding places")).to_contain_text("1 marked")


def test_land_without_an_outline_is_the_circle_around_its_position(desk):
    desk.locator("#title", has_text="Sign-ups").wait_for()
    opened(desk)
    desk.get_by_label("Name of the land").fill("Round")
    desk.get_by_label("Position, if you have it").fill("not a place")
    press(desk, "Add")
    desk.locator("#faults", has_text="latitude, then longitude").wait_for()
    desk.get_by_label("Position, if you have it").fill("43.5319, -80.5068")
    desk.get_by_label("No outline?").fill("300")
    press(desk, "Add")
    desk.locator("#title", has_text="Round").wait_for()
    expect(desk.locator("#status")).to_have_text("Ready to score")
    # pi times 0.3 km squared, less what 36 straight sides cut off.
    expect(desk.locator(".layer", has_text="Outline of the land")).to_contain_text("28.1 ha")
    # Nothing was scored: there is no list to open.
    expect(desk.locator("#to-places")).to_be_disabled()


def test_by_keyboard_alone(desk):
    desk.locator("#count", has_text="sign-up").wait_for(state="attached")
    desk.wait_for_timeout(100)
    if not desk.get_by_label("Name of the land").is_visible():
        desk.get_by_text("Add a sign-up").focus()
        desk.keyboard.press("Enter")
    desk.get_by_label("Name of the land").focus()
    desk.keyboard.type("Drawn by keys")
    desk.get_by_role("button", name="Add", exact=True).focus()
    desk.keyboard.press("Enter")
    desk.locator("#title", has_text="Drawn by keys").wait_for()
    desk.get_by_role("button", name="Draw the outline").focus()
    desk.keyboard.press("Enter")
    expect(desk.locator("#map")).to_be_focused()
    for key in ("", "ArrowRight", "ArrowDown"):
        if key:
            desk.keyboard.press(key)
            at_rest(desk)
        desk.keyboard.press("Enter")
    desk.get_by_role("button", name="Done").focus()
    desk.keyboard.press("Enter")
    saved(desk)
    expect(desk.locator("#status")).to_have_text("Ready to score")


def take_a_place(page: Any, label: str, folder: Path) -> None:
    """A sign-up from a file, scored, its second place taken, until its files are ready."""
    add(page, label)
    dropped(page, made(folder, ".kml"))
    for layer in ("Livestock", "Crossings"):
        page.locator(".layer", has_text=layer).get_by_role("button", name="None here").click()
        saved(page)
    press(page, "Score this land")
    page.wait_for_selector(".places > li", timeout=180_000)
    page.get_by_text("Take spot 2 instead").click()
    page.get_by_label("Why spot 2?").fill("the owner mows at the first one")
    page.get_by_role("button", name="Take this one instead").first.click()
    page.wait_for_selector(".places .taken")
    # The list that comes before the files is no news.
    said = page.locator("#said")
    expect(said).to_have_text(re.compile(r"^(Spot 2 is chosen\..*|The files are ready\.)$"))
    # The files name the place only after the run that follows.
    expect(said).to_have_text("The files are ready.", timeout=180_000)
    press(page, "Next: the letter")
    page.get_by_role("button", name="Files for the volunteer", disabled=False).wait_for()


def test_a_file_is_scored_a_place_taken_and_handed_over(desk, tmp_path):
    take_a_place(desk, "Brook farm", tmp_path)
    with desk.expect_download() as download:
        press(desk, "Files for the volunteer")
    target = tmp_path / "volunteer.zip"
    download.value.save_as(target)
    with zipfile.ZipFile(target) as archive:
        assert any(name.endswith("map.html") for name in archive.namelist())
        text = b"".join(archive.read(name) for name in archive.namelist()).decode()
    assert "Drawn by mouse" not in text
    press(desk, "Land")
    expect(desk.locator("#status")).to_have_text("Place chosen")
    desk.get_by_role("button", name="Mark one").first.click()
    box = desk.locator("#map").bounding_box()
    desk.mouse.click(box["x"] + 0.5 * box["width"], box["y"] + 0.5 * box["height"])
    saved(desk)
    expect(desk.locator("#status")).to_have_text("Changed since scored")
    press(desk, "Places")
    desk.get_by_text("older than the land").wait_for()
    a_late_picture_leaves_the_focus_where_it_is(desk)
    while_files_are_written_the_page_shows_it(desk)


def a_late_picture_leaves_the_focus_where_it_is(page: Any) -> None:
    held: list[Any] = []
    page.route("**/api/land/*", lambda route: held.append(route))
    press(page, "Places")
    page.wait_for_selector(".places > li")
    while not held:
        page.wait_for_timeout(20)
    page.keyboard.press("Tab")
    focused = page.evaluate("document.activeElement.outerHTML")
    with page.expect_response("**/api/land/*"):
        held[0].continue_()
    page.wait_for_timeout(300)
    page.unroute("**/api/land/*")
    assert page.evaluate("document.activeElement.outerHTML") == focused


def while_files_are_written_the_page_shows_it(page: Any) -> None:
    def writing(route: Any) -> None:
        answer = route.fetch()
        route.fulfill(response=answer, json={**answer.json(), "is_writing": True, "files": []})

    page.route("**/api/places/*", writing)
    press(page, "Letter and files")
    status = page.locator("#with-files [role=status]")
    expect(status).to_contain_text("being written")
    expect(status).to_be_in_viewport(ratio=1.0)
    expect(page.locator("#title")).to_have_text("Letter and files of Brook farm")
    expect(page.locator(".places")).to_have_count(0)
    page.unroute("**/api/places/*")


def test_a_sketch_goes_out_and_comes_back(desk, browser, tmp_path):
    add(desk, "Sketched")
    with desk.expect_download() as download:
        press(desk, "Sketch page for the volunteer")
    page_file = tmp_path / "sketch.html"
    download.value.save_as(page_file)
    phone = browser.new_context(offline=True, accept_downloads=True, **PHONE)
    page = phone.new_page()
    page.goto(page_file.as_uri())
    page.get_by_role("button", name="Draw the outline").tap()
    for across, down in ((0.4, 0.4), (0.6, 0.4), (0.5, 0.6)):
        box = page.locator("#map").bounding_box()
        page.touchscreen.tap(box["x"] + across * box["width"], box["y"] + down * box["height"])
        page.wait_for_timeout(320)
    page.get_by_role("button", name="Done").tap()
    while page.locator("#next").is_enabled():
        page.locator("#next").click()
    with page.expect_download() as back:
        page.get_by_role("button", name="Save the file").tap()
    sketch = tmp_path / "sketch.json"
    back.value.save_as(sketch)
    phone.close()
    assert json.loads(sketch.read_text())["for"] == "Sketched"
    dropped(desk, sketch)
    expect(desk.locator("#status")).to_have_text("Ready to score")


def test_two_windows_are_asked_whose_to_keep(desk, entered):
    add(desk, "Two windows")
    other = entered.new_page()
    other.goto(desk.url)
    other.locator("#title", has_text="Two windows").wait_for()
    row = other.locator(".layer", has_text="Livestock")
    row.get_by_role("button", name="None here").click()
    saved(other)
    other.close()
    desk.locator(".layer", has_text="Crossings").get_by_role("button", name="None here").click()
    desk.get_by_role("button", name="Take theirs").click()
    desk.locator(".layer", has_text="Livestock").get_by_text("None here").first.wait_for()
    expect(desk.locator(".layer", has_text="Crossings")).to_contain_text("Not asked")


@pytest.fixture(scope="module")
def came_back(entered, address, tmp_path_factory):
    """Files of every kind that wait under "Came back"."""
    folder = tmp_path_factory.mktemp("back")
    visits, sketches = folder / "visit.json", folder / "sketch.json"
    visits.write_bytes(visit("Drawn by mouse", up(note="Riders were here")))
    sketches.write_bytes(sketch("Nobody", 0.0))
    page = entered.new_page()
    page.goto(address.split("/enter")[0] + "#back")
    page.locator("#title", has_text="Came back").wait_for()
    page.set_input_files("#back-files", [str(visits), str(sketches), str(made(folder, ".geojson"))])
    page.locator("#waiting > li").nth(2).wait_for()
    page.close()


@pytest.fixture(scope="module")
def settled(entered, address, tmp_path_factory):
    """Name of a sign-up whose place is chosen, whichever tests ran before."""
    page = entered.new_page()
    page.goto(address.split("/enter")[0])
    take_a_place(page, "Settled farm", tmp_path_factory.mktemp("settled"))
    press(page, "Land")
    page.get_by_text("About this sign-up").click()
    page.get_by_label("Survey cell").fill("C1")
    page.get_by_label("Survey cell").press("Tab")
    saved(page)
    page.close()
    return "Settled farm"


@pytest.fixture(scope="module")
def answered(entered, address, tmp_path_factory):
    """Last season's answer, at two cameras: too few to say."""
    file = tmp_path_factory.mktemp("season") / "season.csv"
    file.write_text(table_of([(-80.5068, 43.5319), (-80.5051, 43.5324)], np.array([4, 7])))
    page = entered.new_page()
    page.goto(address.split("/enter")[0] + "#season")
    page.set_input_files("#season-file", str(file))
    page.locator(".answer").wait_for(timeout=180_000)
    page.close()


STATES = ("list", "cells", "land", "adding", "places", "letter", "back", "season")


@pytest.mark.parametrize(
    ("width", "media"),
    [
        (320, {"color_scheme": "light"}),
        (390, {"color_scheme": "dark"}),
        (700, {"color_scheme": "light"}),  # 1400 px at 200 %
        (1400, {"color_scheme": "light"}),
        (1400, {"color_scheme": "dark"}),
        (1400, {"forced_colors": "active"}),
    ],
)
def test_axe_finds_nothing_and_nothing_sticks_out(desk, came_back, settled, answered, width, media):
    desk.emulate_media(**media)
    desk.set_viewport_size({"width": width, "height": 800})
    row = desk.locator("#rows > li", has_text=settled).filter(has_text="Place chosen")
    for state in STATES:
        if state == "cells":
            press(desk, "Cameras for the cells")
            desk.locator(".places h3", has_text="Cell C1").wait_for(timeout=60_000)
        elif state == "land":
            desk.locator("#to-list").click()
            row.locator(".shape-name").click()
            desk.wait_for_selector(".layer")
        elif state == "adding":
            press(desk, "Draw another part")
            expect(desk.get_by_text("Take the land from a file")).to_be_hidden()
        elif state == "places":
            press(desk, "Done")
            press(desk, "Places")
            desk.wait_for_selector(".places .taken")
        elif state == "letter":
            press(desk, "Next: the letter")
            desk.wait_for_selector("#letter")
        elif state in ("back", "season"):
            desk.locator(f"#to-{state}").click()
            desk.locator(f"#{state}-file, #{state}-files").wait_for()
            if state == "season":
                desk.locator(".answer").wait_for()
        # At 1400 the other looks differ from the light one by their colours.
        alone = width == 1400 and media != {"color_scheme": "light"}
        assert axe_faults(desk, colours_alone=alone) == [], state
        assert desk.evaluate("document.documentElement.scrollWidth") <= width


def test_land_is_parted_and_the_map_moved_without_dragging(desk, tmp_path):
    """WCAG 2.2, 2.5.7: by the panel's own controls, reached by keyboard as by mouse."""
    add(desk, "Parted")
    corners = [[-80.509, 43.530], [-80.503, 43.530], [-80.503, 43.534], [-80.509, 43.534]]
    path = tmp_path / "land.geojson"
    path.write_text(json.dumps({"type": "Polygon", "coordinates": [[*corners, corners[0]]]}))
    dropped(desk, path)
    before = desk.locator("#map .leaflet-map-pane").get_attribute("style")
    for way in ("up", "left", "right", "right", "down", "down"):
        desk.get_by_role("button", name=f"Move {way}", exact=True).press("Enter")
    assert desk.locator("#map .leaflet-map-pane").get_attribute("style") != before
    outline = desk.locator(".layer").first
    outline.locator(".shape-name").first.press("Enter")
    desk.get_by_label("Corner to work on").select_option("0")
    expect(desk.get_by_label("Corner to work on")).to_be_focused()
    desk.get_by_label("Position of corner 1").fill("43.5301, -80.5085")
    desk.get_by_label("Position of corner 1").press("Tab")
    saved(desk)
    desk.get_by_label("Corner to work on").select_option("1")
    desk.get_by_label("Split from corner 2 to").select_option("3")
    desk.get_by_role("button", name="Split", exact=True).press("Enter")
    expect(outline).to_contain_text("2 parts")
    expect(desk.locator("#status")).to_have_text("Ready to score")
    desk.get_by_role("button", name="Undo", exact=True).press("Enter")
    expect(outline).to_contain_text("1 part")
    desk.get_by_text("If a result looks wrong").click()
    expect(desk.get_by_role("button", name="Score from nothing")).to_be_visible()


def test_a_line_is_parted_at_a_corner(desk, tmp_path):
    add(desk, "Parted trail")
    press(desk, "Draw a trail")
    for place in ("43.530, -80.508", "43.531, -80.506", "43.532, -80.503"):
        desk.get_by_label("Or type a position").fill(place)
        press(desk, "Add")
    press(desk, "Done")
    trails = desk.locator(".layer", has_text="rail").first
    expect(trails).to_contain_text("1 marked")
    desk.get_by_label("Corner to work on").select_option("1")
    press(desk, "Split at corner 2")
    expect(trails).to_contain_text("2 marked")
