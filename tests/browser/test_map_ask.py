"""Ask any place: the page says what Python says."""

from __future__ import annotations

import numpy as np
import pytest

from siting.types import NoGo
from tests.browser.conftest import click_at
from tests.map_result import map_result


def test_two_hundred_places_say_what_python_says(wide):
    """Shown total and parts, and the no-go rules, at 200 random places inside the grid."""
    result = map_result()
    grid = result.land.grid
    rng = np.random.default_rng(11)
    inside = np.argwhere((result.no_go & NoGo.OUTSIDE.value) == 0)
    asked = inside[rng.choice(len(inside), 200, replace=False)]
    names = list(result.scores.memberships)
    for row, col in asked:
        easting, northing = (float(v) for v in grid.xy(row, col))
        easting += rng.uniform(-0.45, 0.45) * grid.cell_size_m
        northing += rng.uniform(-0.45, 0.45) * grid.cell_size_m
        lon, lat = grid.to_lonlat.transform(easting, northing)
        shown = wide.evaluate(
            """([lat, lon]) => {
            siting.ask(L.latLng(lat, lon));
            const bits = siting.CELLS.bits[siting.cellAt(...siting.metresOf(lat, lon))];
            const bars = [...document.querySelectorAll("#ask-answer .bars li")];
            return [bits, document.querySelector(".answer-head").textContent, bars.map((bar) =>
              bar.querySelector(".bar-number").textContent)]; }""",
            [lat, lon],
        )
        assert shown[0] == int(result.no_go[row, col])
        assert shown[2] == [in_points(result.scores.memberships[n][row, col]) for n in names]
        if shown[0] == 0:
            assert shown[1] == f"{in_points(result.scores.total[row, col])} points here, of 100."
        else:
            assert shown[1].startswith("No camera here: ")


def in_points(value):
    """A value of 0..1 with Python's own rounding to two digits, as points."""
    return str(int(f"{value:.2f}".replace(".", "")))


def test_a_tap_tells_points_and_parts(tab):
    click_at(tab.page, 540250.0, 4820180.0)
    words = tab.page.locator("#ask-answer").inner_text()
    assert "points here" in words
    assert "Parts of the score" in words
    assert "UTM 17 north" in words
    assert tab.page.locator("#ask").is_visible()


@pytest.mark.parametrize(
    ("place", "reason", "rule"),
    [
        ((540450.0, 4820430.0), "livestock", "from a field with livestock"),
        ((540440.0, 4820150.0), "too near a feeder", "Keep 50 m (160 ft) from a feeder"),
    ],
)
def test_a_tap_on_closed_ground_names_the_rule_and_the_way_out(wide, place, reason, rule):
    click_at(wide, *place)
    words = wide.locator("#ask-answer").inner_text()
    assert f"No camera here: {reason}" in words
    assert rule in words
    assert "Nearest allowed ground:" in words
    assert "[object" not in words
    near = {
        "livestock": "Here: in or on cow pasture",
        "too near a feeder": "Here: 10 m (33 ft) from",
    }
    assert near[reason] in words
    assert wide.locator(".better-line").count() == 1
    better = wide.evaluate("([e, n]) => siting.answerAt(e, n).better", list(place))
    assert wide.evaluate("([e, n]) => siting.answerAt(e, n).bits", [
        better["easting"], better["northing"]]) == 0  # fmt: skip


def test_the_nearest_better_ground_is_the_nearest(wide):
    """Against a search over all cells in numpy."""
    result = map_result()
    grid, total = result.land.grid, result.scores.total
    allowed = (result.no_go == 0) & np.isfinite(total)
    points = np.rint(np.nan_to_num(total).astype(np.float64) * 100)
    easting, northing = grid.xy(*np.mgrid[0 : grid.n_rows, 0 : grid.n_cols])
    for place in ((540222.0, 4820222.0), (540262.0, 4820183.0), (540140.0, 4820380.0)):
        row, col = (int(v) for v in grid.rowcol(*place))
        far = np.hypot(easting - place[0], northing - place[1])
        better = far[allowed & (points >= points[row, col] + 5)]
        assert better.size > 0
        want = better.min()
        got = wide.evaluate("([e, n]) => siting.answerAt(e, n).better.metres", list(place))
        assert got == pytest.approx(want, abs=1e-6)


def test_outside_the_parcel(wide):
    click_at(wide, 540512.0, 4820300.0)
    assert "Outside the parcel" in wide.locator("#ask-answer").inner_text()


def test_what_is_near_has_the_true_distance(wide):
    """The trail's distance in the page against shapely's."""
    from shapely import Point

    result = map_result()
    place = (540250.0, 4820230.0)
    trail = result.land.vectors["trails"].geometry.iloc[0]
    click_at(wide, *place)
    near = wide.locator("#ask-answer").inner_text()
    metres = trail.distance(Point(place))
    assert f"{metres:.0f} m" in near
