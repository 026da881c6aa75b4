"""Visits, measure, layers, light and dark, print."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from siting.read.vector.visit_file import read_visits
from siting.report.page.map import map_page
from tests.browser.conftest import WIDE, click_at, move_weights, opened
from tests.map_result import map_result, variants


def mark_spots(page):
    page.click("#row-1")
    page.locator("#visit-1-1").check()
    page.locator("#visit-1-note").fill('Fresh tracks, "good" place')
    page.click("#row-2")
    page.locator("#visit-2-3").check()
    page.locator("#visit-2-reason").fill("=Tree is dead")


def downloaded(page, button):
    """Text of the file that a button saves."""
    with page.expect_download() as caught:
        page.click(button)
    return Path(caught.value.path()).read_text(encoding="utf-8")


def test_marks_are_kept_and_come_back(browser, page_file):
    with opened(browser, page_file, **WIDE) as found:
        found.page.wait_for_selector("html[data-ready]")
        mark_spots(found.page)
        assert found.page.locator(".dot-holder .badge").first.text_content() == "✓"
        found.page.reload()
        found.page.wait_for_selector("html[data-ready]")
        found.page.click("#tab-visits")
        words = found.page.locator("#visits-list").inner_text()
        assert "Spot 1: visited" in words
        assert "Tree is dead" in words


def test_marks_can_be_handed_back(wide):
    result = map_result()
    mark_spots(wide)
    wide.click("#tab-visits")
    with wide.expect_download() as caught:
        wide.click("#visits-json")
    data = json.loads(Path(caught.value.path()).read_text(encoding="utf-8"))
    assert caught.value.suggested_filename == "visited.json"
    assert data["format"] == "siting visited 1"
    assert data["parcel"] == "P01"
    assert [row["spot"] for row in data["spots"]] == [1, 2]
    assert data["spots"][1]["state"] == "ruled out"
    assert data["spots"][1]["reason"] == "=Tree is dead"
    assert data["spots"][0]["lat"] == pytest.approx(result.spots[0].lat, abs=1e-6)
    assert set(data["spots"][0]) == {"spot", "lat", "lon", "radius_m", "state", "reason", "note"}
    with wide.expect_download() as caught:
        wide.click("#visits-csv")
    table = Path(caught.value.path()).read_text(encoding="utf-8")
    assert table.splitlines()[0] == "spot,lat,lon,radius_m,state,reason,note"
    assert "'=Tree is dead" in table
    assert '"Fresh tracks, ""good"" place"' in table


@pytest.mark.parametrize("name", ["south", "180th meridian"])
def test_the_program_reads_what_the_page_saves(browser, tmp_path, name):
    """Both files, through the reader of `siting score`; also where longitudes wrap."""
    result, protocol = variants()[name]
    path = tmp_path / "map.html"
    path.write_text(map_page(result, protocol=protocol), encoding="utf-8")
    with opened(browser, path, **WIDE) as found:
        found.page.wait_for_selector("html[data-ready]")
        mark_spots(found.page)
        found.page.click("#tab-visits")
        texts = [downloaded(found.page, f"#visits-{kind}") for kind in ("json", "csv")]
    for kind, text in zip(("json", "csv"), texts, strict=True):
        saved = tmp_path / f"visited.{kind}"
        saved.write_bytes(text.encode("utf-8"))
        visits = read_visits(saved)
        assert [visit.state for visit in visits] == ["visited", "ruled out"]
        for visit, spot in zip(visits, result.spots, strict=False):
            assert visit.lat == pytest.approx(spot.lat, abs=1e-6)
            assert (visit.lon - spot.lon + 180) % 360 - 180 == pytest.approx(0.0, abs=1e-6)
            assert visit.radius_m == spot.search_radius_m


def test_measured_metres_and_feet(wide):
    wide.click("#measure-switch")
    click_at(wide, 540200.0, 4820200.0)
    click_at(wide, 540300.0, 4820200.0)
    click_at(wide, 540300.0, 4820250.0)
    words = wide.locator("#measure-words").text_content()
    metres = int(words.split(" m")[0].split()[-1])
    assert abs(metres - 150) <= 2  # a click is a whole pixel
    assert f"({round(metres / 0.3048)} ft)" in words or "ft" in words
    assert wide.locator(".leaflet-control-scale-line").count() == 2


def test_measuring_to_a_spot_takes_the_spot(wide):
    wide.click("#measure-switch")
    click_at(wide, 540200.0, 4820200.0)
    wide.locator('.dot-holder[aria-label^="Spot 1,"]').click()
    assert "Distance:" in wide.locator("#measure-words").text_content()
    assert wide.locator('.spot-row[aria-current="true"]').count() == 0


def test_layers_can_be_hidden(wide):
    wide.click("#tab-key")
    assert wide.locator(".folium-map .zone-livestock").count() > 0
    wide.locator("#key-zones input").first.focus()
    for box in wide.locator("#key-zones input").all():
        box.uncheck()
    assert wide.locator(".folium-map .zone").count() == 0
    box = wide.get_by_label("Score in colours")
    box.uncheck()
    assert wide.locator(".picture-score").count() == 0
    box.check()
    assert wide.locator(".picture-score").count() == 1


def test_each_zone_is_named_on_the_map_and_in_the_key(wide):
    names = wide.locator(".folium-map .name-zone").all_text_contents()
    assert "livestock" in names
    assert "feeder" in names
    wide.click("#tab-key")
    words = wide.locator("#key-zones").inner_text()
    assert "from a field with livestock" in words
    fills = wide.locator(".folium-map .zone").evaluate_all(
        "zones => [...new Set(zones.map((z) => z.getAttribute('fill')))]"
    )
    assert len(fills) == 2
    for fill in fills:
        assert wide.locator(fill[4:-1]).count() == 1


def test_light_and_dark(browser, page_file):
    with opened(browser, page_file, color_scheme="dark", **WIDE) as found:
        page = found.page
        page.wait_for_selector("html[data-ready]")
        assert page.locator("html").get_attribute("data-theme") == "dark"
        dark = page.evaluate("getComputedStyle(document.documentElement).backgroundColor")
        page.click("#theme-switch")
        assert page.locator("html").get_attribute("data-theme") == "light"
        assert page.evaluate("getComputedStyle(document.documentElement).backgroundColor") != dark


def test_print_shows_map_key_and_list(wide):
    wide.emulate_media(media="print")
    wide.wait_for_timeout(200)
    for name in ("#map_siting", "#spot-list", "#key", ".standing"):
        assert wide.locator(name).first.is_visible()
    for name in (".tabs", "#weights", ".head-buttons", ".map-tools"):
        assert not wide.locator(name).is_visible()
    assert len(wide.pdf()) > 20_000


def test_the_first_words_follow_the_marks_and_the_weights(wide):
    first = wide.locator("#first-words")
    assert first.inner_text().startswith("Go to spot 1 first. ")
    wide.click("#row-1")
    wide.locator("#visit-1-3").check()
    assert first.inner_text().startswith("Go to spot 2 next. ")
    move_weights(wide, trail=1.0, water=0.0)
    rows = wide.locator("#spot-list > li").evaluate_all("rows => rows.map((row) => row.id)")
    order = [int(name.removeprefix("item-")) for name in rows]
    best = next(n for n in order if n != 1)
    assert first.inner_text().startswith(f"With your weights, go to spot {best} next. ")
    wide.click("#row-3")
    wide.locator("#visit-3-2").check()
    assert first.inner_text().startswith("Camera at spot 3. Save your marks")
    for n in (1, 2, 3, 4):
        if not wide.locator(f"#card-{n}").is_visible():
            wide.click(f"#row-{n}")
        wide.locator(f"#visit-{n}-3").check()
    assert first.inner_text().startswith("All spots are ruled out.")


def test_the_list_tells_what_helps_to_choose(wide):
    rows = wide.locator(".spot-do").all_inner_texts()
    assert all(row.lower().startswith("face ") for row in rows)
    assert any("min walk" in row for row in rows)
    assert any(row.endswith(("firm", "fair", "toss-up")) for row in rows)
    assert "how sure" in wide.locator("#order-note").inner_text()


def test_a_feature_has_its_sign_and_its_name_only_near_by(wide):
    wide.evaluate("testMap.setZoom(17.75, { animate: false })")
    assert wide.locator(".sign-features:visible, .name-feature:visible").count() == 0
    wide.evaluate("testMap.setZoom(18, { animate: false })")
    assert wide.locator(".sign-features:visible").count() > 0
    assert "log over the brook" in wide.locator(".name-feature").all_text_contents()
