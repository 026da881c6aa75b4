"""The overview of a batch in a browser: five thousand parcels, offline, by mouse and by keys."""

from __future__ import annotations

import json
import re

import pytest
from playwright.sync_api import expect

from siting.batch.output.overview import overview_page, page_data
from tests.batch_rows import invented_batch
from tests.browser.axe import axe_faults
from tests.browser.conftest import PHONE, WIDE, at_rest, opened, painted

pytestmark = pytest.mark.slow

COUNT = 5000
# Our budget for a page that an office opens daily; measured about half of both on two cores.
MOST_BYTES = 6_000_000
MOST_MS = 6_000


@pytest.fixture(scope="session")
def batch():
    return invented_batch(COUNT)


@pytest.fixture(scope="session")
def large(batch, tmp_path_factory):
    path = tmp_path_factory.mktemp("overview") / "overview.html"
    path.write_text(overview_page(batch, relief=None, protocol_name="test"), encoding="utf-8")
    return path


@pytest.fixture(params=[WIDE, PHONE], ids=["1400", "390"])
def tab(request, browser, large):
    with opened(browser, large, **request.param) as found:
        found.page.wait_for_selector("html[data-ready]")
        yield found
        assert found.outside == []
        assert found.complaints == []


@pytest.fixture
def wide(browser, large):
    with opened(browser, large, **WIDE) as found:
        found.page.wait_for_selector("html[data-ready]")
        yield found.page
        assert found.complaints == []


def ids(page):
    return page.eval_on_selector_all("#rows .pick", "found => found.map(e => e.textContent)")


def test_five_thousand_parcels_load_in_time(large, browser, capsys):
    size = large.stat().st_size
    assert size < MOST_BYTES
    with opened(browser, large, **WIDE) as found:
        found.page.wait_for_selector("html[data-ready]")
        spent = found.page.evaluate(
            "() => performance.timing.domComplete - performance.timing.navigationStart"
        )
    with capsys.disabled():
        print(f"\noverview of {COUNT} parcels: {size / 1e6:.1f} MB, open after {spent} ms")
    assert spent < MOST_MS


def test_nothing_of_the_list_lies_off_a_phone(browser, large):
    with opened(browser, large, **PHONE) as found:
        found.page.wait_for_selector("html[data-ready]")
        assert not found.page.evaluate("document.querySelector('details.key').open")
        width = found.page.evaluate("document.documentElement.clientWidth")
        row = found.page.locator("#rows tr").first
        for name in ("Firm", "Usable", "Proposed"):
            cell = row.locator(f'td[data-head="{name}"]')
            assert cell.count() == 1
            if cell.text_content():
                box = cell.bounding_box()
                assert box["x"] >= 0
                assert box["x"] + box["width"] <= width
    with opened(browser, large, **WIDE) as found:
        found.page.wait_for_selector("html[data-ready]")
        assert found.page.evaluate("document.querySelector('details.key').open")


def test_on_a_phone_a_parcel_of_the_list_shows_its_card(browser, large):
    with opened(browser, large, **PHONE) as found:
        page = found.page
        page.wait_for_selector("html[data-ready]")
        row = page.locator("#rows tr").nth(8)
        row.locator("button").tap()
        page.locator("#card h2").wait_for()
        at_rest(page)
        top = page.locator("#card h2").bounding_box()["y"]
        assert 0 <= top < 844
        page.get_by_role("button", name="Back to the list").tap()
        expect(row).to_be_in_viewport()
        at_rest(page)
        box = row.bounding_box()
        assert box["y"] >= 0
        assert box["y"] + box["height"] <= 844
    with opened(browser, large, **WIDE) as found:
        found.page.wait_for_selector("html[data-ready]")
        found.page.locator("#rows tr button").first.click()
        assert found.page.locator("#card h2").is_visible()
        assert not found.page.locator(".to-list").is_visible()


def test_filtering_and_sorting_stay_quick(wide):
    spent = wide.evaluate(
        """() => { const start = performance.now();
        const find = document.getElementById("find");
        find.value = "l00"; find.dispatchEvent(new Event("input", { bubbles: true }));
        document.querySelectorAll("#heads button")[0].click();
        return performance.now() - start; }"""
    )
    assert spent < 3000


def test_it_opens_with_the_best_first(tab, batch):
    best = sorted(
        (r["best_score"] for r in batch.rows if r["best_score"] is not None), reverse=True
    )
    shown = tab.page.eval_on_selector_all("#rows td:nth-child(4)", "f => f.map(e => e.textContent)")
    assert shown == [f"{index:.1f}" for index in best[:100]]


def test_what_is_not_known_comes_last_either_way(wide):
    head = wide.locator("#heads button", has_text="Index")
    for _ in range(2):
        head.click()
        first = wide.locator("#rows td:nth-child(4)").first.text_content()
        assert re.fullmatch(r"\d+\.\d", first)
    assert wide.locator("#heads th[aria-sort=descending]").count() == 1


def test_filters(wide, batch):
    wide.select_option("#show", "failed")
    assert ids(wide) == [f["parcel_id"] for f in batch.failures]
    assert "E-GEOM-02" in wide.text_content("#rows")
    wide.select_option("#show", "all")
    wide.select_option("#by-problem", "livestock")
    wanted = [r["parcel_id"] for r in batch.rows if r["problem"] == "livestock"]
    assert wide.text_content("#count") == f"{len(wanted)} of {COUNT} parcels"
    wide.select_option("#by-problem", "")
    wide.fill("#least", "0.9")
    shown = wide.eval_on_selector_all(
        "#rows td:nth-child(4)", "f => f.map(e => Number(e.textContent))"
    )
    assert shown
    assert min(shown) >= 0.9
    at_least = sum((r["best_score"] or 0) > 0.85 for r in batch.rows)
    assert wide.text_content("#count") == f"{at_least} of {COUNT} parcels"
    wide.click("#filters button[type=reset]")
    wide.locator("#count", has_text=re.compile(f"^{COUNT} parcels$")).wait_for()


def test_pages_of_the_list(wide):
    first = ids(wide)
    wide.click("#pager button:has-text('Later')")
    second = ids(wide)
    assert not set(first) & set(second)
    assert wide.text_content("#pager span") == f"101 to 200 of {COUNT}"
    wide.click("#pager button:has-text('Earlier')")
    assert ids(wide) == first


def test_the_card_and_its_link(wide, batch):
    wide.fill("#find", "L0003")
    wide.locator("#rows .pick").first.click()
    card = wide.locator("#card-body")
    assert card.locator("h2").text_content() == "L0003 · Land 3 <b>&"
    assert card.locator("a").first.get_attribute("href") == "parcels/l0003/map.html"
    assert batch.rows[3]["sentence"] in card.text_content()
    wide.fill("#find", "L0999")
    wide.locator("#rows .pick").first.click()
    assert card.locator("a").count() == 0


def test_a_sign_on_the_map_chooses_its_parcel(wide, batch):
    """The middle of the first parcel's outline, clicked on the canvas."""
    wide.fill("#find", "L0000")
    wide.locator("#rows .pick").first.click()
    wide.fill("#find", "")
    painted(wide)
    x, y = wide.evaluate(
        """() => { const box = document.getElementById("map").getBoundingClientRect();
        return [box.left, box.top]; }"""
    )
    west, south, east, north = batch.shapes["L2525"].bounds
    place = wide.evaluate(
        "(p) => { const { x, y } = testMap.latLngToContainerPoint(p); return [x, y]; }",
        [(south + north) / 2, (west + east) / 2],
    )
    wide.mouse.click(x + place[0], y + place[1])
    assert wide.locator("#card-body h2 bdi").first.text_content() == "L2525"
    assert wide.locator("#rows tr[aria-current=true] .pick").text_content() == "L2525"


def test_every_sign_of_the_map_is_of_its_own_shape_or_colour(wide):
    for by in ("score", "problem", "role"):
        wide.check(f"input[value={by}]")
        looks = wide.locator("#key canvas").evaluate_all("all => all.map((one) => one.toDataURL())")
        assert len(looks) >= 3
        assert len(set(looks)) == len(looks)


def test_the_key_counts_every_parcel(wide):
    for by in ("score", "problem", "role"):
        wide.check(f"input[value={by}]")
        counts = wide.eval_on_selector_all("#key .number", "f => f.map(e => Number(e.textContent))")
        assert sum(counts) == COUNT


def test_the_cells_and_their_reasons(wide, batch):
    wide.click("#tab-cells")
    rows = wide.locator("#cell-rows tr")
    assert rows.count() == len(batch.assignment.cells)
    traded = next(c for c in batch.assignment.cells if c.traded)
    assert f"Given up: {traded.traded}" in wide.text_content("#cell-rows")
    # By the survey's own names: the cell, the land, the place; no key of a kind of place.
    first = batch.assignment.cells[0]
    words = rows.first.inner_text()
    assert words.startswith(first.cell)
    assert f"Land {int(first.chosen.parcel[1:])} " in words
    assert "where West trail meets the brook" in words
    assert rows.first.locator('[data-head="Place"]').inner_text() != first.chosen.kind
    wide.locator("#cell-rows .pick").first.click()
    assert wide.locator("#card-body h2").count() == 1


def test_names_are_text(tab):
    """Labels hold markup; nothing of it becomes an element."""
    assert tab.page.locator("#rows b", has_text="&").count() == 0
    assert "<b>&" in tab.page.locator("#rows").text_content()


def test_by_keyboard(wide):
    wide.keyboard.press("Tab")
    assert wide.evaluate("() => document.activeElement.className") == "skip"
    wide.focus("#tab-list")
    wide.keyboard.press("ArrowRight")
    assert wide.get_attribute("#tab-cells", "aria-selected") == "true"
    wide.keyboard.press("ArrowLeft")
    wide.focus("#rows .pick")
    wide.keyboard.press("Enter")
    assert wide.locator("#card-body h2").count() == 1


def test_copying_all_sentences(wide, batch):
    wide.context.grant_permissions(["clipboard-read", "clipboard-write"])
    wide.fill("#find", "L001")
    wide.click("#copy-all")
    wide.locator("#copied", has_text="Copied.").wait_for()
    lines = wide.evaluate("() => navigator.clipboard.readText()").splitlines()
    wanted = {r["parcel_id"]: r["sentence"] for r in batch.rows if "L001" in r["parcel_id"]}
    assert {line.split("\t")[0]: line.split("\t")[2] for line in lines} == wanted


@pytest.mark.parametrize("width", [WIDE, PHONE], ids=["1400", "390"])
@pytest.mark.parametrize("theme", ["light", "dark"])
def test_axe_finds_nothing(browser, tmp_path, width, theme):
    path = tmp_path / "overview.html"
    path.write_text(
        overview_page(invented_batch(60), relief=None, protocol_name="t"), encoding="utf-8"
    )
    with opened(browser, path, **width) as found:
        page = found.page
        page.wait_for_selector("html[data-ready]")
        if theme == "dark":
            page.click("#theme-switch")
        page.locator("#rows .pick").first.click()
        assert axe_faults(page) == []


def test_no_sideways_scrolling_on_a_phone(browser, large):
    with opened(browser, large, **PHONE) as found:
        found.page.wait_for_selector("html[data-ready]")
        wide = found.page.evaluate("() => document.documentElement.scrollWidth")
        assert wide <= 390


def test_the_page_without_cells_or_outlines(browser, tmp_path):
    batch = invented_batch(5, failures=5, assigned=False)
    bare = type(batch)(batch.rows, batch.failures, dict.fromkeys(batch.shapes), {}, None)
    path = tmp_path / "overview.html"
    path.write_text(overview_page(bare, relief=None, protocol_name=""), encoding="utf-8")
    with opened(browser, path, **WIDE) as found:
        found.page.wait_for_selector("html[data-ready]")
        assert found.page.text_content("#count") == "5 parcels"
        assert found.complaints == []


def test_the_data_say_what_the_table_says(batch, large):
    text = large.read_text(encoding="utf-8")
    found = re.search(r'<script type="application/json" id="siting-data">(.*?)</script>', text)
    data = json.loads(found.group(1))
    assert data == json.loads(json.dumps(page_data(batch, relief=None)))
    assert len({len(column) for column in data["columns"].values()}) == 1
    assert data["columns"]["sentence"][7] == batch.rows[7]["sentence"]
    assert len(data["texts"]) == 3
