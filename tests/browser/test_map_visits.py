"""The visit form: what is reported, kept, and handed back to the program."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import jsonschema
import pytest
from playwright.sync_api import expect

from siting.decisions.history import point_of
from siting.decisions.model import DecisionsFile
from siting.decisions.proposal import Proposal
from siting.read.vector.decision_files import read_decisions
from siting.report.page.map import map_page
from siting.settings.protocol import Protocol
from tests.browser.conftest import PHONE, WIDE, ask_at, click_at, lat_lon, opened, words_of
from tests.browser.reports import open_card, report
from tests.map_result import map_result, variants

pytestmark = pytest.mark.slow

SCHEMA = json.loads(
    (Path(__file__).parents[2] / "siting/data/decisions.schema.json").read_text(encoding="utf-8")
)


def downloaded(page, button):
    """Text of the file that a button saves."""
    with page.expect_download() as caught:
        page.click(button)
    return Path(caught.value.path()).read_text(encoding="utf-8")


def handed_back(page):
    page.click("#tab-visits")
    return json.loads(downloaded(page, "#visits-json"))


def ready(found):
    found.page.wait_for_selector("html[data-ready]")
    return found.page


@pytest.mark.parametrize("size", [WIDE, PHONE], ids=["1400", "390"])
def test_every_state_can_be_reported_and_fits_the_format(browser, page_file, size):
    with opened(browser, page_file, **size) as found:
        page = ready(found)
        open_card(page, 2)
        report(page, "visit-2", "visited", note='Fresh tracks, "good" place')
        report(page, "visit-2", "chosen")
        report(page, "visit-2", "camera up", lat="43.53461", lon="-80.50231", height_m="0,6",
               heading_magnetic_deg="54", camera="C-017", card="S-041", cleared=[0, 1])  # fmt: skip
        report(page, "visit-2", "checked", battery_percent="70", pictures="2310",
               clock_off_min="-2", card_out="S-041", card="S-088", done=[1, 3, 7])  # fmt: skip
        report(page, "visit-2", "moved", lat="43.5347", lon="-80.5022", heading_magnetic_deg="90")
        report(page, "visit-2", "taken down", battery_percent="40", card_out="S-088")
        open_card(page, 1)
        report(page, "visit-1", "ruled out", reason="people", note="=Riders use the ford")
        data = handed_back(page)
        assert found.complaints == []
    jsonschema.validate(data, SCHEMA, format_checker=jsonschema.FormatChecker())
    decisions = DecisionsFile.model_validate(data)
    assert [r.state for r in decisions.records] == [
        "visited", "chosen", "camera up", "checked", "moved", "taken down", "ruled out",
    ]  # fmt: skip
    up, checked = decisions.records[2], decisions.records[3]
    assert (up.lat, up.lon, up.position_from) == (43.53461, -80.50231, "typed")
    assert (up.height_m, up.heading_magnetic_deg, up.camera) == (0.6, 54, "C-017")
    assert up.cleared == ("grass", "branches")
    assert (checked.clock_off_min, checked.pictures, checked.card) == (-2, 2310, "S-088")
    assert checked.done == ("card changed", "regrowth cut", "walk test")
    spot = map_result().spots[1]
    assert (up.planned_lat, up.planned_lon) == pytest.approx((spot.lat, spot.lon), abs=1e-6)
    assert (up.spot, up.radius_m, decisions.parcel) == (2, 15, "P01")
    assert decisions.device


def test_reports_come_back_after_closing_and_can_be_removed(browser, page_file):
    with opened(browser, page_file, **WIDE) as found:
        page = ready(found)
        open_card(page, 1)
        report(page, "visit-1", "ruled out", reason="no tree", note="Dead ash")
        page.reload()
        ready(found)
        assert page.locator(".dot-holder .ruled-out .badge").text_content() == "✕"
        # Grey and last.
        assert page.locator("#spot-list > li").last.get_attribute("id") == "item-1"
        page.click("#tab-visits")
        words = page.locator("#visits-list").inner_text()
        assert "Spot 1" in words
        assert "No sound tree" in words
        assert "Dead ash" in words
        page.click("#tab-spots")
        open_card(page, 1)
        page.locator("#card-1 .reports button").click()
        assert page.locator("#spot-list > li").first.get_attribute("id") == "item-1"
        assert handed_back(page)["records"] == []


def test_the_form_comes_first_once_a_camera_goes_there(wide):
    open_card(wide, 1)

    def form_is_first():
        return wide.locator("#card-1").evaluate("c => c.firstElementChild.tagName") == "SECTION"

    assert not form_is_first()
    report(wide, "visit-1", "chosen")
    assert form_is_first()


@pytest.mark.parametrize(
    ("fields", "words"),
    [
        ({"height_m": "25"}, "not a number from 0 to 20"),
        ({"heading_magnetic_deg": "north"}, "not a number from 0 to 360"),
        ({"lat": "45.1"}, "not two numbers in degrees"),
        ({"lat": "95", "lon": "10"}, "not two numbers in degrees"),
        ({"at": ""}, "Say when"),
    ],
)
def test_a_wrong_value_is_named_and_nothing_is_kept(wide, fields, words):
    open_card(wide, 1)
    report(wide, "visit-1", "camera up", **fields)
    assert words in wide.locator("#visit-1-said").inner_text()
    assert wide.locator('#card-1 [aria-invalid="true"]').count() == 1
    assert handed_back(wide)["records"] == []


def test_the_next_check_visit_is_said_and_one_tap_brings_the_form(browser, page_file):
    with opened(browser, page_file, timezone_id="UTC", **PHONE) as found:
        page = ready(found)
        open_card(page, 2)
        page.locator("#card-2").get_by_role("button", name="Report a visit").click()
        expect(page.locator("#visit-2-state")).to_be_focused()
        expect(page.locator("#visit-2-state")).to_be_in_viewport()
        report(page, "visit-2", "camera up", at="2027-04-03T10:20")
        words = page.locator("#card-2 .next-visit").inner_text()
        # 13 days by the sums of card and batteries at the default settings.
        assert "Next check visit: about 16 April 2027." in words
        assert "empty card" in words
        page.click("#card-2 .next-visit summary")
        assert (
            "Batteries: change all of them below 50 %."
            in page.locator("#card-2 .next-visit").inner_text()
        )
        report(page, "visit-2", "taken down", at="2027-06-01T09:00")
        assert page.locator("#card-2 .next-visit").count() == 0


def test_ruling_out_needs_a_reason(wide):
    open_card(wide, 1)
    report(wide, "visit-1", "ruled out")
    assert "choose one" in wide.locator("#visit-1-said").inner_text()
    report(wide, "visit-1", "ruled out", reason="other")
    assert "say it in the note" in wide.locator("#visit-1-said").inner_text()
    assert handed_back(wide)["records"] == []


def test_no_position_is_not_the_planned_point(wide):
    """Issue 19: a camera reported without a position was taken to hang right at the spot."""
    open_card(wide, 1)
    wide.select_option("#visit-1-state", "camera up")
    wide.click("#visit-1-save")
    assert "Say where the camera stands" in wide.locator("#visit-1-said").inner_text()
    assert wide.locator("#card-1 .reports li").count() == 0
    wide.click("#visit-1-planned")
    wide.click("#visit-1-save")
    (record,) = handed_back(wide)["records"]
    assert record["position_from"] == "planned"
    assert (record["lat"], record["lon"]) == (record["planned_lat"], record["planned_lon"])


def test_deleting_all_reports_stands_apart_and_asks(wide):
    wide.click("#tab-visits")
    assert not wide.locator("#visits-apart").is_visible()
    wide.click("#tab-spots")
    open_card(wide, 1)
    report(wide, "visit-1", "visited")
    wide.click("#tab-visits")
    near = wide.locator("#visits-csv").bounding_box()
    far = wide.locator("#visits-forget").bounding_box()
    assert far["y"] > near["y"] + near["height"] + 100
    asked = []
    wide.once("dialog", lambda dialog: (asked.append(dialog.message), dialog.dismiss()))
    wide.click("#visits-forget")
    assert "the one report" in asked[0]
    assert len(handed_back(wide)["records"]) == 1
    wide.once("dialog", lambda dialog: dialog.accept())
    wide.click("#visits-forget")
    assert wide.locator("#visits-list li").count() == 0


def test_the_position_comes_from_the_phone(browser, page_file):
    spot = map_result().spots[0]
    lat, lon = round(spot.lat, 6), round(spot.lon, 6)
    here = {"latitude": lat, "longitude": lon, "accuracy": 6}
    with opened(browser, page_file, geolocation=here, permissions=["geolocation"],
                **PHONE) as found:  # fmt: skip
        page = ready(found)
        open_card(page, 1)
        page.select_option("#visit-1-state", "camera up")
        page.click("#visit-1-phone")
        expect(page.locator("#visit-1-lat")).not_to_have_value("")
        page.click("#visit-1-save")
        record = handed_back(page)["records"][0]
        assert (record["lat"], record["lon"]) == (lat, lon)
        assert (record["position_from"], record["accuracy_m"]) == ("phone", 6)
        # And on the map, in words.
        page.click("#here-switch")
        page.wait_for_selector(".here-dot")
        assert "You are at spot 1" in page.locator("#here-words").inner_text()
        page.click("#here-switch")
        assert page.locator(".here-dot").count() == 0
        assert found.complaints == []


def test_a_phone_that_may_not_say_where_it_is_says_what_to_do(browser, page_file):
    refuse = """navigator.geolocation.getCurrentPosition = (ok, no) => no({ code: 1 });
    navigator.geolocation.watchPosition = (ok, no) => { no({ code: 1 }); return 1; };"""
    with opened(browser, page_file, **PHONE) as found:
        page = found.page
        page.add_init_script(refuse)
        page.reload()
        ready(found)
        open_card(page, 1)
        page.select_option("#visit-1-state", "camera up")
        page.click("#visit-1-phone")
        assert "type the position" in page.locator("#card-1 fieldset").first.inner_text()
        page.click("#here-switch")
        assert "not allowed" in page.locator("#here-words").inner_text()


def test_the_position_comes_from_a_tap_on_the_map(wide):
    open_card(wide, 1)
    wide.select_option("#visit-1-state", "camera up")
    wide.click("#visit-1-map")
    click_at(wide, 540250.0, 4820180.0)
    assert wide.locator("#spots").is_visible()  # the tap was not a question
    wide.click("#visit-1-save")
    record = handed_back(wide)["records"][0]
    lat, lon = lat_lon(540250.0, 4820180.0)
    assert (record["lat"], record["lon"]) == pytest.approx((lat, lon), abs=2e-5)
    assert record["position_from"] == "map"


def test_a_tree_found_with_ask_can_be_marked(browser, page_file):
    with opened(browser, page_file, **WIDE) as found:
        page = ready(found)
        ask_at(page, *lat_lon(540250.0, 4820180.0))
        page.click("#ask .fold-mark summary")
        report(page, "asked", "chosen", note="Stout oak")
        assert page.locator(".sign-own").count() == 1
        page.reload()
        ready(found)
        assert page.locator(".sign-own").count() == 1
        page.click("#tab-visits")
        page.click("#visits-own summary")
        report(page, "own-1", "camera up", camera="C-2")
        records = handed_back(page)["records"]
        assert [r["state"] for r in records] == ["chosen", "camera up"]
        assert "location" not in records[0]
        assert records[0]["planned_lat"] == records[1]["planned_lat"]
        assert page.locator(".sign-own").count() == 1
        assert found.complaints == []


def test_sharing_uses_the_phones_share_sheet(browser, page_file):
    sheet = """navigator.canShare = () => true;
    navigator.share = async ({ files: [file] }) => {
      document.body.dataset.shared = JSON.stringify([file.name, await file.text()]); };"""
    with opened(browser, page_file, **PHONE) as found:
        page = found.page
        page.add_init_script(sheet)
        page.reload()
        ready(found)
        open_card(page, 1)
        report(page, "visit-1", "chosen")
        page.click("#tab-visits")
        page.click("#visits-share")
        # Told by the page itself: its policy forbids a condition handed over as text.
        page.locator("body[data-shared]").wait_for()
        name, text = json.loads(page.locator("body").get_attribute("data-shared"))
        assert name == "decisions_P01.json"
        assert DecisionsFile.model_validate_json(text).records[0].state == "chosen"


def test_without_a_share_sheet_there_is_no_button(wide):
    wide.click("#tab-visits")
    shown = wide.locator("#visits-share").is_visible()
    assert shown == wide.evaluate("Boolean(navigator.canShare && navigator.share)")
    assert wide.locator("#visits-json").is_visible()


@pytest.mark.parametrize("name", ["south", "180th meridian"])
def test_the_program_reads_what_the_page_saves(browser, tmp_path, name):
    """Both files, through the reader of `siting score`; also where longitudes wrap."""
    result, protocol = variants()[name]
    path = tmp_path / "map.html"
    path.write_text(map_page(result, protocol=protocol), encoding="utf-8")
    with opened(browser, path, **WIDE) as found:
        page = ready(found)
        open_card(page, 1)
        report(page, "visit-1", "camera up")
        open_card(page, 2)
        report(page, "visit-2", "ruled out", reason="wet", note="=1+1")
        page.click("#tab-visits")
        texts = [downloaded(page, f"#visits-{kind}") for kind in ("json", "csv")]
    assert "'=1+1" in texts[1]
    for kind, text in zip(("json", "csv"), texts, strict=True):
        saved = tmp_path / f"decisions.{kind}"
        saved.write_bytes(text.encode("utf-8"))
        visits = read_decisions(saved).records
        assert [visit.state for visit in visits] == ["camera up", "ruled out"]
        for visit, spot in zip(visits, result.spots, strict=False):
            lon, lat = point_of(visit)
            assert lat == pytest.approx(spot.lat, abs=1e-6)
            assert (lon - spot.lon + 180) % 360 - 180 == pytest.approx(0.0, abs=1e-6)
            assert visit.radius_m == spot.search_radius_m


def test_the_surveys_proposal_is_said_first(browser, tmp_path):
    path = tmp_path / "map.html"
    asked = Proposal("P01-AAAA", 3, "proposed", "it is 400 m from the next camera")
    written = map_page(replace(map_result(), proposal=asked), protocol=Protocol())
    path.write_text(written, encoding="utf-8")
    with opened(browser, path, **PHONE) as found:
        page = ready(found)
        first = page.locator("#first-words")
        assert words_of(first).startswith(
            "The survey proposes spot 3 for you, because it is 400 m from the next camera. "
        )
        assert "Face " in words_of(first)
        open_card(page, 3)
        report(page, "visit-3", "ruled out", reason="owner")
        assert words_of(first).startswith("Go to spot 1 next.")


def test_a_camera_that_stands_at_a_spot_is_said_and_its_form_comes_first(browser, tmp_path):
    path = tmp_path / "map.html"
    spot = map_result().spots[1]
    stands = Proposal("P01-AAAA", 2, "camera up", lon=spot.lon, lat=spot.lat)
    written = map_page(replace(map_result(), proposal=stands), protocol=Protocol())
    path.write_text(written, encoding="utf-8")
    with opened(browser, path, **PHONE) as found:
        page = ready(found)
        assert words_of(page.locator("#first-words")).startswith("Your camera is up at spot 2.")
        open_card(page, 2)
        assert page.locator("#card-2").evaluate("c => c.firstElementChild.tagName") == "SECTION"
        report(page, "visit-2", "taken down", battery_percent="40")
        assert words_of(page.locator("#first-words")).startswith("Go to spot 1")


def test_a_camera_off_the_list_is_a_place_of_its_own_under_visits(browser, tmp_path):
    path = tmp_path / "map.html"
    lat, lon = lat_lon(540250.0, 4820180.0)
    stands = Proposal("P01-M2XD", None, "camera up", lon=lon, lat=lat)
    written = map_page(replace(map_result(), proposal=stands), protocol=Protocol())
    path.write_text(written, encoding="utf-8")
    with opened(browser, path, **PHONE) as found:
        page = ready(found)
        words = words_of(page.locator("#first-words"))
        assert words.startswith(f"A camera stands at {lat:.5f}, {lon:.5f}")
        assert page.locator(".sign-own").count() == 1
        page.click("#tab-visits")
        page.click("#visits-own summary")
        report(page, "own-1", "checked", battery_percent="60")
        (record,) = handed_back(page)["records"]
        assert (record["location"], record["state"]) == ("P01-M2XD", "checked")
        assert "spot" not in record
        assert page.locator("#visits-list").inner_text().startswith("Your own place")
