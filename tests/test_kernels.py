"""The compiled loops against slow plain twins and against other libraries."""

from __future__ import annotations

import heapq
import math
import subprocess
import sys

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp
from scipy.ndimage import distance_transform_edt, gaussian_filter, map_coordinates

from siting import kernels
from siting.ground.terrain import gradient, gradient_at, slope_of
from siting.scoring.combine import by_fact, log_factors
from siting.settings.protocol_score import Scoring

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
    # Its Python and not its compiled form: a new environment would compile for most of a minute.
    want, _ = fill_depressions.py_func(dem.astype(np.float64), nodata=np.nan)
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


@pytest.mark.parametrize("holes", [False, True])
@pytest.mark.parametrize("both", [False, True])
def test_a_skyline_is_the_highest_of_all_samples(holes, both):
    """The far ground is asked where the near one has a gap, and beyond it; without far a ray ends.

    Without gaps most samples are not looked at: the highest ground would not rise above the rest.
    """
    near, far = rough(40, seed=3, holes=holes), rough(50, seed=4, holes=False)
    lens = np.array([[61.3, 50.2, 2.0], [20.0, 31.7, -1.0], [31.7, 77.9, 9.0]])
    radian, distance = np.radians(np.arange(0.0, 360.0, 7.5)), np.arange(3.0, 90.0, 2.0)
    sunk = distance**2 / 1e4
    x = lens[:, 0, None, None] + np.sin(radian)[:, None] * distance
    y = lens[:, 1, None, None] + np.cos(radian)[:, None] * distance
    read = [
        kernels.between_centres(
            dem, ((top - y) / cell - 0.5).ravel(), ((x - left) / cell - 0.5).ravel()
        )
        for dem, top, left, cell in ((near, 80.0, 0.0, 2.0), (far, 160.0, -60.0, 5.0))
    ]
    z = (np.where(np.isfinite(read[0]), read[0], read[1]) if both else read[0]).reshape(x.shape)
    rise = (z.astype(float) - lens[:, 2, None, None] - sunk) / distance
    known = np.logical_and.accumulate(np.isfinite(rise), axis=2)
    steps = known.sum(axis=2)
    assert (steps == 44).any() == both or not holes

    highest = np.inf if holes else float(near.max())
    grounds = [(near, 80.0, 0.0, 2.0, highest), (far, 160.0, -60.0, 5.0, float(far.max()))]
    seen = (
        np.full(steps.shape, -np.inf, np.float32),
        np.zeros(steps.shape, np.float32),
        np.ones(steps.shape, bool),
    )
    # In two parts, as over cells of two sizes.
    for some in (slice(0, 20), slice(20, 44)):
        kernels.raise_skyline(grounds[: 1 + both], lens, radian, distance[some], sunk[some], seen)
    top = np.where(known, rise, -np.inf).max(axis=2).astype(np.float32)
    np.testing.assert_array_equal(seen[0], top)
    np.testing.assert_array_equal(seen[1], np.where(steps > 0, distance[steps - 1], 0))
    np.testing.assert_array_equal(seen[2], steps == 44)


def some_points(rng, *, draws=7, maps=2):
    """Points of places near the edge of a grid, and maps that lie off by a few of its cells."""
    at = kernels.At(*(rng.integers(0, most, 50) for most in (30, 40, 6)))
    return at, rng.integers(-5, 6, (draws, maps, 6, 2))


def test_moved_cells_are_the_nearest_ones_beyond_the_edge():
    at, steps = some_points(np.random.default_rng(8))
    row, col = (
        np.clip(axis + steps[:, 0, at.place, k], 0, most)
        for k, (axis, most) in enumerate([(at.row, 29), (at.col, 39)])
    )
    got = kernels.moved_cells(at, steps[:, 0], (30, 40))
    np.testing.assert_array_equal(got, row * 40 + col)


def test_the_index_of_draws_is_the_sum_of_the_parts_that_lie_under_each_point():
    rng = np.random.default_rng(9)
    at, steps = some_points(rng)
    names = by_fact(["view", "trail", "crossing", "water", "flat"])
    slot = rng.permutation(30 * 40).reshape(30, 40).astype(np.int32)
    values = rng.random((5, 1200), dtype=np.float32)
    values[1, ::40] = np.nan
    names_of = list(names)
    in_patch = np.full((5, 3), -1.0, np.float32)
    in_patch[names_of.index("view")] = [0.2, 0.0, 0.9]
    given_of = np.array([0 if name == "flat" else -1 for name in names])
    map_of, group = np.array([0, 1, 0, 1, 0]), np.array(list(names.values()))
    read = kernels.Read(values, map_of, given_of, in_patch, group)
    flat = rng.random((1, 7, 50), dtype=np.float32)
    patch = rng.integers(-1, 3, (7, 50)).astype(np.int8)
    weights, missed = rng.normal(0, 1, (7, 5)), rng.normal(0, 1, (7, 6))
    got = kernels.index_of_draws(at, slot, steps, read, flat, patch, weights, missed, 0.3)

    cells = [kernels.moved_cells(at, steps[:, m], (30, 40)) for m in (0, 1)]
    parts = {name: values[k][slot.ravel()[cells[map_of[k]]]] for k, name in enumerate(names)}
    parts["flat"] = flat[0]
    view = in_patch[names_of.index("view")][patch]
    parts["view"] = np.where(patch >= 0, view, parts["view"])
    by_name = {name: weights[:, [k]] for k, name in enumerate(names)}
    sums = log_factors(parts, by_name, Scoring(second_share=0.3), (7, 50))
    wanted = sums[0] + sums[1] + missed[:, at.place]
    assert np.isnan(wanted).any()
    np.testing.assert_array_equal(got, np.where(np.isnan(wanted), -np.inf, wanted))


@given(GROUND, st.floats(0.5, 30.0))
@settings(deadline=None, max_examples=100)
def test_the_slope_of_some_cells_is_that_of_all(dem, cell_size_m):
    cells = np.indices(dem.shape).reshape(2, -1)
    some = gradient_at(dem, cell_size_m, (cells[0], cells[1]))
    for one, all_ in zip(some, gradient(dem, cell_size_m), strict=True):
        np.testing.assert_array_equal(one, all_.ravel())


PREPARED = """
import numpy as np
from siting import kernels
from siting.kernels import compiled
kernels.load()
dem = np.random.default_rng(1).random((20, 30)).astype(np.float32)
nearest = kernels.nearest_rows(dem > 0.9)
kernels.from_nearest(0, nearest, dem, np.empty_like(dem))
kernels.source_distances(0, nearest, 2.0, 1.0, np.empty_like(dem))
kernels.upstream_cells(kernels.steepest(kernels.fill(dem)))
kernels.exponentials(np.zeros(3), np.zeros(3))
kernels.between_centres(dem, np.ones(2), np.ones(2))
print([f"{loop.__name__} {kinds}" for loop, kinds in compiled.ASKED if len(loop.signatures) != 1])
"""


def test_every_loop_is_prepared_for_what_it_is_given():
    """In a process of its own: a kind that `prepare` did not name would be compiled once more."""
    done = subprocess.run([sys.executable, "-c", PREPARED], capture_output=True, text=True)
    assert (done.stdout.strip(), done.stderr) == ("[]", "")
