"""Drainage against published grids, other libraries and ground whose answer is known."""

import numpy as np
import pytest
from affine import Affine
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp
from scipy.ndimage import gaussian_filter

from siting.ground.water import flow
from siting.ground.water.drainage import (
    derive_streams,
    height_above_drainage_m,
    stream_cells,
    stream_lines,
    upstream_area_m2,
    wetness_index,
)
from siting.ground.water.flow import fill_depressions, flow_directions

# The 6 x 6 teaching grid of flow direction and accumulation (Jenson & Domingue type; given in
# the public test suites of several terrain libraries). The outlet is written 0 here.
ELEVATION = np.array(
    [
        [78, 72, 69, 71, 58, 49],
        [74, 67, 56, 49, 46, 50],
        [69, 53, 44, 37, 38, 48],
        [64, 58, 55, 22, 31, 24],
        [68, 61, 47, 21, 16, 19],
        [74, 53, 34, 12, 11, 12],
    ],
    dtype=np.float32,
)
DIRECTION = np.array(
    [
        [2, 2, 2, 4, 4, 8],
        [2, 2, 2, 4, 4, 8],
        [1, 1, 2, 4, 8, 4],
        [128, 128, 1, 2, 4, 8],
        [2, 2, 1, 4, 4, 4],
        [1, 1, 1, 1, 0, 16],
    ],
    dtype=np.uint8,
)
UPSTREAM = np.array(
    [
        [0, 0, 0, 0, 0, 0],
        [0, 1, 1, 2, 2, 0],
        [0, 3, 7, 5, 4, 0],
        [0, 0, 0, 20, 0, 1],
        [0, 0, 0, 1, 24, 0],
        [0, 2, 4, 7, 35, 1],
    ]
)
# Height above drainage of the same grid with drainage where >= 21 cells drain (pyflwdir 0.5.12).
ABOVE = np.array(
    [
        [56, 50, 47, 49, 36, 27],
        [52, 45, 34, 27, 24, 28],
        [47, 31, 22, 15, 16, 32],
        [42, 36, 33, 0, 15, 8],
        [57, 50, 36, 10, 0, 8],
        [63, 42, 23, 1, 0, 1],
    ]
)
STEP = {1: (0, 1), 2: (1, 1), 4: (1, 0), 8: (1, -1), 16: (0, -1), 32: (-1, -1), 64: (-1, 0)}
STEP[128] = (-1, 1)
NORTH_UP = Affine(10.0, 0.0, 500_000.0, 0.0, -10.0, 4_000_000.0)


def rough_ground(seed=0, shape=(90, 70), hole=True):
    rng = np.random.default_rng(seed)
    dem = gaussian_filter(rng.normal(size=shape), 5) * 60 + np.arange(shape[0])[:, None] * 0.05
    if hole:
        dem[20:30, 40:48] = np.nan
    return dem.astype(np.float32)


def cell_of(east, north):
    return int((NORTH_UP.f - north) // 10), int((east - NORTH_UP.c) // 10)


def walk_down(directions, row, col):
    """Every cell from (row, col) to the outlet, by hand."""
    path = [(row, col)]
    while directions[row, col] in STEP:
        down, right = STEP[directions[row, col]]
        row, col = row + down, col + right
        path.append((row, col))
        if len(path) > directions.size:
            raise AssertionError("the water runs in a circle")
    return path


def count_upstream(directions):
    """Cells that drain through each cell, itself counted, by walking down from every cell."""
    counts = np.zeros(directions.shape, dtype=int)
    for row, col in np.argwhere(directions != flow.NO_DATA):
        for at in walk_down(directions, row, col):
            counts[at] += 1
    return counts


def test_directions_of_the_teaching_grid():
    np.testing.assert_array_equal(flow_directions(ELEVATION), DIRECTION)


def test_teaching_grid_turned_on_its_side_gives_turned_directions():
    """A swapped axis cannot pass: the transposed ground must give the transposed codes."""
    swap = {1: 4, 4: 1, 2: 2, 8: 128, 128: 8, 16: 64, 64: 16, 32: 32, 0: 0}
    turned = np.vectorize(swap.get)(DIRECTION.T)
    np.testing.assert_array_equal(flow_directions(ELEVATION.T), turned)
    assert (flow_directions(ELEVATION.T) != DIRECTION).any()


def test_upstream_area_of_the_teaching_grid():
    area = upstream_area_m2(DIRECTION, cell_size_m=10.0)
    np.testing.assert_array_equal(area, (UPSTREAM + 1) * 100.0)


def test_height_above_drainage_of_the_teaching_grid():
    drains = UPSTREAM + 1 >= 21
    height = height_above_drainage_m(ELEVATION, DIRECTION, drainage=drains)
    np.testing.assert_array_equal(height, ABOVE)


def test_bowl_fills_to_the_level_it_spills_at():
    bowl = np.array(
        [[9, 9, 9, 9, 9], [9, 5, 4, 5, 9], [9, 4, 1, 4, 7], [9, 5, 4, 5, 9], [9, 9, 9, 9, 9]]
    )
    want = bowl.astype(np.float32)
    want[1:4, 1:4] = 7
    np.testing.assert_array_equal(fill_depressions(bowl), want)


def test_fill_equals_reconstruction_by_erosion():
    """The same filling by grey-scale reconstruction (scikit-image), without missing cells."""
    from skimage.morphology import reconstruction

    dem = rough_ground(hole=False)
    seed = np.full_like(dem, dem.max())
    seed[[0, -1]], seed[:, [0, -1]] = dem[[0, -1]], dem[:, [0, -1]]
    filled = fill_depressions(dem)
    np.testing.assert_array_equal(filled, reconstruction(seed, dem, method="erosion"))
    assert (filled > dem).sum() > 20  # the ground does have hollows


def test_filled_ground_equals_richdem():
    """richdem 0.3.4 (Zhou, Sun & Fu 2016); .ci/run holds it live in an environment of its own."""
    richdem = pytest.importorskip("richdem", reason="richdem is not installed here")
    dem = rough_ground(hole=False)
    ground = richdem.rdarray(dem, no_data=-9999.0, geotransform=[0.0, 1.0, 0.0, 0.0, 0.0, -1.0])
    want = np.array(richdem.FillDepressions(ground, epsilon=False))
    np.testing.assert_array_equal(fill_depressions(dem), want)


def test_upstream_counts_equal_a_walk_from_every_cell():
    directions = flow_directions(rough_ground())
    area = upstream_area_m2(directions, cell_size_m=2.0)
    missing = directions == flow.NO_DATA
    np.testing.assert_array_equal(np.isnan(area), missing)
    want = count_upstream(directions) * 4.0
    np.testing.assert_array_equal(area[~missing], want[~missing])


def test_height_above_drainage_equals_pyflwdir():
    import pyflwdir

    dem = rough_ground()
    directions = flow_directions(dem)
    cells = stream_cells(upstream_area_m2(directions, cell_size_m=10.0), threshold_ha=1.0)
    height = height_above_drainage_m(dem, directions, drainage=cells)
    network = pyflwdir.from_array(directions, ftype="d8", check_ftype=False)
    other = network.hand(cells, dem)
    reached = ~np.isnan(height)
    assert 0.3 < reached.mean() < 1.0
    # float32 sums along the way in the other library: 1e-4 m is far above that rounding
    np.testing.assert_allclose(height[reached], other[reached], atol=1e-4)


def test_height_is_unknown_where_water_leaves_without_meeting_a_stream():
    dem = np.tile(np.array([5.0, 4.0, 3.0, 2.0]), (3, 1)).astype(np.float32)
    drains = np.zeros(dem.shape, dtype=bool)
    drains[0, 3] = True
    height = height_above_drainage_m(dem, flow_directions(dem), drainage=drains)
    np.testing.assert_array_equal(height[0], [3, 2, 1, 0])
    assert np.isnan(height[1:]).all()


def test_wetness_on_a_plane():
    """ln(a / tan b) on a 10 % plane of 10 m cells (Beven & Kirkby 1979; hand arithmetic)."""
    area = np.arange(1, 21)[:, None] * 100.0
    slope = np.full((20, 1), np.degrees(np.arctan(0.1)))
    wet = wetness_index(area, slope, cell_size_m=10.0)
    np.testing.assert_allclose(wet[[0, 9, 19], 0], [4.605170, 6.907755, 7.600902], atol=2e-6)


def test_wetness_of_flat_ground_has_a_floor():
    wet = wetness_index(np.array([[1000.0]]), np.array([[0.0]]), cell_size_m=10.0)
    np.testing.assert_allclose(wet, 10.95598, atol=2e-6)
    assert np.isnan(wetness_index(np.array([[9.0]]), np.array([[np.nan]]), cell_size_m=1.0))


def valley(rows=41, cols=31):
    """A straight valley that falls to the south; its bed is the middle column."""
    across = np.abs(np.arange(cols) - cols // 2)
    return (across[None, :] * 2.0 - np.arange(rows)[:, None] * 0.5 + 100).astype(np.float32)


def test_stream_of_a_straight_valley_lies_on_its_bed_and_runs_downhill():
    (line,) = derive_streams(valley(), transform=NORTH_UP, cell_size_m=10.0, threshold_ha=5.0)
    east, north = np.array(line.coords).T
    np.testing.assert_array_equal(east, NORTH_UP.c + 15.5 * 10)
    assert (np.diff(north) < 0).all()
    assert north[-1] == NORTH_UP.f - 40.5 * 10


def test_smaller_threshold_gives_a_longer_stream():
    lengths = [
        sum(
            line.length
            for line in derive_streams(
                rough_ground(), transform=NORTH_UP, cell_size_m=10.0, threshold_ha=hectares
            )
        )
        for hectares in (0.5, 1.0, 2.0, 4.0)
    ]
    assert lengths == sorted(lengths, reverse=True)
    assert lengths[0] > lengths[-1] > 0


def test_stream_lines_cover_all_stream_cells_once():
    directions = flow_directions(rough_ground())
    cells = stream_cells(upstream_area_m2(directions, cell_size_m=10.0), threshold_ha=0.5)
    lines = stream_lines(directions, cells, transform=NORTH_UP)
    links = [
        (start, end)
        for line in lines
        for start, end in zip(line.coords[:-1], line.coords[1:], strict=True)
    ]
    assert len(links) == len(set(links))
    flows_on = cells & (directions != flow.OUTLET)
    assert len(links) == flows_on.sum()
    for line in lines:
        for (east, north), after in zip(line.coords[:-1], line.coords[1:], strict=True):
            row, col = cell_of(east, north)
            assert walk_down(directions, row, col)[1] == cell_of(*after)


def test_no_ground_and_no_streams():
    nothing = np.full((5, 6), np.nan, dtype=np.float32)
    assert derive_streams(nothing, transform=NORTH_UP, cell_size_m=10.0, threshold_ha=1) == []
    flat = np.zeros((5, 6), dtype=np.float32)
    assert derive_streams(flat, transform=NORTH_UP, cell_size_m=10.0, threshold_ha=1) == []


grounds = hnp.arrays(
    np.float32,
    hnp.array_shapes(min_dims=2, max_dims=2, min_side=1, max_side=9),
    elements=st.one_of(st.integers(0, 6).map(float), st.just(float("nan"))),
)


@settings(deadline=None)
@given(grounds)
def test_all_water_leaves_the_map_and_never_runs_uphill(dem):
    """Small whole numbers make many flats and hollows, the hard case."""
    filled = fill_depressions(dem)
    directions = flow_directions(dem)
    missing = np.isnan(dem)
    np.testing.assert_array_equal(np.isnan(filled), missing)
    np.testing.assert_array_equal(directions == flow.NO_DATA, missing)
    assert (filled[~missing] >= dem[~missing]).all()
    border = np.pad(missing, 1, constant_values=True)
    for row, col in np.argwhere(~missing):
        path = walk_down(directions, row, col)
        levels = [filled[at] for at in path]
        assert levels == sorted(levels, reverse=True)
        end_row, end_col = path[-1]
        assert border[end_row : end_row + 3, end_col : end_col + 3].any()


@settings(deadline=None)
@given(grounds, st.integers(-500, 4000))
def test_adding_a_constant_height_changes_no_direction(dem, lift):
    np.testing.assert_array_equal(flow_directions(dem + np.float32(lift)), flow_directions(dem))


def test_water_leaves_a_hollow():
    """Every cell but an outlet on the border has a way down, also at the bottom of a pit."""
    dem = np.full((7, 7), 10.0, dtype=np.float32)
    dem[3, 3] = 2.0
    dem[3, 6] = 9.0
    assert (flow_directions(dem)[1:-1, 1:-1] != 0).all()
