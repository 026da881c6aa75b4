"""Blanks and the sun: a drawn ratio comes back; too few or too like headings say nothing."""

from __future__ import annotations

import datetime as dt
import re
from dataclasses import replace

import numpy as np
import pytest

from siting.heading.sun import sun_track
from siting.review.answer import answer
from siting.review.blanks import _months, blanks_of, rate_by_heading, ratios_of
from siting.review.recorded.effort import CameraRow
from siting.review.recorded.season import Deployment, Season
from siting.review.seen import Seen
from siting.review.shown.page import review_page
from siting.settings.protocol import Protocol
from siting.words.office import review_method as method
from tests.review.test_answer import season

APRIL = dt.datetime(2026, 4, 1, tzinfo=dt.UTC)
ZONE = "Etc/GMT+5"


def rows_of(headings) -> list[CameraRow]:
    """One camera a heading, April to June."""
    out = []
    for i, heading in enumerate(headings):
        one = Deployment(f"d{i}", -80.5, 43.0, APRIL, APRIL + dt.timedelta(days=91),
                         heading_deg=float(heading))  # fmt: skip
        out.append(CameraRow(one, 91.0, {30.0: 1.0}, "", one.id, 91.0))
    return out


def with_blanks(rows, counts) -> Season:
    """As many blanks a camera and month as `counts` (n, 3) says, hours apart."""
    stamps = {
        row.deployment.id: tuple(
            APRIL + dt.timedelta(days=30.4 * month + 1, minutes=17 * k)
            for month in range(3) for k in range(int(counts[i][month]))
        )
        for i, row in enumerate(rows)
    }  # fmt: skip
    return Season({row.deployment.id: row.deployment for row in rows}, blanks=stamps)


@pytest.fixture(scope="module")
def drawn():
    """Forty cameras all round, two times the blanks an hour of sun, dispersion 1."""
    rng = np.random.default_rng(11)
    rows = rows_of(np.arange(40) * 9)
    empty = with_blanks(rows, np.ones((40, 3)))
    table = [list(_months(empty, row, Protocol(), ZONE)) for row in rows]
    mu = np.array([[0.3 * m.days * 2 ** (m.sun_min / 60) for m in held] for held in table])
    return rows, with_blanks(rows, rng.negative_binomial(1, 1 / (1 + mu)))


def test_a_ratio_comes_back(drawn):
    rows, held = drawn
    found = blanks_of(held, rows, Protocol(), time_zone=ZONE)
    assert found.hour.low < 2 < found.hour.high
    assert found.hour.low > 1
    rates = rate_by_heading(found)
    assert set(rates) == {"north", "north-east", "east", "south-east", "south", "south-west",
                          "west", "north-west"}  # fmt: skip
    assert rates["east"][1] > rates["north"][1]
    said = method.blanks(found.hour, why="", cameras=40)
    assert "went with" in said
    assert "caused" not in said
    cameras = season(20)
    page = review_page(answer(cameras, group="deer"), cameras, about="x", blanks=found)
    assert said.split("(")[0] in page


def test_blanks_without_sun_say_nothing():
    rng = np.random.default_rng(12)
    rows = rows_of(np.arange(40) * 9)
    held = with_blanks(rows, rng.negative_binomial(1, 0.1, (40, 3)))
    found = blanks_of(held, rows, Protocol(), time_zone=ZONE)
    assert found.hour.low < 1 < found.hour.high


def test_growth_in_view_and_a_higher_lens_come_back():
    """Forty cameras: a view full of grass three times the blanks, 10 cm of height a half more."""
    rng = np.random.default_rng(13)
    rows = rows_of(np.arange(40) * 9)
    lens = rng.uniform(0.3, 1.3, 40)
    rows = [replace(r, deployment=replace(r.deployment, height_m=float(h)))
            for r, h in zip(rows, lens, strict=True)]  # fmt: skip
    share = rng.uniform(0, 1, 40)
    flat = np.zeros(len(sun_track(43, -80.5, time_zone=ZONE).azimuth_deg))
    seen = {f"d{i}": Seen(0.5, flat, float(g)) for i, g in enumerate(share)}
    mu = np.repeat((3 * 3**share * 1.5 ** (10 * (lens - 0.8)))[:, None], 3, axis=1)
    held = with_blanks(rows, rng.negative_binomial(2, 2 / (2 + mu)))
    found = blanks_of(held, rows, Protocol(), time_zone=ZONE, seen=seen)
    assert found.growth.low < 3 < found.growth.high
    assert found.growth.low > 1
    assert found.lens.low < 1.5 < found.lens.high
    assert found.skyline
    said = method.blanks(found.hour, why="", cameras=40, growth=found.growth, lens=found.lens,
                         skyline=True)  # fmt: skip
    assert "growing months" in said
    assert "hills around" in said
    # In winter nothing grows: in the south these months are winter.
    south = [replace(r, deployment=replace(r.deployment, lat=-43.0)) for r in rows]
    assert blanks_of(held, south, Protocol(), time_zone=ZONE, seen=seen).growth is None
    assert blanks_of(held, rows, Protocol(), time_zone=ZONE).growth is None


def test_a_clear_view_comes_back_beside_what_grows_in_it():
    """Forty cameras: a view clear to its end has a third of the blanks; half of them see grass."""
    rng = np.random.default_rng(14)
    rows = rows_of(np.arange(40) * 9)
    clear, share = rng.uniform(0.1, 1, 40), rng.uniform(0, 1, 40)
    flat = np.zeros(len(sun_track(43, -80.5, time_zone=ZONE).azimuth_deg))
    seen = {f"d{i}": Seen(0.5, flat, float(share[i]), float(clear[i])) for i in range(40)}
    mu = np.repeat((12 * 3 ** (share - clear))[:, None], 3, axis=1)
    held = with_blanks(rows, rng.negative_binomial(3, 3 / (3 + mu)))
    found = blanks_of(held, rows, Protocol(), time_zone=ZONE, seen=seen)
    assert found.clear.low < 1 / 3 < found.clear.high < 1
    assert found.growth.low < 3 < found.growth.high
    # Where cells are too wide to show it for one camera, it is asked of none.
    seen["d7"] = seen["d7"]._replace(clear_share=None)
    assert blanks_of(held, rows, Protocol(), time_zone=ZONE, seen=seen).clear is None


def test_the_picture_of_months_shows_where_no_camera_looked(drawn):
    rows, held = drawn
    found = blanks_of(held, rows, Protocol(), time_zone=ZONE)
    cameras = season(20)
    shown = review_page(answer(cameras, group="deer"), cameras, about="x", blanks=found)
    assert "by heading and month" in shown
    assert [len(row) for row in found.by_month] == [12] * 8
    assert all(days > 0 for row in found.by_month for _, _, days in row[3:6])
    assert all(days == 0 for row in found.by_month for _, _, days in row[7:])
    # A square's area is the rate: the largest fills its cell.
    drawing = shown.partition('id="blanks-title"')[2].partition("</svg>")[0]
    sides = [float(v) for v in re.findall(r'width="([0-9.]+)"', drawing)]
    assert max(sides) == pytest.approx(18.0, abs=0.05)
    # Two or three cameras looked each way: in public no cell shows them, nor does the table.
    few = blanks_of(held, rows[::2], Protocol(), time_zone=ZONE)
    for public in (False, True):
        shown = review_page(answer(cameras, group="deer"), cameras, about="x", blanks=few,
                            public=public)  # fmt: skip
        assert shown.count("<td>south-west</td>") == (not public)
        drawing = shown.partition('id="blanks-title"')[2].partition("</svg>")[0]
        looked = sum(days > 0 for row in few.by_month for _, _, days in row)
        assert drawing.count("<rect") == (0 if public else looked)


def test_few_alike_or_missing(drawn):
    rows, held = drawn
    assert blanks_of(held, rows[:10], Protocol(), time_zone=ZONE).why == "few"
    north = rows_of(np.zeros(40))
    alike = blanks_of(with_blanks(north, np.full((40, 3), 5)), north, Protocol(), time_zone=ZONE)
    assert alike.why == "alike"
    assert "faced north or south" in method.blanks(None, why="alike", cameras=40)
    assert blanks_of(replace(held, blanks={}), rows, Protocol(), time_zone=ZONE) is None
    wrong = [replace(r, deployment=replace(r.deployment, clock_doubtful=True)) for r in rows]
    assert blanks_of(held, wrong, Protocol(), time_zone=ZONE) is None
    assert ratios_of([*_months(held, north[0], Protocol(), ZONE)])["hour"] is None
