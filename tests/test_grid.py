"""The grid as a value: laws of places and cells, and coordinate systems as text."""

from __future__ import annotations

import pickle

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from pyproj import CRS

from siting.grid import Grid, crs_text, transformer

CRS_TEXT = "EPSG:32617"
sizes = st.sampled_from([0.25, 0.5, 1.0, 2.0, 3.0, 5.0, 8.7, 10.0, 28.0, 30.0])
metres = st.floats(-9e6, 9e6)


@st.composite
def grids(draw: st.DrawFn) -> Grid:
    size = draw(sizes)
    col, row = draw(st.integers(-100_000, 100_000)), draw(st.integers(-100_000, 100_000))
    shape = draw(st.integers(1, 400)), draw(st.integers(1, 400))
    return Grid(CRS_TEXT, col * size, row * size, size, *shape)


@settings(deadline=None)
@given(grids(), st.data())
def test_place_of_a_cell_and_back(grid, data):
    row = data.draw(st.integers(0, grid.n_rows - 1))
    col = data.draw(st.integers(0, grid.n_cols - 1))
    assert tuple(map(int, grid.rowcol(*grid.xy(row, col)))) == (row, col)
    assert bool(grid.contains(row, col))


@settings(deadline=None)
@given(metres, metres, st.floats(1, 5000), st.floats(1, 5000), sizes, st.tuples(metres, metres))
def test_a_grid_covers_its_bounds_by_less_than_a_cell(left, bottom, width, height, size, anchor):
    bounds = (left, bottom, left + width, bottom + height)
    grid = Grid.from_bounds(bounds, crs=CRS_TEXT, cell_size_m=size, anchor=anchor)
    # Rounding of large numbers, and the millionth of a cell that may be let pass.
    slack = 1e-6 * size + 1e-8
    for low, high in zip((grid.left, grid.bounds[1]), bounds[:2], strict=True):
        assert low <= high + slack
        assert high - low < size + slack
    for high, low in zip((grid.bounds[2], grid.top), bounds[2:], strict=True):
        assert high >= low - slack
        assert high - low < size + slack
    for place, origin in ((grid.left, anchor[0]), (grid.top, anchor[1])):
        steps = (place - origin) / size
        assert abs(steps - round(steps)) < 1e-6


@settings(deadline=None)
@given(grids(), st.data())
def test_a_window_of_a_window_is_a_window(grid, data):
    a, b = data.draw(st.integers(0, grid.n_rows - 1)), data.draw(st.integers(0, grid.n_cols - 1))
    rows, cols = data.draw(st.integers(1, 400)), data.draw(st.integers(1, 400))
    outer = grid.window(a, b, rows, cols)
    c, d = data.draw(st.integers(0, outer.n_rows)), data.draw(st.integers(0, outer.n_cols))
    inner = outer.window(c, d, rows, cols)
    direct = grid.window(a + c, b + d, outer.n_rows - c, outer.n_cols - d)
    assert inner.shape == direct.shape
    assert inner.bounds == pytest.approx(direct.bounds, abs=1e-6)
    assume(inner.n_rows and inner.n_cols)
    assert inner.xy(0, 0) == pytest.approx(grid.xy(a + c, b + d), abs=1e-6)


@settings(deadline=None)
@given(grids())
def test_a_grid_crosses_processes_as_it_is(grid):
    copy = pickle.loads(pickle.dumps(grid))
    assert copy == grid
    assert hash(copy) == hash(grid)


@settings(deadline=None)
@given(grids(), st.integers(1, 12))
def test_a_coarser_grid_covers_and_is_counted_from_the_origin(grid, factor):
    coarse = grid.coarsened(factor)
    assert coarse.n_rows * factor - grid.n_rows < 2 * factor
    assert coarse.left <= grid.left + 1e-6
    assert coarse.top >= grid.top - 1e-6
    assert coarse.bounds[2] >= grid.bounds[2] - 1e-6
    assert coarse.bounds[1] <= grid.bounds[1] + 1e-6
    # A window that begins a cell further in is cut into the same blocks of land.
    inner = grid.window(1, 1, grid.n_rows, grid.n_cols).coarsened(factor)
    for one, other in ((inner.left, coarse.left), (inner.top, coarse.top)):
        blocks = (one - other) / coarse.cell_size_m
        assert blocks == pytest.approx(round(blocks), abs=1e-6)


def test_rows_run_south_and_columns_east():
    grid = Grid(CRS_TEXT, 1000.0, 2000.0, 10.0, 3, 4)
    assert tuple(map(float, grid.xy(0, 0))) == (1005.0, 1995.0)
    assert tuple(map(float, grid.xy(2, 3))) == (1035.0, 1975.0)
    assert grid.bounds == (1000.0, 1970.0, 1040.0, 2000.0)
    assert grid.transform @ (0, 0) == (1000.0, 2000.0)


def test_points_along_the_border_lie_on_it():
    grid = Grid(CRS_TEXT, 0.0, 100.0, 10.0, 10, 20)
    east, north = grid.boundary_points(5)
    on_side = np.isin(east, [0.0, 200.0]) | np.isin(north, [0.0, 100.0])
    assert on_side.all()
    assert {(0.0, 0.0), (200.0, 100.0)} <= set(zip(east.tolist(), north.tolist(), strict=True))


def test_places_go_to_longitude_and_latitude_in_that_order():
    """The meeting of the central meridian of zone 17 (81 W) and the equator, by definition."""
    lon, lat = Grid(CRS_TEXT, 0.0, 0.0, 1.0, 1, 1).to_lonlat.transform(500_000.0, 0.0)
    assert (lon, lat) == (pytest.approx(-81.0, abs=1e-9), pytest.approx(0.0, abs=1e-9))


@pytest.mark.parametrize("code", [32617, 3035, 2154, 26917, 4326, 3857, 2193, 28355])
@pytest.mark.parametrize("form", ["WKT1_ESRI", "WKT2_2019"])
def test_a_catalogued_system_is_known_in_every_dialect(code, form):
    assert crs_text(CRS.from_epsg(code).to_wkt(form)) == f"EPSG:{code}"


@pytest.mark.parametrize(
    "text", ["+proj=utm +zone=17 +ellps=GRS80", "+proj=utm +zone=17 +ellps=clrk66"]
)
def test_a_system_that_does_not_name_its_datum_gets_no_code(text):
    """Many catalogued systems equal it but for just that; which of them is meant is not guessed."""
    assert not crs_text(text).startswith("EPSG")


def test_transformers_are_made_once():
    assert transformer("EPSG:4326", CRS_TEXT) is transformer("EPSG:4326", CRS_TEXT)


def test_a_window_never_begins_outside_its_grid():
    part = Grid("EPSG:32617", 0, 100, 10, 10, 10).window(-2, -3, 5, 6)
    assert part.bounds == (0, 70, 30, 100)
