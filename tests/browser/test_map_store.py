"""The browser's store: anyone of the same origin may have written it, or nobody may."""

from __future__ import annotations

import json

import pytest

from tests.browser.conftest import WIDE, island_of, opened

HOSTILE = (
    '{"2":{"state":"chosen","reason":{"toString":1}}}',
    '{"__proto__":{"state":"chosen","note":"polluted"}}',
    '{"1":{"state":{"toString":1},"note":[1]}}',
    "[[[[",
    "null",
)


def key_of(page):
    return "siting visits " + island_of(page)["parcel"]["key"]


@pytest.mark.parametrize("text", HOSTILE)
def test_a_hostile_store_neither_stops_nor_changes_the_page(browser, page_file, text):
    with opened(browser, page_file, **WIDE) as found:
        page = found.page
        page.wait_for_selector("html[data-ready]")
        page.evaluate("([key, text]) => localStorage.setItem(key, text)", [key_of(page), text])
        page.reload()
        page.wait_for_selector("html[data-ready]")
        assert page.evaluate("({}).note === undefined && ({}).state === undefined")
        page.click("#row-1")
        page.click("#tab-visits")
        assert "damaged" in page.locator("#visits-kept").inner_text()
        # What is sound beside the damage is kept.
        marked = page.locator("#visits-list li").all_text_contents()
        assert marked == (["Spot 2: chosen"] if '"2"' in text else [])
        assert found.complaints == []


def test_another_parcels_store_is_not_read(browser, page_file):
    with opened(browser, page_file, **WIDE) as found:
        page = found.page
        page.wait_for_selector("html[data-ready]")
        text = json.dumps({"1": {"state": "chosen", "reason": "", "note": ""}})
        for key in ("siting visits " + "0" * 32, "siting-visits-P01", "siting visits"):
            page.evaluate("([key, text]) => localStorage.setItem(key, text)", [key, text])
        page.reload()
        page.wait_for_selector("html[data-ready]")
        assert page.locator("#first-words").inner_text().startswith("Go to spot 1 first.")


def test_a_shut_store_leaves_a_page_that_works_and_says_so(browser, page_file):
    shut = """Object.defineProperty(window, "localStorage", { get() {
      throw new DOMException("denied", "SecurityError"); } })"""
    with opened(browser, page_file, **WIDE) as found:
        page = found.page
        page.add_init_script(shut)
        page.reload()
        page.wait_for_selector("html[data-ready]")
        page.click("#theme-switch")
        page.click("#row-1")
        page.locator("#visit-1-1").check()
        page.click("#tab-visits")
        assert "keeps nothing" in page.locator("#visits-kept").inner_text()
        assert "Spot 1: visited" in page.locator("#visits-list").inner_text()
        assert found.complaints == []
