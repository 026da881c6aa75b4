"""Ask any place: the page says what Python says."""

from __future__ import annotations

import re

import numpy as np
import pytest

from siting.lengths import index_text
from siting.scoring.combine import parts_of
from siting.settings.protocol_score import Scoring
from siting.types import NoGo
from siting.words.spot.no_go import REASONS
from tests.browser.conftest import ask_at, asked_at, click_at
from tests.map_result import map_result

pytestmark = pytest.mark.slow

# What a part says that changes nothing: siting/web/model/score.js.
UNCHANGED = {"no loss", "hardly any loss", "counted already", "hardly counts", "none near"}


def test_two_hundred_places_say_what_python_says(wide):
    """Shown index and its parts, and the no-go rules, at 200 random places inside the grid."""
    result = map_result()
    grid = result.land.grid
    rng = np.random.default_rng(11)
    inside = np.argwhere((result.no_go & NoGo.OUTSIDE.value) == 0)
    asked = inside[rng.choice(len(inside), 200, replace=False)]
    parts = parts_of(
        result.scores.memberships, weights=result.scores.weights, scoring=Scoring()
    ).values()
    labels = [(bit, row.label) for bit, row in REASONS.items()]
    places = []
    for row, col in asked:
        easting, northing = (float(v) for v in grid.xy(row, col))
        easting += rng.uniform(-0.45, 0.45) * grid.cell_size_m
        northing += rng.uniform(-0.45, 0.45) * grid.cell_size_m
        lon, lat = grid.to_lonlat.transform(easting, northing)
        places.append([lat, lon])
    for (row, col), (head, *bars) in zip(asked, asked_at(wide, places), strict=True):
        assert len(bars) == len(parts)
        # Two places are shown, and memberships are kept to 1/25600.
        want = [np.exp(part[row, col]) for part in parts]
        # A part that changes nothing says why in words.
        told = [float(bar[2:]) if bar.startswith("× ") else 1.0 for bar in bars]
        assert told == pytest.approx(want, abs=0.0052)
        assert {bar for bar in bars if not bar.startswith("× ")} <= UNCHANGED
        broken = [label for bit, label in labels if int(result.no_go[row, col]) & bit.value]
        if broken:
            assert head == f"No camera here: {', '.join(broken)}."
        else:
            shown = index_text(float(result.scores.total[row, col]))
            assert head == f"Index {shown} here (1 is plain ground)."


def test_a_tap_tells_index_and_parts(tab):
    click_at(tab.page, 540250.0, 4820180.0)
    words = tab.page.locator("#ask-answer").inner_text()
    assert re.search(r"^Index \d+\.\d here \(1 is plain ground\)\.$", words, re.MULTILINE)
    assert "Parts of the index" in words
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
        "too near a feeder": "Here: close to ",
    }
    assert near[reason] in words
    assert wide.locator(".better-line").count() == 1
    # The way out ends on ground where a camera may stand.
    better = wide.evaluate(
        """() => { let end = null;
        testMap.eachLayer((layer) => {
          if (layer.options.className === "better-end") end = layer.getLatLng(); });
        return [end.lat, end.lng]; }"""
    )
    assert re.match(r"Index \d+\.\d here ", ask_at(wide, *better))


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
    # No finer than the maps, which are exact to 15 m here.
    assert metres > 15
    assert f"about {10 * round(metres / 10)} m" in near
