"""The letters in Chromium: every kind, on a phone and a desk, light and dark."""

from __future__ import annotations

import pytest

from siting.batch.output.letters import letters, templates
from tests.batch_rows import invented_batch
from tests.browser.axe import axe_faults
from tests.browser.conftest import PHONE, WIDE, opened

pytestmark = pytest.mark.slow

SMALL_PHONE = {**PHONE, "viewport": {"width": 320, "height": 640}}


@pytest.fixture(scope="module")
def pages(tmp_path_factory):
    """One page of each kind of letter, from an invented batch."""
    folder = tmp_path_factory.mktemp("letters")
    written = letters(invented_batch(60), templates(None))
    kinds = {
        "camera": "We propose a camera",
        "reserve": "next in line",
        "not this season": "do not plan a camera",
        "outline": "new outline",
    }
    found = {}
    for kind, words in kinds.items():
        text = next(t for name, t in written.items() if name.endswith(".html") and words in t)
        found[kind] = folder / f"{kind}.html"
        found[kind].write_text(text, encoding="utf-8")
    return found


@pytest.mark.parametrize(
    ("theme", "size"),
    [("light", WIDE), ("dark", PHONE), ("light", SMALL_PHONE)],
    ids=["light 1400", "dark 390", "light 320"],
)
def test_axe_finds_nothing_and_nothing_sticks_out(browser, pages, theme, size):
    for kind, path in pages.items():
        with opened(browser, path, color_scheme=theme, **size) as tab:
            assert axe_faults(tab.page) == [], kind
            across = tab.page.evaluate("document.documentElement.scrollWidth")
            assert across <= size["viewport"]["width"], kind
            assert (tab.outside, tab.complaints) == ([], []), kind
