"""Text is text: whatever a user writes anywhere reaches the page as words and does nothing."""

from __future__ import annotations

from dataclasses import replace

import pytest

from siting.report.page.map import map_page
from siting.settings.protocol import Protocol
from siting.spot_parts import HeadingWords
from siting.types import Note
from tests.browser.conftest import WIDE, ask_at, lat_lon, opened
from tests.browser.reports import report
from tests.fake_result import layers
from tests.map_result import map_result, turned_aim

pytestmark = pytest.mark.slow

# Each would set window.hit if it were ever run, by the ways that pages have been broken.
PAYLOADS = (
    "<script>window.hit=1</script>",
    "</script><script>window.hit=1</script>",
    "<img src=x onerror=window.hit=1>",
    '"><img src=x onerror=window.hit=1>',
    "'><svg onload=window.hit=1>",
    "<svg><script>window.hit=1</script></svg>",
    "${window.hit=1}",
    "`${window.hit=1}`",
    "{{ 7*7 }}{% print(1) %}",
    "{{constructor.constructor('window.hit=1')()}}",
    "javascript:window.hit=1",
    "<a href=javascript:window.hit=1>x</a>",
    "<iframe srcdoc='<script>parent.hit=1</script>'>",
    "<!--<script>window.hit=1</script>",
    "--><script>window.hit=1</script>",
    "]]><script>window.hit=1</script>",
    "\\u003cscript\\u003ewindow.hit=1\\u003c/script\\u003e",
    "&lt;script&gt;window.hit=1&lt;/script&gt;",
    "\u2028window.hit=1\u2029",
    "\\';window.hit=1;//",
    '\\";window.hit=1;//',
    "C:\\path\\2019\\new",
    "<style>*{display:none}</style>",
    "<base href=//example.org><meta http-equiv=refresh content=0>",
    "<form action=//example.org><input autofocus onfocus=window.hit=1>",
    "<details open ontoggle=window.hit=1>",
    "<math><mtext><img src=x onerror=window.hit=1></mtext></math>",
    "\u202eevil\u202c right to left \u0627\u0644",
    "nul\x00 bell\x07 half\ud800 pair",
    "=cmd|'/c calc'!A1 " + "long " * 400,
)


def hostile(text):
    """A result with the same text in every field that a user can write in."""
    vectors = {name: frame.copy() for name, frame in layers().items()}
    for frame in vectors.values():
        for column in [c for c in frame.columns if c != "geometry"]:
            frame[column] = text
        frame["name"] = text
    result = map_result(vectors=vectors, label=text, parcel_id=text)
    words = dict.fromkeys(("why", "pulled_down", "check", "cautions"), (text,))
    told = HeadingWords(lens=text, reason=text, second_reason=text, notes=(text,))
    spots = tuple(
        replace(spot, name=text, kind=text, **words, aim=turned_aim(20.0), heading_words=told)
        for spot in result.spots
    )
    # One warning for the head of the page, one for the gaps in the guide.
    notes = (
        Note("W-STEEP-01", "warning", text),
        Note("W-LAYER-01", "warning", text),
        Note("A", "assumption", text),
    )
    return replace(result, spots=spots, notes=notes)


def shown(text):
    """What may be left of a text: no controls, no broken halves, not endless."""
    return "".join(c for c in text if c >= " " and not "\ud800" <= c <= "\udfff")[:300].strip()


@pytest.mark.parametrize("text", PAYLOADS, ids=range(len(PAYLOADS)))
def test_a_script_in_any_text_does_nothing_and_is_shown(browser, tmp_path, text):
    path = tmp_path / "map.html"
    path.write_text(map_page(hostile(text), protocol=Protocol(name="p")), encoding="utf-8")
    with opened(browser, path, **WIDE) as found:
        page = found.page
        page.wait_for_selector("html[data-ready]")
        assert shown(text) in page.locator(".warned li").evaluate("e => e.textContent")
        page.click("#row-1")
        card = page.locator("#card-1").evaluate("card => card.textContent")
        assert card.count(shown(text)) >= 5
        assert shown(text) in page.locator("#parcel-name").evaluate("e => e.textContent")
        assert shown(text) in page.title()
        report(page, "visit-1", "ruled out", reason="other", note=shown(text) or "x")
        page.click("#tab-visits")
        assert shown(text) in page.locator("#visits-list").evaluate("e => e.textContent")
        ask_at(page, *lat_lon(540309, 4820280))
        assert shown(text) in page.locator("#ask-answer").evaluate("e => e.textContent")
        page.click("#tab-guide")
        assert shown(text) in page.locator("#warnings").evaluate("e => e.textContent")
        page.click("#tab-weights")
        assert page.evaluate("window.hit") is None
        assert page.locator("iframe, img:not(.leaflet-image-layer), form, base").count() == 0
        assert found.outside == []
        assert found.complaints == []


def test_a_page_that_let_text_through_would_be_caught(browser, tmp_path):
    """The test above can fail: markup put in by hand does reach the page and is seen."""
    html = map_page(map_result(), protocol=Protocol())
    broken = html.replace("<h2>Key and layers</h2>", "<h2><img src=x onerror=window.hit=1></h2>")
    path = tmp_path / "map.html"
    path.write_text(broken, encoding="utf-8")
    with opened(browser, path, **WIDE) as found:
        found.page.wait_for_selector("html[data-ready]")
        assert found.page.locator("img:not(.leaflet-image-layer)").count() == 1
        assert found.complaints != []
