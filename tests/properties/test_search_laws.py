"""The best place is the best of all cells, wherever the window of land begins."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from siting.grid import Grid
from siting.pipeline import site_land
from siting.read.land import read_land, read_parcel
from siting.scoring.search import TOLERANCE, HeadingEffect, find_places
from siting.settings.load import load_protocol
from tests.test_passage import quick_inputs

GRID = Grid("EPSG:32617", 540000.0, 4820600.0, 10.0, 60, 60)
LINE = ((0.0, 0.0), (1.0, 1.0))


@settings(deadline=None, max_examples=40)
@given(st.integers(0, 2**31 - 1), st.floats(-0.7, 0.0), st.floats(0.0, 0.5))
def test_no_cell_beats_a_spot_by_more_than_the_tolerance(seed, weight, closed_share):
    """Against every cell judged in full: the greedy list by brute force."""
    rng = np.random.default_rng(seed)
    index = np.exp(rng.normal(0, 0.3, GRID.shape)).astype(np.float32)
    heading = np.where(rng.random(GRID.shape) < 0.1, 0.0, rng.random(GRID.shape))
    allowed = rng.random(GRID.shape) > closed_share
    effect = HeadingEffect(weight, LINE)

    def look(easting, northing):
        return heading[GRID.rowcol(easting, northing)]

    found = find_places(
        index, allowed, grid=GRID, look=look, effect=effect, spacing_m=60.0, most=10,
        lowest=0.01, most_looks=100_000,
    )  # fmt: skip
    assert found.whole
    full = np.where(allowed & (heading > 0), np.log(index) + effect.on_log(heading), -np.inf)
    easting, northing = GRID.xy(*np.indices(GRID.shape))
    for place in found.candidates:
        assert full[place.row, place.col] >= full.max() - TOLERANCE - 1e-5
        near = np.hypot(easting - place.easting, northing - place.northing) < 60.0 - 1e-9
        full[near] = -np.inf


@pytest.mark.parametrize(("down", "right"), [(9, 5)])
def test_a_window_moved_by_some_cells_leaves_the_spots(down, right):
    """The same land read a little less far to the north and west: spots within one cell."""
    inputs, protocol = quick_inputs(), load_protocol(None)
    calm = protocol.stability.model_copy(update={"draws": 0})
    protocol = protocol.model_copy(update={"stability": calm})
    land = read_land(
        inputs,
        read_parcel(inputs),
        rules=protocol.grid,
        far_reach_m=protocol.sun.horizon_reach_m,
    )
    inner = replace(
        land,
        grid=land.grid.window(down, right, land.grid.n_rows, land.grid.n_cols),
        dem=land.dem[down:, right:],
        cover_code=land.cover_code[down:, right:],
        role=land.role[down:, right:],
    )
    one, other = (site_land(part, protocol).spots for part in (land, inner))
    assert len(one) == len(other)
    for mine, theirs in zip(one, other, strict=True):
        away = np.hypot(mine.easting - theirs.easting, mine.northing - theirs.northing)
        assert away <= np.sqrt(2) * land.grid.cell_size_m, (mine, theirs)
