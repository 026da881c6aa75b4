"""Visits, measure, layers, light and dark, print."""

from __future__ import annotations

from dataclasses import replace

import pytest
from shapely import affinity

from siting.report.page.map import map_page
from siting.settings.protocol import Protocol
from siting.words.spot.reasons import NOTHING_DRAWS
from tests.browser.conftest import (
    PHONE,
    WIDE,
    at_rest,
    click_at,
    island_of,
    move_weights,
    on_paper,
    opened,
    words_of,
)
from tests.browser.reports import open_card, report
from tests.fake_result import FIRM
from tests.map_result import map_result

pytestmark = pytest.mark.slow


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
    on_paper(wide)
    for name in ("#map_siting", "#spot-list", "#key", ".standing"):
        assert wide.locator(name).first.is_visible()
    for name in (".tabs", "#weights", ".head-buttons", ".map-tools"):
        assert not wide.locator(name).is_visible()
    assert len(wide.pdf()) > 20_000


@pytest.mark.parametrize("size", [WIDE, PHONE], ids=["1400", "390"])
def test_a_parcel_at_the_edge_of_the_maps_is_shown_whole(browser, tmp_path, size):
    """The limits of the map moved the view while the parcel was being shown: a part was cut off."""
    result = map_result()
    shape = affinity.translate(result.land.parcel_shape, -160.0, 160.0)
    path = tmp_path / "map.html"
    moved = replace(result, land=replace(result.land, parcel_shape=shape))
    path.write_text(map_page(moved, protocol=Protocol()), encoding="utf-8")
    with opened(browser, path, **size) as found:
        page = found.page
        page.wait_for_selector("html[data-ready]")
        page.wait_for_timeout(500)
        at_rest(page)
        seen = page.evaluate("[testMap.getCenter().lat, testMap.getCenter().lng]")
        page.click("#whole-parcel")
        page.wait_for_timeout(500)
        at_rest(page)
        now = page.evaluate("[testMap.getCenter().lat, testMap.getCenter().lng]")
        assert seen == pytest.approx(now, abs=2e-5)


def test_the_first_words_follow_the_reports_and_the_weights(wide):
    first = wide.locator("#first-words")
    assert words_of(first).startswith("Go to spot 1 first: animals ")
    # Why there, which way, what if it is no good, and how to report, before anything is tapped.
    assert island_of(wide)["spots"][0]["why"][0] in words_of(first)
    assert "Face " in words_of(first)
    assert "Its index, " in words_of(first)
    assert " is the highest here, and still below that of plain ground, 1: " in words_of(first)
    then = wide.locator("#first-next")
    assert words_of(then).startswith("No good when you get there? Tap the spot in the list")
    assert "Visits" in words_of(then)
    open_card(wide, 1)
    report(wide, "visit-1", "ruled out", reason="wet")
    assert words_of(first).startswith("Go to spot 2 next. ")
    move_weights(wide, trail=150, water=0)
    rows = wide.locator("#spot-list > li").evaluate_all("rows => rows.map((row) => row.id)")
    order = [int(name.removeprefix("item-")) for name in rows]
    assert order[-1] == 1
    assert words_of(first).startswith(f"With your ratios, go to spot {order[0]} next. ")
    open_card(wide, 3)
    report(wide, "visit-3", "chosen")
    assert words_of(first).startswith("You chose spot 3. ")
    assert words_of(then) == ""
    for n in (2, 3, 4):
        open_card(wide, n)
        report(wide, f"visit-{n}", "ruled out", reason="people")
    assert words_of(first).startswith("All spots are ruled out.")


def test_people_met_on_a_trail_take_the_other_spots_on_it(wide):
    """ "Go to spot 2 next" sent to the same trail, though the page knows that both stand on it."""
    first = wide.locator("#first-words")
    assert [spot["takes"] for spot in island_of(wide)["spots"]] == [[], [], [4], [3]]
    for n, reason in ((1, "wet"), (3, "people")):
        open_card(wide, n)
        report(wide, f"visit-{n}", "ruled out", reason=reason)
    assert words_of(first).startswith("Go to spot 2 next. ")
    assert "people use the trail or crossing here" in words_of(wide.locator("#place-4"))
    open_card(wide, 2)
    report(wide, "visit-2", "ruled out", reason="wet")
    assert words_of(first).startswith("Spot 4 is passed over: people use the trail or crossing")
    assert "No other spot is left." in words_of(first)
    assert "Go to spot" not in words_of(wide.locator("#visit-2-said"))


def test_the_list_tells_what_helps_to_choose(wide):
    rows = wide.locator(".spot-do").all_inner_texts()
    assert all(row.lower().startswith("face ") for row in rows)
    assert any("min walk" in row for row in rows)
    assert any(row.endswith(("firm", "fair", "toss-up")) for row in rows)
    assert "among the first five" in wide.locator("#order-note").inner_text()
    # One farm may get two answers: from a batch on coarse maps, and alone on fine ones.
    assert "finer or coarser maps" in wide.locator("#precision-words").text_content()


def test_a_feature_has_its_sign_and_its_name_only_near_by(wide):
    wide.evaluate("testMap.setZoom(17.75, { animate: false })")
    assert wide.locator(".sign-features:visible, .name-feature:visible").count() == 0
    wide.evaluate("testMap.setZoom(18, { animate: false })")
    assert wide.locator(".sign-features:visible").count() > 0
    assert "log over the brook" in wide.locator(".name-feature").all_text_contents()


@pytest.mark.parametrize(
    "unlike",
    [{"stability": replace(FIRM, word="toss-up", share_among=0.2)}, {"why": NOTHING_DRAWS}],
    ids=["toss-ups", "plain ground"],
)
def test_equal_spots_are_not_sent_to_in_order(unlike, browser, tmp_path):
    """Rank says nothing where the first spots have one index and nothing sets them apart."""
    base = map_result()
    alike = tuple(replace(s, score=base.spots[0].score, **unlike) for s in base.spots)
    path = tmp_path / "map.html"
    path.write_text(map_page(replace(base, spots=alike), protocol=Protocol()), encoding="utf-8")
    with opened(browser, path, **WIDE) as found:
        found.page.wait_for_selector("html[data-ready]")
        words = words_of(found.page.locator("#first-words"))
    assert words.startswith(f"These maps cannot rank spots 1 to {len(alike)}: any of them may be ")
    assert "first" not in words
    nearest = min((s for s in alike if s.walk), key=lambda s: s.walk.minutes_there)
    assert f"Start with spot {nearest.rank}: it has the shortest walk." in words
