"""The same land gives the same spots, however it lies on the grid.

The sun has its own north, so mirrored and turned land is judged without headings.
"""

from __future__ import annotations

from dataclasses import replace
from functools import cache
from typing import Any

import geopandas as gpd
import numpy as np
import pytest
import shapely
from hypothesis import Phase, given, settings
from hypothesis import strategies as st

from siting.grid import transformer
from siting.pipeline import site_land
from siting.scoring.search import TOLERANCE
from siting.settings.load import load_protocol
from tests.properties.built_land import (
    CELL_M,
    CRS,
    EAST,
    NORTH,
    Move,
    built_land,
    calm_protocol,
    middle,
)

ONE_CELL_M = np.sqrt(2) * CELL_M
LANDS = st.integers(0, 10_000)
# A run takes half a second: few examples, and the first one that fails will do.
ONCE = (Phase.explicit, Phase.generate)
FEW = settings(deadline=None, max_examples=3, phases=ONCE)

# Each with the way back: from the grid to the land, and from the land to the grid.
TURNS: dict[str, tuple[Move, Move]] = {
    "mirrored west to east": (lambda x, y: (-x, y), lambda x, y: (-x, y)),
    "mirrored north to south": (lambda x, y: (x, -y), lambda x, y: (x, -y)),
    "turned by 90 degrees": (lambda x, y: (-y, x), lambda x, y: (y, -x)),
    "turned by 180 degrees": (lambda x, y: (-x, -y), lambda x, y: (-x, -y)),
    "turned by 270 degrees": (lambda x, y: (y, -x), lambda x, y: (-y, x)),
}


@cache
def spots_of(seed: int, *, headings: bool, trials: bool = False) -> tuple[Any, ...]:
    protocol = calm_protocol(headings=headings)
    if trials:
        protocol = protocol.model_copy(update={"stability": load_protocol(None).stability})
    return site_land(built_land(seed), protocol).spots


def on_the_land(spots: Any, to_land: Move = lambda x, y: (x, y), crs: str = CRS) -> Any:
    """(n, 2) metres east and north of the land's own middle."""
    east0, north0 = middle(crs)
    at = np.array([(s.easting - east0, s.northing - north0) for s in spots])
    return np.column_stack(to_land(at[:, 0], at[:, 1]))


def away_m(one: Any, other: Any) -> Any:
    """Distance from each of the first to the nearest of the second, metres."""
    return np.hypot(*(one[:, None] - other[None]).transpose(2, 0, 1)).min(axis=1)


def assert_same(spots: Any, others: Any, to_land: Move = lambda x, y: (x, y)) -> None:
    """The same places in the same order, to one cell.

    The search may end on either of two places whose indices differ by less than its tolerance:
    then one may stand for the other, but of ten places hardly two are such.
    """
    assert len(spots) == len(others)
    there = np.hypot(*(on_the_land(spots) - on_the_land(others, to_land)).T) <= ONE_CELL_M
    apart = np.abs(
        np.log([one.score / other.score for one, other in zip(spots, others, strict=True)])
    )
    assert (there | (apart <= TOLERANCE)).all()
    assert there.sum() >= len(spots) - 2


@FEW
@given(LANDS, st.integers(1, 9), st.integers(0, 9))
def test_a_window_moved_by_some_cells_leaves_the_spots(seed, down, right):
    moved = site_land(built_land(seed, moved=(down, right)), calm_protocol(headings=True)).spots
    assert_same(spots_of(seed, headings=True), moved)


@FEW
@given(LANDS, st.sampled_from(sorted(TURNS)))
def test_mirrored_or_turned_land_gives_mirrored_or_turned_spots(seed, name):
    to_land, from_land = TURNS[name]
    land = built_land(seed, to_land=to_land, from_land=from_land)
    turned = site_land(land, calm_protocol(headings=False)).spots
    assert_same(spots_of(seed, headings=False), turned, to_land)


@pytest.mark.parametrize("crs", ["EPSG:32616", "EPSG:32618"])
@settings(deadline=None, max_examples=2, phases=ONCE)
@given(seed=LANDS)
def test_another_projection_leaves_the_spots_within_their_search_circles(crs, seed):
    """The neighbouring zones: cells lie askew by 4 degrees.

    A circle promises to hold 80 % of the best positions, and no lattice shows less than a cell.
    """
    there, back = transformer(CRS, crs), transformer(crs, CRS)
    east0, north0 = middle(crs)

    def to_land(x, y):
        east, north = back.transform(np.asarray(x) + east0, np.asarray(y) + north0)
        return east - EAST, north - NORTH

    def from_land(x, y):
        east, north = there.transform(np.asarray(x) + EAST, np.asarray(y) + NORTH)
        return east - east0, north - north0

    land = built_land(seed, to_land=to_land, from_land=from_land, crs=crs)
    other = on_the_land(site_land(land, calm_protocol(headings=False)).spots, to_land, crs)
    spots = spots_of(seed, headings=False, trials=True)
    radius = np.array([spot.search_radius_m for spot in spots])
    within = away_m(on_the_land(spots), other) <= radius + ONE_CELL_M
    assert within[:5].mean() >= 0.8
    assert within.mean() >= 0.8


def with_weights(protocol: Any, factor: float) -> Any:
    """The protocol with every logarithm of a ratio multiplied."""
    tables = {}
    for table in ("attractors", "conditions"):
        section = getattr(protocol, table)
        tables[table] = section.model_copy(
            update={
                name: rule.model_copy(update={"ratio": float(rule.ratio**factor)})
                for name, rule in section
            }
        )
    # The least index is a number on the same scale.
    least = protocol.candidates.lowest_score**factor
    tables["candidates"] = protocol.candidates.model_copy(update={"lowest_score": least})
    return protocol.model_copy(update=tables)


@pytest.mark.parametrize("factor", [0.5, 2.0])
def test_all_weights_halved_or_doubled_leave_the_spots_and_their_order(factor):
    other = site_land(built_land(5), with_weights(calm_protocol(headings=True), factor)).spots
    spots = spots_of(5, headings=True)
    assert len(spots) >= 5
    np.testing.assert_allclose(
        [np.log(spot.score) * factor for spot in spots],
        [np.log(spot.score) for spot in other],
        atol=TOLERANCE * max(factor, 1.0),
    )
    there = away_m(on_the_land(spots), on_the_land(other)) <= ONE_CELL_M
    assert there.mean() >= 0.8


# How far each layer reaches: beyond this its criteria do not speak, metres; and by how much the
# logarithm may change there. A road bends the flow of travel everywhere by a hair.
_REACHES = {"trails": (45.0, 1e-5), "water": (100.0, 1e-5), "roads": (150.0, 0.01)}


@pytest.mark.parametrize("name", _REACHES)
def test_a_layer_that_is_not_given_leaves_the_index_of_ground_it_does_not_concern(name):
    """The whole layer is left out, and all that was worked out from it goes with it."""
    land = built_land(5)
    lane = gpd.GeoDataFrame(
        {"class": ["minor"], "name": [""], "kind": [""]},
        geometry=[shapely.LineString([(EAST - 400, NORTH + 150), (EAST + 400, NORTH + 170)])],
        crs=CRS,
    )
    if name == "roads":
        land = replace(land, vectors={**land.vectors, "roads": lane})
    less = {layer: frame for layer, frame in land.vectors.items() if layer != name}
    protocol = calm_protocol(headings=False)
    whole, without = (
        site_land(some, protocol).scores for some in (land, replace(land, vectors=less))
    )
    changed = np.abs(np.log(without.total / whole.total))
    lines = shapely.union_all(list(land.vectors[name].geometry))
    at = shapely.points(*land.grid.xy(*np.indices(land.grid.shape)))
    reach_m, most = _REACHES[name]
    far = (shapely.distance(lines, at) > reach_m) & np.isfinite(changed)
    # Without mapped water the valley lines speak in its place.
    far &= without.memberships.get("valley", np.zeros(far.shape)) == 0
    assert far.mean() > 0.2
    assert changed[far].max() <= most
    assert np.nanmax(changed) > 0.1
