"""The page of the sample parcel, made by the whole program: size, no-go facts, first reading."""

from __future__ import annotations

import csv
import re
from dataclasses import replace
from pathlib import Path

import pytest

from siting.decisions.proposal import Proposal
from siting.report.page.map import map_page
from siting.report.paper.sheet import field_sheet
from siting.report.shared.facts import spot_facts
from siting.settings.inputs import SurveyInput
from siting.settings.protocol import Protocol
from tests.browser.conftest import PHONE, WIDE, ask_at, island_of, lat_lon, opened, words_of
from tests.sample_run import sample_result

pytestmark = pytest.mark.slow

SAMPLE = Path(__file__).parents[2] / "sample_rasters"
FACTS = list(csv.DictReader((SAMPLE / "no_go_facts.csv").open(encoding="utf-8")))
MOST_BYTES = 3_000_000


@pytest.fixture(scope="module")
def sample(tmp_path_factory):
    result = sample_result()
    path = tmp_path_factory.mktemp("sample") / "map.html"
    path.write_text(map_page(result, protocol=Protocol()), encoding="utf-8")
    return path, result


def test_page_is_small(sample):
    assert sample[0].stat().st_size < MOST_BYTES


@pytest.mark.parametrize("paper", ["A4", "Letter"])
def test_one_printed_page_to_a_spot_of_the_sample(browser, sample, tmp_path, paper):
    """Cover, before you go, five spots, check visits: nothing runs on to another page."""
    result, path = sample[1], tmp_path / "sheet.html"
    asked = replace(result, proposal=Proposal("P01-AAAA", 3, "proposed", "it is the best we know"))
    for one in (result, asked):
        text = field_sheet(one, spot_facts(one), protocol=Protocol(), survey=SurveyInput())
        path.write_text(text, encoding="utf-8")
        with opened(browser, path) as tab:
            assert len(re.findall(rb"/Type\s*/Page\b(?!s)", tab.page.pdf(format=paper))) == 3 + 5


@pytest.mark.parametrize("paper", ["A4", "Letter"])
def test_the_map_of_the_sample_is_printed_without_a_blank_page(browser, sample, paper):
    with opened(browser, sample[0], **WIDE) as tab:
        tab.page.wait_for_selector("html[data-ready]")
        assert len(re.findall(rb"/Type\s*/Page\b(?!s)", tab.page.pdf(format=paper))) <= 3


def test_every_cell_of_the_parcel_can_be_asked(browser, sample):
    with opened(browser, sample[0], **WIDE) as found:
        found.page.wait_for_selector("html[data-ready]")
        assert island_of(found.page)["cells"]["step"] == 1


def test_no_go_facts_are_told_and_drawn(browser, sample):
    """Every fact of the sample's table: asking there names the rule, the map and key show it."""
    with opened(browser, sample[0], **WIDE) as found:
        page = found.page
        page.wait_for_selector("html[data-ready]")
        labels = {r["key"]: (r["label"], r["name"]) for r in island_of(page)["rules"]}
        crs = sample[1].land.grid.crs
        key = page.locator("#key-zones").evaluate("e => e.textContent")
        for fact in FACTS:
            place = [float(fact["easting"]), float(fact["northing"])]
            head = ask_at(page, *lat_lon(*place, crs))
            if fact["rule"] == "outside":
                assert head == "Outside the parcel."
                continue
            label, name = labels[fact["rule"]]
            assert label in head, fact
            assert label in key
            assert page.locator(f".folium-map .zone-{fact['rule']}").count() > 0
            names = page.locator(".folium-map .name-zone").all_text_contents()
            pattern = page.locator(f"#hatch-{fact['rule']}").count()
            assert name in names or pattern == 1
        assert found.complaints == []


def test_a_first_time_reader_finds_the_four_answers(browser, sample):
    """Where first, which way to face, what to cut, what may go wrong: from a phone, two taps."""
    with opened(browser, sample[0], **PHONE) as found:
        page = found.page
        page.wait_for_selector("html[data-ready]")
        first = words_of(page.locator("#first-words"))
        assert first.startswith("Go to spot 1 first: animals may cross the stream there.")
        assert "Face " in first
        page.locator("#row-1").tap()
        page.locator("#card-1 dt").first.wait_for()
        rows = page.locator("#card-1 dt").all_inner_texts()
        assert rows[:6] == ["Go", "Position", "Look", "Face", "Hang", "Clear"]
        words = page.locator("#card-1").inner_text()
        assert "on foot" in words
        assert "° true" in words
        assert "Use hand pruners only" in words
        assert "Take care everywhere on this parcel" in words
        page.locator("#card-1 .closer").tap()
        for _ in range(100):
            if page.locator(".folium-map .wedge").bounding_box()["height"] > 20:
                break
            page.wait_for_timeout(60)
        else:
            raise AssertionError("the map does not come closer")
        assert found.outside == []
        assert found.complaints == []
