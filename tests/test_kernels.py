"""The compiled loops against slow plain twins and against other libraries."""

from __future__ import annotations

import heapq
import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp
from scipy.ndimage import distance_transform_edt, gaussian_filter, map_coordinates

from siting import kernels
from siting.grid import Grid
from siting.ground.terrain import slope_of

AROUND = [(0, 1), (1, 1), (1, 0), (1, -1), (0, -1), (-1, -1), (-1, 0), (-1, 1)]
GROUND = hnp.arrays(
    np.float32,
    hnp.array_shapes(min_dims=2, max_dims=2, min_side=1, max_side=12),
    elements=st.one_of(st.integers(0, 4).map(float), st.just(np.nan)),
)


def rough(n: int, *, seed: int, whole_metres: bool = False, holes: bool = True) -> np.ndarray:
    rng = np.random.default_rng(seed)
    z = gaussian_filter(rng.normal(size=(n, n)), n / 30) * n + rng.normal(size=(n, n)) * 0.2
    if whole_metres:
        z = np.round(z)
    if holes:
        z[rng.random(z.shape) < 0.004] = np.nan
        z[n // 3 : n // 2, n // 3 : n // 2] = np.nan
    return z.astype(np.float32)


def filled_by_twin(dem: np.ndarray) -> np.ndarray:
    """Priority flood as first published (Barnes et al. 2014, algorithm 1), cell by cell."""
    out = np.full_like(dem, np.nan)
    framed = np.pad(dem, 1, constant_values=np.nan)
    heap = []
    for row, col in np.argwhere(np.isfinite(dem)).tolist():
        if np.isnan(framed[row : row + 3, col : col + 3]).any():
            out[row, col] = dem[row, col]
            heap.append((dem[row, col], row, col))
    heapq.heapify(heap)
    while heap:
        level, row, col = heapq.heappop(heap)
        for down, right in AROUND:
            r, c = row + down, col + right
            if np.isfinite(framed[r + 1, c + 1]) and np.isnan(out[r, c]):
                out[r, c] = max(level, dem[r, c])
                heapq.heappush(heap, (out[r, c], r, c))
    return out


@given(GROUND)
@settings(deadline=None, max_examples=150)
def test_fill_equals_the_plain_twin(dem):
    np.testing.assert_array_equal(kernels.fill(dem), filled_by_twin(dem))


@pytest.mark.parametrize("whole_metres", [False, True])
@pytest.mark.parametrize("holes", [False, True])
def test_fill_equals_pyflwdir(whole_metres, holes):
    """pyflwdir 0.5.12 in float64, in which its sums are exact for float32 ground."""
    from pyflwdir.dem import fill_depressions

    dem = rough(150, seed=4, whole_metres=whole_metres, holes=holes)
    want, _ = fill_depressions(dem.astype(np.float64), nodata=np.nan)
    got = kernels.fill(dem)
    np.testing.assert_array_equal(got, want.astype(np.float32))
    assert (got > dem).sum() > 100


@given(GROUND)
@settings(deadline=None, max_examples=150)
def test_codes_lead_down_or_along_the_shortest_way_to_a_rim(dem):
    filled = kernels.fill(dem)
    codes = kernels.steepest(filled)
    np.testing.assert_array_equal(codes == kernels.NO_DATA, np.isnan(dem))
    framed = np.pad(filled, 1, constant_values=np.nan)
    for row, col in np.argwhere(np.isfinite(dem)).tolist():
        here, code = filled[row, col], codes[row, col]
        near = [framed[row + 1 + down, col + 1 + right] for down, right in AROUND]
        drops = [(here - z) / np.hypot(*step) for z, step in zip(near, AROUND, strict=True)]
        best = np.nanmax([*drops, 0.0])
        if best > 0:
            first = next(k for k, drop in enumerate(drops) if drop == best)
            assert code == 1 << first
        elif np.isnan(near).any():
            assert code == 0
        else:
            assert near[int(code).bit_length() - 1] == here


@given(GROUND)
@settings(deadline=None, max_examples=100)
def test_upstream_cells_equal_a_walk_from_every_cell(dem):
    codes = kernels.steepest(kernels.fill(dem))
    want = np.zeros(codes.shape, dtype=int)
    for row, col in np.argwhere(codes != kernels.NO_DATA).tolist():
        r, c = row, col
        for _ in range(codes.size + 1):
            want[r, c] += 1
            if codes[r, c] == 0:
                break
            down, right = AROUND[int(codes[r, c]).bit_length() - 1]
            r, c = r + down, c + right
        else:
            pytest.fail("the way down goes round in a circle")
    np.testing.assert_array_equal(kernels.upstream_cells(codes), want)


def test_between_centres_equals_scipy():
    """scipy.ndimage.map_coordinates, order 1, outside the map NaN: the same to the last bit."""
    values = rough(60, seed=5)
    row, col = np.random.default_rng(6).uniform(-3, 62, (2, 20_000))
    want = map_coordinates(
        values, np.stack([row, col]), order=1, mode="constant", cval=np.nan, prefilter=False
    )
    got = kernels.between_centres(values, row, col)
    assert 0.5 < np.isfinite(got).mean() < 0.95
    np.testing.assert_array_equal(got, want)


def test_hidden_lines_equal_the_plain_twin():
    """Heights along each line by scipy, every sample compared; unknown ground hides nothing."""
    rng = np.random.default_rng(8)
    dem = rough(40, seed=8)
    n = 300
    start, end = rng.uniform(-2, 41, (n, 2)), rng.uniform(-2, 41, (n, 2))
    z_start, z_end = rng.uniform(np.nanmean(dem), np.nanmax(dem) - 10, (2, n))
    bulge_m, steps = rng.uniform(0, 1, n), 2 ** rng.integers(1, 7, n)
    got = kernels.hidden_lines(dem, start, end, z_start, z_end, bulge_m, steps)
    expected = np.zeros(n, bool)
    for k in range(n):
        t = (np.arange(steps[k]) + 0.5) / steps[k]
        at = (start[k] + (end[k] - start[k]) * t[:, None]).T
        at[:, (at < 0).any(axis=0) | (at > 39).any(axis=0)] = np.nan
        inside = np.isfinite(at[0])
        ground = np.full(steps[k], np.nan)
        ground[inside] = map_coordinates(dem.astype(float), at[:, inside], order=1)
        over = ground + bulge_m[k] * t * (1 - t) - (z_start[k] + (z_end[k] - z_start[k]) * t)
        expected[k] = bool((over > 0).any())
    assert 0.2 < expected.mean() < 0.8
    np.testing.assert_array_equal(got, expected)


def test_between_centres_on_the_outermost_centres_and_where_nothing_is_known():
    values = np.array([[1, 2], [3, np.nan]], dtype=np.float32)
    row = np.array([0.0, 0.0, 1.0, 0.5, np.nan, 0.0])
    col = np.array([0.0, 1.0, 0.0, 0.5, 0.0, 1.001])
    got = kernels.between_centres(values[:1], row[:1], col[1:2])
    np.testing.assert_array_equal(got, [2.0])
    got = kernels.between_centres(values, row, col)
    np.testing.assert_array_equal(np.isnan(got), [True, True, True, True, True, True])
    got = kernels.between_centres(np.array([[1, 2], [3, 4]], dtype=np.float32), row, col)
    np.testing.assert_array_equal(got, [1.0, 2.0, 3.0, 2.5, np.nan, np.nan])


@given(
    hnp.arrays(bool, hnp.array_shapes(min_dims=2, max_dims=2, min_side=1, max_side=14)),
)
@settings(deadline=None, max_examples=200)
def test_nearest_sources_equal_scipy(sources):
    """scipy.ndimage.distance_transform_edt with indices, of equal distances the same one, too."""
    sources[sources.shape[0] // 2, sources.shape[1] // 3] = True
    row, col = nearest_sources(sources)
    want = distance_transform_edt(~sources, return_distances=False, return_indices=True)
    np.testing.assert_array_equal(np.stack([row, col]), want)


def nearest_sources(sources: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Row and column of the source whose piece `kernels.distances` measures to, cell by cell.

    All cells are put at one place and the piece of source k at the distance k + 1 from it, so
    that the distance tells which source was taken.
    """
    rows, cols = sources.shape
    number = np.arange(sources.size, dtype=np.int32)
    pieces = np.zeros((sources.size, 4), dtype=np.float32)
    pieces[:, 1] = pieces[:, 3] = number + 1
    here = [np.zeros(n, dtype=np.float32) for n in (cols, rows)]
    out = np.empty(sources.shape, dtype=np.float32)
    kernels.distances(
        0, kernels.nearest_rows(sources), number.reshape(sources.shape), pieces, *here, out
    )
    taken = np.round(out).astype(int) - 1
    return taken // cols, taken % cols


def test_disc_mean_equals_a_sum_over_every_cell_of_the_disc():
    values = rough(30, seed=8)
    radius = 4.3
    reach = int(radius)
    half_widths = np.sqrt(radius**2 - np.arange(-reach, reach + 1) ** 2).astype(np.int64)
    out = np.empty((20, 30), dtype=np.float32)
    kernels.disc_mean(6, values, half_widths, out)
    row, col = np.indices(values.shape)
    for r in range(6, 26):
        for c in range(30):
            disc = ((row - r) ** 2 + (col - c) ** 2 <= radius**2) & np.isfinite(values)
            want = values[disc].mean(dtype=np.float64) if np.isfinite(values[r, c]) else np.nan
            # float64 running sums of values near 100: 1e-5 is far above their rounding
            np.testing.assert_allclose(out[r - 6, c], want, atol=1e-5)


def test_values_and_distances_of_the_nearest_source_equal_scipy():
    sources = np.random.default_rng(9).random((40, 55)) < 0.01
    values = np.random.default_rng(10).random(sources.shape)
    want, index = distance_transform_edt(~sources, sampling=2.0, return_indices=True)
    nearest = kernels.nearest_rows(sources)
    spread, far = np.empty((30, 55)), np.empty((30, 55), dtype=np.float32)
    kernels.from_nearest(5, nearest, values, spread)
    kernels.source_distances(5, nearest, 2.0, -1.0, far)
    np.testing.assert_array_equal(spread, values[tuple(index)][5:35])
    np.testing.assert_array_equal(far, np.maximum(want - 1.0, 0.0).astype(np.float32)[5:35])


@pytest.mark.parametrize("kind", [np.float32, np.float64])
def test_arc_tangents_equal_the_standard_library(kind):
    values = np.array([0.0, -0.3, 1.0, 57.0, np.inf, np.nan], dtype=kind)
    out = np.empty_like(values)
    kernels.arc_tangents(values, out)
    want = np.array([math.atan(value) for value in values])
    np.testing.assert_array_equal(np.isnan(out), np.isnan(want))
    # half a unit of the last place of 1.57 in float32 is 6e-8
    np.testing.assert_allclose(out, want, rtol=0, atol=1.3e-7)


def test_exponentials_equal_the_standard_library():
    values = np.array([0.0, -0.3, 1.0, -700.0, -np.inf, np.nan])
    out = np.empty_like(values)
    kernels.exponentials(values, out)
    np.testing.assert_array_equal(out, np.array([math.exp(value) for value in values]))


def test_slope_of_a_turned_view_is_the_turned_slope():
    east, north = np.random.default_rng(3).normal(size=(2, 7, 9)).astype(np.float32)
    turned = slope_of(np.rot90(east), np.rot90(north))
    np.testing.assert_array_equal(turned, np.rot90(slope_of(east, north)))


def test_wetness_equals_the_standard_library():
    area = np.array([[100.0, 5e6, np.nan], [400.0, 400.0, 400.0]])
    slope = np.array([[45.0, 0.0, 3.0], [np.nan, 0.1, 12.5]], dtype=np.float32)
    out = np.empty(slope.shape, dtype=np.float32)
    kernels.wetness(area, slope, 10.0, 0.1, out)
    for (row, col), found in np.ndenumerate(out):
        tangent = math.tan(math.radians(max(float(slope[row, col]), 0.1)))
        want = math.log(area[row, col] / 10.0 / tangent)
        if np.isnan(area[row, col]) or np.isnan(slope[row, col]):
            assert np.isnan(found)
        else:
            assert found == pytest.approx(want, rel=2e-7)  # float32


def test_rises_equal_the_heights_between_centres():
    """The far ground is asked where the near one has a gap, and beyond it."""
    near, far = rough(40, seed=3), rough(30, seed=4, holes=False)
    lens = np.array([[61.3, 50.2, 2.0], [20.0, 31.7, -1.0]])
    radian, distance = np.radians(np.arange(0.0, 360.0, 7.5)), np.arange(3.0, 60.0, 2.0)
    sunk = distance**2 / 1e4
    got = kernels.rises(
        [(near, 80.0, 0.0, 2.0), (far, 120.0, -30.0, 5.0)], lens, radian, distance, sunk
    )
    x = lens[:, 0, None, None] + np.sin(radian)[:, None] * distance
    y = lens[:, 1, None, None] + np.cos(radian)[:, None] * distance
    read = [
        kernels.between_centres(dem, *((edge - v) / cell * sign - 0.5 for edge, v, sign in sides))
        for dem, cell, sides in (
            (near, 2.0, ((80.0, y.ravel(), 1), (0.0, x.ravel(), -1))),
            (far, 5.0, ((120.0, y.ravel(), 1), (-30.0, x.ravel(), -1))),
        )
    ]
    z = np.where(np.isfinite(read[0]), read[0], read[1]).reshape(x.shape)
    wanted = (z - lens[:, 2, None, None] - sunk) / distance
    np.testing.assert_array_equal(got, wanted)
    assert np.isnan(read[0]).any()
    assert np.isfinite(got).any()
    assert np.isnan(kernels.rises([(near, 80.0, 0.0, 2.0)], lens, radian, distance, sunk)).any()


def test_moved_cells_equal_those_of_a_grid():
    rng = np.random.default_rng(8)
    grid = Grid("EPSG:32617", 500.0, 900.0, 2.0, 30, 40)
    easting, northing = rng.uniform(480, 600, 50), rng.uniform(820, 920, 50)
    place, shift = rng.integers(0, 6, 50), rng.normal(0, 9, (7, 6, 2))
    row, col = grid.rowcol(easting - shift[:, place, 0], northing - shift[:, place, 1])
    wanted = np.clip(row, 0, 29) * 40 + np.clip(col, 0, 39)
    got = kernels.moved_cells(easting, northing, place, shift, (900.0, 500.0, 2.0), grid.shape)
    np.testing.assert_array_equal(got, wanted)
