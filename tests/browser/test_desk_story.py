"""A coordinator's spring, from an empty office to valid deployments, with the network off.

Five sign-ups (drawn, a KML file, a GPX file, a row of a table, a sketch from a phone); a feeder and
cows marked; scored; scored again after a second feeder; assigned; a letter; the hand-over opened
on a volunteer's phone; her visit file taken in; the deployments valid by the standard.
"""

from __future__ import annotations

import csv
import io
import json
import re
import zipfile
from contextlib import AbstractContextManager
from pathlib import Path
from typing import Any

import frictionless
import geopandas as gpd
import pytest
from playwright.sync_api import expect
from shapely.affinity import scale
from shapely.geometry.base import BaseGeometry

from tests.browser.conftest import PHONE, SHOW_MAP, WIDE
from tests.browser.desk_process import running_desk
from tests.browser.reports import open_card, report
from tests.speed.make_country import make_country

pytestmark = pytest.mark.slow
RULES = """
[grid]
context_m = 60.0
[candidates]
spots = 3
[assign]
distance_m = 100.0
lowest = 0.0
[stability]
draws = 12
"""
LONG = 240_000


def running(folder: Path, inputs: Path) -> AbstractContextManager[str]:
    """A desk with quick rules; its one-time address."""
    rules = folder / "rules.toml"
    rules.write_text(RULES, encoding="utf-8")
    return running_desk(inputs, "-o", folder / "office", "--protocol", rules)


class Hand:
    """A page and what works it: a mouse or a finger."""

    def __init__(self, page: Any, *, touch: bool) -> None:
        self.page, self.touch = page, touch

    def on(self, found: Any) -> None:
        found.tap() if self.touch else found.click()

    def press(self, name: str, inside: Any = None) -> None:
        self.on((inside or self.page).get_by_role("button", name=name, exact=True).first)

    def at(self, lon: float, lat: float) -> None:
        """Put the hand on a place of the map."""
        self.page.locator("#map").scroll_into_view_if_needed()
        box = self.page.locator("#map").bounding_box()
        point = self.page.evaluate(
            "([lat, lon]) => window.testMap.latLngToContainerPoint([lat, lon])", [lat, lon]
        )
        place = (box["x"] + point["x"], box["y"] + point["y"])
        if self.touch:
            self.page.touchscreen.tap(*place)
        else:
            self.page.mouse.click(*place)
        # Two quick ones would be a double click, which the map takes as one act.
        self.page.wait_for_timeout(320)

    def show(self, shape: BaseGeometry) -> None:
        """Move the map to a piece of land, as one would with its buttons."""
        west, south, east, north = shape.bounds
        # A glide under way, to the land that was opened, would end where it was bound for.
        self.page.locator(".leaflet-zoom-anim").wait_for(state="detached")
        self.page.evaluate(
            "(box) => window.testMap.fitBounds(box, { animate: false, padding: [50, 50] })",
            [[south, west], [north, east]],
        )

    def draw(self, shape: BaseGeometry) -> None:
        # Four corners inside the land are an outline, too, and none lies beyond the window.
        inside = scale(shape.minimum_rotated_rectangle, 0.8, 0.8)
        for lon, lat in inside.exterior.coords[:-1]:
            self.at(lon, lat)

    def adding(self) -> None:
        """Open the form of a new sign-up, which an empty office shows at once."""
        self.page.locator("#count", has_text="sign-up").wait_for(state="attached")
        self.page.wait_for_timeout(100)
        if not self.page.get_by_label("Name of the land").is_visible():
            self.on(self.page.get_by_text("Add a sign-up"))

    def titled(self, text: str) -> None:
        self.page.locator("#title", has_text=text).wait_for()

    def saved(self) -> None:
        self.page.locator("#said", has_text=re.compile(r"^Saved\.$")).wait_for()


def status_of(hand: Hand, label: str) -> str:
    row = hand.page.locator("#rows > li", has_text=label)
    return str(row.locator(".status").inner_text())


def wait_status(hand: Hand, label: str, status: str) -> None:
    row = hand.page.locator("#rows > li", has_text=label)
    row.locator(".status", has_text=status).wait_for(timeout=LONG)


def lands(inputs: Path) -> list[BaseGeometry]:
    frame = gpd.read_file(inputs.parent / "parcels.gpkg", layer="parcels")
    return list(frame.to_crs("EPSG:4326").geometry)


def files_of_land(folder: Path, shapes: list[BaseGeometry]) -> tuple[Path, Path]:
    """A KML and a GPX file, as map programs and hand-held receivers write them."""
    kml, gpx = folder / "Kay meadow.kml", folder / "Gee wood.gpx"
    frame = gpd.GeoDataFrame({"Name": ["Kay meadow"]}, geometry=shapes[:1], crs="EPSG:4326")
    frame.to_file(kml, driver="KML")
    points = "".join(f'<trkpt lat="{y}" lon="{x}"/>' for x, y in shapes[1].exterior.coords)
    gpx.write_text(
        '<?xml version="1.0"?><gpx version="1.1" creator="x" '
        'xmlns="http://www.topografix.com/GPX/1/1">'
        f"<trk><trkseg>{points}</trkseg></trk></gpx>"
    )
    return kml, gpx


def sketched(browser: Any, page_file: Path, shape: BaseGeometry, target: Path) -> None:
    """The owner draws the land on the sketch page, on a phone without the internet."""
    context = browser.new_context(offline=True, accept_downloads=True, **PHONE)
    context.add_init_script(SHOW_MAP)
    owner = Hand(context.new_page(), touch=True)
    owner.page.goto(page_file.as_uri())
    owner.press("Draw the outline")
    owner.show(shape)
    owner.draw(shape)
    owner.press("Done")
    while owner.page.locator("#next").is_enabled():
        owner.page.locator("#next").tap()
    with owner.page.expect_download() as back:
        owner.press("Save the file")
    back.value.save_as(target)
    context.close()


def volunteer(browser: Any, archive: Path, folder: Path, spot: int) -> Path:
    """She opens the page of the hand-over, hangs the camera and saves her visits."""
    with zipfile.ZipFile(archive) as opened:
        opened.extractall(folder)
    (page_file,) = folder.rglob("map.html")
    context = browser.new_context(offline=True, accept_downloads=True, **PHONE)
    page = context.new_page()
    page.goto(page_file.as_uri())
    page.wait_for_selector("html[data-ready]")
    open_card(page, spot)
    taken = json.loads((folder / "spot.json").read_text())
    lat, lon = taken["lat"], taken["lon"]
    report(page, f"visit-{spot}", "camera up", at="2027-04-03T10:20", lat=str(lat), lon=str(lon),
           height_m="0.6", heading_magnetic_deg="54", camera="C-017", card="S-041")  # fmt: skip
    page.click("#tab-visits")
    with page.expect_download() as caught:
        page.click("#visits-json")
    target = folder / "visits.json"
    caught.value.save_as(target)
    context.close()
    return target


@pytest.mark.parametrize("touch", [False, True], ids=["mouse", "touch"])
def test_from_an_empty_office_to_valid_deployments(browser, tmp_path, touch):
    inputs = make_country(tmp_path / "country", km=1.8, count=12)
    shapes = lands(inputs)
    kml, gpx = files_of_land(tmp_path, shapes[1:3])
    with running(tmp_path, inputs) as address:
        context = browser.new_context(accept_downloads=True, **(PHONE if touch else WIDE))
        context.set_default_timeout(60_000)
        context.add_init_script(SHOW_MAP)
        page = context.new_page()
        asked: list[str] = []
        complaints: list[str] = []
        page.on("request", lambda request: asked.append(request.url))
        page.on("pageerror", lambda error: complaints.append(str(error)))
        page.goto(address)
        page.wait_for_selector("html[data-drawn]")
        hand = Hand(page, touch=touch)
        sign_up(hand, browser, tmp_path, shapes, kml, gpx)
        score_and_assign(hand, shapes[0])
        archive = letter_and_files(hand, tmp_path)
        spots = places_of(page)
        taken = next(s for s in spots["spots"] if s["spot_id"] == spots["decision"]["spot_id"])
        (tmp_path / "v").mkdir()
        (tmp_path / "v" / "spot.json").write_text(json.dumps(taken))
        visits = volunteer(browser, archive, tmp_path / "v", taken["rank"])
        take_in(hand, visits)
        deployments(hand, tmp_path, taken["spot_id"])
        here = address.split("/enter")[0]
        assert [url for url in asked if not url.startswith((here, "data:", "blob:"))] == []
        assert complaints == []
        context.close()


def sign_up(
    hand: Hand, browser: Any, folder: Path, shapes: list[BaseGeometry], kml: Path, gpx: Path
) -> None:
    """Five sign-ups, each come in by another way."""
    page = hand.page
    hand.titled("Sign-ups")
    hand.adding()
    page.get_by_label("Name of the land").fill("Dee hill")
    page.get_by_label("Survey cell, if you use them").fill("C1")
    hand.press("Add")
    hand.titled("Dee hill")
    hand.press("Draw the outline")
    hand.show(shapes[0])
    hand.draw(shapes[0])
    hand.press("Done")
    hand.saved()
    inside = shapes[0].representative_point()
    hand.press("Mark one", page.locator(".layer", has_text="Feeding places"))
    hand.at(inside.x, inside.y)
    hand.saved()
    hand.press("Draw a pasture", page.locator(".layer", has_text="Livestock"))
    west, south, east, north = shapes[0].bounds
    for across, up in ((0.25, 0.3), (0.5, 0.3), (0.4, 0.7)):
        hand.at(west + across * (east - west), south + up * (north - south))
    hand.press("Done")
    hand.saved()
    hand.press("Came back")
    hand.titled("Came back")
    page.set_input_files("#back-files", [str(kml), str(gpx)])
    page.locator("#waiting > li").nth(1).wait_for()
    for left in (1, 0):
        hand.press("Take these outlines")
        expect(page.locator("#waiting > li")).to_have_count(left, timeout=30_000)
    hand.press("Sign-ups")
    hand.titled("Sign-ups")
    hand.on(page.get_by_text("Paste a table"))
    middle = shapes[3].centroid
    rows = f"label\tcell\tpriority\tlon\tlat\nTee brook\tC2\t1\t{middle.x:.5f}\t{middle.y:.5f}"
    page.get_by_label("The first row names the columns").fill(rows)
    hand.press("Add all")
    page.locator("#rows > li", has_text="Tee brook").wait_for()
    hand.on(page.locator("#rows .shape-name", has_text="Tee brook"))
    hand.titled("Tee brook")
    hand.press("Draw the outline")
    hand.show(shapes[3])
    hand.draw(shapes[3])
    hand.press("Done")
    hand.saved()
    hand.press("Sign-ups")
    hand.titled("Sign-ups")
    hand.show(shapes[4])
    hand.adding()
    page.get_by_label("Name of the land").fill("Ess field")
    hand.press("Add")
    hand.titled("Ess field")
    with page.expect_download() as download:
        hand.press("Sketch page for the volunteer")
    sketch_page = folder / "sketch.html"
    download.value.save_as(sketch_page)
    sketched(browser, sketch_page, shapes[4], folder / "sketch.json")
    hand.press("Came back")
    hand.titled("Came back")
    page.set_input_files("#back-files", str(folder / "sketch.json"))
    page.locator("#waiting > li").first.wait_for()
    hand.press("Take it in")
    page.locator("#said", has_text="Ready to score").wait_for()


def score_and_assign(hand: Hand, shape: BaseGeometry) -> None:
    """All are scored; one again after a feeder; cameras for the cells."""
    page = hand.page
    hand.press("Sign-ups")
    hand.titled("Sign-ups")
    hand.press("Score all that are ready")
    for label in ("Dee hill", "Kay meadow", "Gee wood", "Tee brook", "Ess field"):
        wait_status(hand, label, "Scored")
    hand.on(page.locator("#rows .shape-name", has_text="Dee hill"))
    hand.titled("Dee hill")
    hand.press("Mark one", page.locator(".layer", has_text="Feeding places"))
    place = shape.representative_point()
    hand.at(place.x + 0.0003, place.y)
    hand.saved()
    assert page.locator("#status").inner_text() == "Changed since scored"
    hand.press("Score this land")
    page.wait_for_selector(".places > li", timeout=LONG)
    hand.press("Sign-ups")
    hand.titled("Sign-ups")
    hand.press("Cameras for the cells")
    hand.titled("Cameras for the cells")
    hand.on(page.get_by_role("button", name="Take all 2"))
    page.locator("#said", has_text="2 taken").wait_for()
    assert page.locator(".places .taken").count() == 2


def letter_and_files(hand: Hand, folder: Path) -> Path:
    """The letter is edited, the files saved, both marked as sent."""
    page = hand.page
    hand.press("Sign-ups")
    hand.titled("Sign-ups")
    hand.on(page.locator("#rows .shape-name", has_text="Dee hill"))
    hand.titled("Dee hill")
    hand.press("Letter and files")
    hand.titled("Letter and files of Dee hill")
    page.get_by_role("button", name="Files for the volunteer", disabled=False).wait_for(
        timeout=LONG
    )
    text = page.locator("#letter")
    assert "We propose a camera at spot" in text.input_value()
    text.fill(text.input_value() + "\nSee you on Monday.\n")
    text.blur()
    page.locator("#said", has_text="The letter is saved").wait_for()
    with page.expect_download() as download:
        hand.press("Files for the volunteer")
    target = folder / "volunteer.zip"
    download.value.save_as(target)
    with zipfile.ZipFile(target) as archive:
        everything = b"".join(archive.read(name) for name in archive.namelist()).decode()
    assert "See you on Monday." in everything
    for other in ("Kay meadow", "Gee wood", "Tee brook", "Ess field"):
        assert other not in everything
    hand.press("Mark as sent")
    page.get_by_text("Sent on 20").wait_for()
    return target


def places_of(page: Any) -> dict[str, Any]:
    uid = page.url.rsplit("/", 1)[1]
    found: dict[str, Any] = page.evaluate(
        "async (uid) => { const data = JSON.parse(document.getElementById('siting-data')"
        ".textContent); return (await fetch(`/api/places/${uid}`,"
        " { headers: { 'X-Desk': data.token } })).json(); }",
        uid,
    )
    return found


def take_in(hand: Hand, visits: Path) -> None:
    page = hand.page
    hand.press("Came back")
    hand.titled("Came back")
    page.set_input_files("#back-files", str(visits))
    page.locator("#waiting > li").first.wait_for()
    assert "camera up" in page.locator("#waiting > li").inner_text()
    hand.press("Take it in")
    page.locator("#said", has_text=re.compile("Camera up|Check due")).wait_for()


def deployments(hand: Hand, folder: Path, spot_id: str) -> None:
    with hand.page.expect_download() as download:
        hand.press("All deployments as a data package")
    with zipfile.ZipFile(io.BytesIO(Path(download.value.path()).read_bytes())) as archive:
        archive.extractall(folder / "package")
    result = frictionless.validate(str(folder / "package" / "datapackage.json"))
    assert result.valid, result.flatten(["message"])
    with (folder / "package" / "deployments.csv").open(encoding="utf-8-sig") as stream:
        (row,) = csv.DictReader(stream)
    assert row["locationID"] == spot_id
    assert row["cameraID"] == "C-017"


class Keys:
    """A page that is worked by the keyboard alone: everything is reached with the Tab key."""

    def __init__(self, page: Any) -> None:
        self.page = page

    def reach(self, found: Any) -> None:
        """Tab on until the element has the focus, as someone without a mouse does."""
        found = found.first
        found.wait_for(timeout=LONG)
        for _ in range(150):
            if found.evaluate("(one) => one === document.activeElement"):
                return
            self.page.keyboard.press("Tab")
        raise AssertionError(f"{found} cannot be reached with the Tab key")

    def press(self, name: str, inside: Any = None) -> None:
        self.reach((inside or self.page).get_by_role("button", name=name, exact=True))
        self.page.keyboard.press("Enter")

    def write(self, label: str, text: str) -> None:
        self.reach(self.page.get_by_label(label, exact=True))
        self.page.keyboard.type(text)

    def corners(self, *moves: str) -> None:
        """Corners under the cross, the map moved by the arrow keys in between."""
        for move in moves:
            for key in move.split():
                self.page.keyboard.press(key)
                # The map glides to its new place.
                self.page.wait_for_timeout(350)
            self.page.keyboard.press("Enter")


def test_by_keyboard_alone_from_an_empty_office_to_a_valid_package(browser, tmp_path):
    inputs = make_country(tmp_path / "country", km=1.8, count=12)
    with running(tmp_path, inputs) as address:
        context = browser.new_context(accept_downloads=True, reduced_motion="reduce", **WIDE)
        context.set_default_timeout(60_000)
        page = context.new_page()
        page.goto(address)
        page.wait_for_selector("html[data-drawn]")
        hand, keys = Hand(page, touch=False), Keys(page)
        hand.titled("Sign-ups")
        keys.write("Name of the land", "Key hill")
        keys.press("Add")
        hand.titled("Key hill")
        keys.press("Draw the outline")
        assert page.evaluate("document.activeElement.id") == "map"
        keys.corners("", "ArrowRight ArrowRight", "ArrowDown ArrowDown", "ArrowLeft ArrowLeft")
        keys.press("Done")
        hand.saved()
        keys.press("Mark one", page.locator(".layer", has_text="Feeding places"))
        keys.corners("ArrowUp ArrowRight")
        hand.saved()
        keys.press("None here", page.locator(".layer", has_text="Livestock"))
        hand.saved()
        keys.press("Score this land")
        page.wait_for_selector(".places > li", timeout=LONG)
        keys.press("Take this place")
        said = re.compile("Spot 1 is chosen|The files are ready")
        page.locator("#said", has_text=said).wait_for()
        keys.press("Next: the letter")
        page.get_by_role("button", name="Files for the volunteer", disabled=False).wait_for(
            timeout=LONG
        )
        keys.press("Mark as sent")
        page.get_by_text("Sent on 20").wait_for()
        spot = places_of(page)["spots"][0]
        visits = tmp_path / "visits.json"
        record = {"state": "camera up", "at": "2027-04-03T10:20:00-05:00",
                  "location": spot["spot_id"], "lat": spot["lat"], "lon": spot["lon"],
                  "camera": "C-017"}  # fmt: skip
        content = {"format": "siting decisions 1", "parcel": "Key hill", "records": [record]}
        visits.write_text(json.dumps(content))
        keys.press("Came back")
        hand.titled("Came back")
        keys.reach(page.locator("#back-files"))
        page.set_input_files("#back-files", str(visits))
        page.locator("#waiting > li").first.wait_for()
        keys.press("Take it in")
        page.locator("#said", has_text=re.compile("Camera up|Check due")).wait_for()
        keys.reach(page.get_by_role("button", name="All deployments as a data package"))
        with page.expect_download() as download:
            page.keyboard.press("Enter")
        with zipfile.ZipFile(io.BytesIO(Path(download.value.path()).read_bytes())) as archive:
            archive.extractall(tmp_path / "package")
        result = frictionless.validate(str(tmp_path / "package" / "datapackage.json"))
        assert result.valid, result.flatten(["message"])
        context.close()
