"""The browser's store: anyone of the same origin may have written it, or nobody may."""

from __future__ import annotations

import pytest

from tests.browser.conftest import WIDE, island_of, opened, words_of
from tests.browser.reports import open_card, report

pytestmark = pytest.mark.slow

HOSTILE = (
    '{"2":{"state":"chosen","reason":{"toString":1}}}',
    '{"__proto__":{"state":"chosen","note":"polluted"}}',
    '{"format":"siting page 1","device":"abc","records":[{"__proto__":{"note":"x"}}]}',
    '{"format":"siting page 1","device":{"toString":1},"records":[{"state":{"toString":1}}]}',
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
        assert page.locator("#visits-none").is_visible()
        assert found.complaints == []


def test_another_parcels_store_is_not_read(browser, page_file):
    with opened(browser, page_file, **WIDE) as found:
        page = found.page
        page.wait_for_selector("html[data-ready]")
        open_card(page, 1)
        report(page, "visit-1", "chosen")
        text = page.evaluate("(key) => localStorage.getItem(key)", key_of(page))
        page.evaluate("localStorage.clear()")
        for key in ("siting visits " + "0" * 32, "siting-visits-P01", "siting visits"):
            page.evaluate("([key, text]) => localStorage.setItem(key, text)", [key, text])
        page.reload()
        page.wait_for_selector("html[data-ready]")
        assert words_of(page.locator("#first-words")).startswith("Go to spot 1 first: ")


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
        report(page, "visit-1", "visited")
        page.click("#tab-visits")
        assert "keeps nothing" in page.locator("#visits-kept").inner_text()
        assert ": visited" in page.locator("#visits-list").inner_text()
        assert found.complaints == []
