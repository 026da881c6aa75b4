"""Places drawn at random on the page: found, chosen, placed, checked and moved like a spot."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import pytest
from playwright.sync_api import expect

from siting.batch.output.office import office_files
from siting.decisions.proposal import Proposal
from siting.read.vector.decision_files import Decisions, read_decisions
from siting.report.files.random_places import located
from siting.report.page.map import map_page
from siting.settings.inputs import SurveyInput
from siting.settings.protocol import Protocol
from siting.spot_parts import RandomPlace
from tests.browser.axe import axe_faults
from tests.browser.conftest import PHONE, WIDE, at_rest, opened, words_of
from tests.browser.reports import report
from tests.map_result import map_result

pytestmark = pytest.mark.slow

SMALL_PHONE = {**PHONE, "viewport": {"width": 320, "height": 640}}

DRAWN = tuple(
    RandomPlace(
        easting=540150.0 + 60 * n,
        northing=4820150.0 + 40 * n,
        stratum="woods" if n != 1 else "open ground",
        order=order,
        spare=spare,
        inclusion_per_ha=0.3,
        stratum_ha=6.0,
        reach_m=10.0,
        tree_m=3.0,
    )
    for n, (order, spare) in enumerate([(1, False), (1, False), (2, True), (3, True)])
)


def drawn_result():
    return replace(map_result(), random_places=DRAWN)


@pytest.fixture(scope="module")
def pages(tmp_path_factory):
    """A page with places drawn at random, and one that asks for the first of them."""
    folder, result = tmp_path_factory.mktemp("drawn"), drawn_result()
    _, name, lon, lat = next(located(result))
    asked = Proposal(name, None, "proposed", "chance chose it", lon, lat, drawn="woods 1")
    found = {}
    for key, made in {"listed": result, "asked": replace(result, proposal=asked)}.items():
        found[key] = folder / f"{key}.html"
        found[key].write_text(map_page(made, protocol=Protocol()), encoding="utf-8")
    return found


def names() -> list[str]:
    return [name for _, name, *_ in located(drawn_result())]


def handed_back(page) -> str:
    page.click("#tab-visits")
    with page.expect_download() as caught:
        page.click("#visits-json")
    return Path(caught.value.path()).read_text(encoding="utf-8")


def test_a_camera_at_a_random_place_from_tap_to_the_offices_table(browser, pages, tmp_path):
    with opened(browser, pages["listed"], timezone_id="Etc/GMT+5", **PHONE) as found:
        page = found.page
        page.wait_for_selector("html[data-ready]")
        assert words_of(page.locator("#first-words")).startswith("Go to spot 1 first")
        page.locator('[aria-label="Place drawn at random, woods 1"]').click()
        expect(page.locator("#drawn-1")).to_have_attribute("open", "")
        assert page.locator("#spots").is_visible()
        assert "nearest workable tree" in words_of(page.locator("#drawn-1"))
        report(page, "drawn-1", "chosen", at="2027-04-01T09:00")
        report(page, "drawn-1", "camera up", at="2027-04-03T10:20", camera="C-5", card="S-1")
        words = words_of(page.locator("#first-words"))
        assert words.startswith("Your camera is up at woods 1, a place drawn at random.")
        report(page, "drawn-1", "checked", at="2027-04-17T12:00", battery_percent="80")
        report(page, "drawn-1", "moved", at="2027-05-01T12:00", lat="43.52", lon="-80.49")
        assert page.locator("#drawn-1 > summary").inner_text().endswith("The camera was moved")
        assert page.locator(".drawn-holder .badge").first.inner_text() == "C"
        text = handed_back(page)
        assert words_of(page.locator("#visits-list")).count("Place drawn at random W1") == 4
        assert page.locator("#visits-own details").count() == 0
        assert (found.outside, found.complaints) == ([], [])
    records = json.loads(text)["records"]
    assert {record["location"] for record in records} == {names()[0]}
    file = tmp_path / "visit.json"
    file.write_text(text, encoding="utf-8")
    parcel = json.loads(text)["parcel"]
    decided = {parcel: Decisions(read_decisions(file).records, ())}
    rows = office_files(decided, survey=SurveyInput(), protocol=Protocol())["deployments.csv"]
    first, second = rows.splitlines()[1:]
    assert "placement:random | stratum:woods | draw:1" in first
    # Moved by hand, it stands where somebody chose.
    assert "placement:targeted" in second


@pytest.mark.parametrize("size", [PHONE, WIDE], ids=["390", "1400"])
def test_the_page_asks_for_a_random_place_and_goes_on_to_its_spare(browser, pages, size):
    with opened(browser, pages["asked"], **size) as found:
        page = found.page
        page.wait_for_selector("html[data-ready]")
        first, then = page.locator("#first-words"), page.locator("#first-next")
        assert words_of(first).startswith(
            "The survey asks you for a camera at a place drawn at random"
        )
        assert "nearest workable tree" in words_of(first)
        assert "Go to the spare W2." in words_of(then)
        asked = page.locator("#drawn-1 > summary")
        assert words_of(asked) == "W1 Woods 1: asked for by the survey"
        page.get_by_role("button", name="Open W1 to report").click()
        report(page, "drawn-1", "ruled out", reason="no tree")
        assert words_of(first).startswith("Go to the spare woods 2 (W2 on the map) next.")
        page.get_by_role("button", name="Open W2 to report").click()
        report(page, "drawn-3", "ruled out", reason="wet")
        page.get_by_role("button", name="Open W3 to report").click()
        report(page, "drawn-4", "ruled out", reason="unsafe")
        assert words_of(first).startswith("No spare of this habitat is left.")
        assert words_of(then) == ""
        assert page.locator(".sign-random.ruled-out").count() == 3
        assert found.complaints == []


def test_by_keyboard_the_cross_opens_the_place_under_it(browser, pages):
    with opened(browser, pages["listed"], **WIDE) as found:
        page = found.page
        page.wait_for_selector("html[data-ready]")
        place = page.evaluate(
            "JSON.parse(document.getElementById('siting-data').textContent).drawn[1]"
        )
        page.evaluate("(p) => testMap.setView([p.lat, p.lon], 18)", place)
        at_rest(page)
        page.focus("#map_siting")
        page.keyboard.press("Enter")
        expect(page.locator("#drawn-2")).to_have_attribute("open", "")
        page.focus("#drawn-2 > summary")
        page.keyboard.press("Enter")
        expect(page.locator("#drawn-2")).not_to_have_attribute("open", "")


@pytest.mark.parametrize(
    ("scheme", "size"),
    [("light", PHONE), ("dark", WIDE), ("dark", SMALL_PHONE)],
    ids=["light 390", "dark 1400", "dark 320"],
)  # fmt: skip
def test_axe_finds_nothing_with_places_drawn_at_random(browser, pages, scheme, size):
    with opened(browser, pages["asked"], color_scheme=scheme, **size) as found:
        page = found.page
        page.wait_for_selector("html[data-ready]")
        states = {
            "first": lambda: None,
            "open": lambda: page.click("#first-words button"),
            "form": lambda: page.select_option("#drawn-1-state", "camera up"),
            "up": lambda: report(page, "drawn-1", "camera up"),
            "visits": lambda: page.click("#tab-visits"),
        }
        for name, act in states.items():
            act()
            assert axe_faults(page) == [], name
            assert (
                page.evaluate("document.documentElement.scrollWidth") <= size["viewport"]["width"]
            )
