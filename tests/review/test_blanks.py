"""Blanks and the sun: a drawn ratio comes back; too few or too like headings say nothing."""

from __future__ import annotations

import datetime as dt
from dataclasses import replace

import numpy as np
import pytest

from siting.review.answer import answer
from siting.review.blanks import _months, blanks_of, hour_of_sun, rate_by_heading
from siting.review.recorded.effort import CameraRow
from siting.review.recorded.season import Deployment, Season
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
    assert hour_of_sun([*_months(held, north[0], Protocol(), ZONE)]) is None
