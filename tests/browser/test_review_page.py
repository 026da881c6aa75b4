"""review.html in a browser: axe finds nothing, five answers stand on the first screen."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from siting.review.answer import answer
from siting.review.blanks import Blanks
from siting.review.shown.page import review_page
from siting.review.statistics.ranks import Interval
from tests.browser.axe import axe_faults
from tests.browser.conftest import PHONE, WIDE
from tests.review.test_answer import W0, season

pytestmark = pytest.mark.slow

STATES = {
    "list": lambda: season(8),
    "few": lambda: season(12),
    "full": lambda: season(60, truth=W0 + np.array([1.2, 0, 0, -0.9, 0, 0]), alpha=0.4),
}


def _months(direction: int) -> tuple[tuple[int, int, float], ...]:
    """Eight cameras each way from April to June, the more blanks the farther east."""
    return tuple((8, 4 + 9 * (direction % 4), 240.0) if 3 <= m <= 5 else (0, 0, 0.0)
                 for m in range(12))  # fmt: skip


BLANKS = Blanks(
    64, 900, Interval(1.8, 1.1, 2.9), "", tuple((8, 100, 720.0) for _ in range(8)),
    by_month=tuple(_months(k) for k in range(8)), growth=Interval(1.4, 0.9, 2.2),
    lens=Interval(0.9, 0.7, 1.1), skyline=True,
)  # fmt: skip


@pytest.fixture(scope="module")
def pages(tmp_path_factory):
    folder, out = tmp_path_factory.mktemp("review"), {}
    rng = np.random.default_rng(1)
    for name, made in STATES.items():
        cameras = made()
        count = len(cameras.ids)
        cameras = replace(cameras, at_m=rng.uniform(0, 6000, (count, 2)),
                          random=np.arange(count) % 5 == 0)  # fmt: skip
        found = answer(cameras, group="deer")
        out[name] = folder / f"{name}.html"
        text = review_page(found, cameras, about="deer, 2026-05-01 to 2026-06-30", blanks=BLANKS)
        out[name].write_text(text, encoding="utf-8")
    return out


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("size", [WIDE, PHONE], ids=["1400", "390"])
def test_axe_finds_nothing_and_the_answers_come_first(browser, pages, size, scheme):
    context = browser.new_context(**size, color_scheme=scheme)
    page = context.new_page()
    sent = []
    page.on("request", lambda request: sent.append(request.url))
    for name, file in pages.items():
        page.goto(file.as_uri())
        assert axe_faults(page) == [], name
        wide = page.evaluate("document.documentElement.scrollWidth")
        assert wide <= size["viewport"]["width"], name
        answers = page.locator(".questions").bounding_box()
        assert answers["y"] + answers["height"] <= size["viewport"]["height"], name
        assert page.locator(".questions dd").count() == 5
    assert [url for url in sent if not url.startswith("file:")] == []
    context.close()
