"""Travel cost, coarsening and funnels on built terrain with known answers."""

import numpy as np
import pytest
from scipy import sparse
from scipy.sparse.linalg import splu

from siting.ground.travel.circuits import node_currents, potentials, resistor_grid
from siting.ground.travel.movement import (
    coarsen_cost,
    coarsening_factor,
    concentration,
    current_density,
    refine,
    travel_cost,
)
from siting.types import CoverRole

ROLE_COST = {
    CoverRole.TREE: 1.0,
    CoverRole.CROP: 4.0,
    CoverRole.WATER: None,
    CoverRole.BUILT: 30.0,
}
SLOPE_KNOTS = ((0.0, 1.0), (5.0, 1.2), (15.0, 2.0), (25.0, 4.0), (35.0, 8.0), (45.0, 15.0))
CELL_M = 10.0
N = 121
MID = N // 2
NORTH, EAST = (np.indices((N, N)) - MID) * CELL_M


def slope_of(dem):
    down, right = np.gradient(dem, CELL_M)
    return np.degrees(np.arctan(np.hypot(down, right)))


def funnel(dem=None, role=None):
    """(density, concentration) of built land; flat and wooded where nothing else is given."""
    dem = np.zeros((N, N)) if dem is None else dem
    role = np.full((N, N), int(CoverRole.TREE)) if role is None else role
    cost = travel_cost(slope_of(dem), role, role_cost=ROLE_COST, slope_knots=SLOPE_KNOTS)
    density = current_density(cost)
    return density, concentration(density, cell_size_m=CELL_M, surroundings_m=100.0)


def test_cost_is_the_product_of_slope_and_cover():
    slope = np.array([[0.0, 10.0, 50.0], [0.0, 0.0, np.nan]])
    role = np.array([[1, 1, 4], [7, 0, 1]])
    cost = travel_cost(slope, role, role_cost=ROLE_COST, slope_knots=SLOPE_KNOTS)
    np.testing.assert_allclose(cost, [[1.0, 1.6, 60.0], [np.nan, 1.0, np.nan]])


def test_coarsening_factor():
    def factor(shape, cell):
        return coarsening_factor(shape, cell_size_m=cell, target_cell_m=10.0, max_cells=250_000)

    assert factor((100, 100), 10.0) == 1
    assert factor((100, 100), 30.0) == 1
    assert factor((1000, 1000), 2.0) == 5
    assert factor((2001, 2000), 10.0) == 5  # 401 x 400 cells; a factor of 4 gives 501 x 500


def test_coarsened_cost_by_hand():
    nan = np.nan
    cost = np.array([[1, 3, 2, nan, 5], [1, 3, nan, nan, 5], [4, nan, 1, 1, 7]])
    want = [[2.0, nan, 5.0], [8.0, 1.0, 7.0]]
    np.testing.assert_array_equal(coarsen_cost(cost, 2), want)


def test_coarsening_by_one_changes_nothing():
    cost = np.array([[1.0, np.nan], [2.0, 3.0]])
    np.testing.assert_array_equal(coarsen_cost(cost, 1), cost)


def test_refined_plane_is_the_plane():
    """Bilinear: a plane comes back exactly inside the outermost coarse centres."""
    factor, shape = 4, (30, 22)
    coarse_shape = tuple(-(-n // factor) for n in shape)
    row, col = np.indices(coarse_shape) * factor + (factor - 1) / 2
    fine = refine(row + 10 * col, factor, shape=shape)
    want_row, want_col = np.indices(shape)
    inside = (want_row >= 2) & (want_col >= 2) & (want_col < 20)
    inside &= want_row <= row.max()
    inside &= want_col <= col.max()
    np.testing.assert_allclose(fine[inside], (want_row + 10 * want_col)[inside], rtol=1e-6)
    assert fine.shape == shape


def test_refining_keeps_to_known_cells():
    coarse = np.array([[1.0, np.nan], [1.0, 1.0]])
    fine = refine(coarse, 2, shape=(4, 4))
    known = ~np.isnan(fine)
    np.testing.assert_array_equal(fine[known], 1.0)
    assert not known[0, 3]
    assert known[3].all()


def test_even_land_has_density_one_everywhere():
    density = current_density(np.full((23, 31), 7.0))
    np.testing.assert_allclose(density, 1.0, atol=1e-6)


def test_density_does_not_depend_on_the_unit_of_cost():
    cost = np.random.default_rng(1).uniform(1, 9, (20, 25))
    np.testing.assert_allclose(current_density(cost), current_density(cost * 13), rtol=1e-5)


def test_turned_and_mirrored_land_gives_turned_and_mirrored_density():
    cost = np.random.default_rng(2).uniform(1, 9, (18, 27))
    cost[4:9, 10] = np.nan
    density = current_density(cost)
    np.testing.assert_allclose(current_density(cost[::-1]), density[::-1], rtol=1e-4)
    np.testing.assert_allclose(current_density(np.rot90(cost)), np.rot90(density), rtol=1e-4)
    assert not np.allclose(current_density(cost[::-1]), density, rtol=0.1, equal_nan=True)


def test_cut_off_ground_carries_nothing():
    cost = np.ones((15, 15))
    cost[4:11, 4:11] = np.nan
    cost[6:9, 6:9] = 1.0
    density = current_density(cost)
    np.testing.assert_array_equal(density[6:9, 6:9], 0.0)
    assert (density[:4] > 0).all()


def test_land_goes_on_where_it_is_not_known():
    """A ring of missing cells is no wall: the land inside is crossed as if it were the border."""
    cost = np.random.default_rng(9).uniform(1, 5, (20, 24))
    ringed = np.pad(cost, 3, constant_values=np.nan)
    density = current_density(ringed, outside=np.isnan(ringed))
    np.testing.assert_allclose(density[3:-3, 3:-3], current_density(cost), rtol=1e-5)
    assert (current_density(ringed)[3:-3, 3:-3] == 0).all()  # a wall all round lets nothing in


def test_nothing_open_and_one_cell():
    assert np.isnan(current_density(np.full((3, 4), np.nan))).all()
    np.testing.assert_allclose(current_density(np.ones((1, 1))), 1.0)


def test_a_diagonal_wall_is_tight():
    cost = np.ones((9, 9))
    cost[np.arange(9), np.arange(9)] = np.nan
    network = resistor_grid(cost)
    below = network.node[8, 0]
    injected = np.zeros(network.n_nodes)
    injected[network.node[1, 0]], injected[below] = 1.0, -1.0
    current = node_currents(network, potentials(network, injected), injected=injected)
    above = network.node[np.triu_indices(9, 1)]
    np.testing.assert_allclose(current[above], 0.0, atol=1e-12)


def test_elimination_order_names_every_node_once_and_keeps_the_factors_sparse():
    """Held against scipy's minimum degree (SuperLU): fewer entries in the factors."""
    cost = np.random.default_rng(5).uniform(1, 9, (200, 180))
    cost[40:60, 10:90] = np.nan
    network = resistor_grid(cost)
    order = network.elimination_order()
    assert sorted(order) == list(range(network.n_nodes))
    matrix = (network.laplacian() + sparse.eye(network.n_nodes)).tocsc()

    def entries(ordered: sparse.csc_matrix, rule: str) -> int:
        options = {"SymmetricMode": True}
        return splu(ordered, permc_spec=rule, diag_pivot_thresh=0.0, options=options).L.nnz

    ours = entries(matrix[order][:, order].tocsc(), "NATURAL")
    assert ours < entries(matrix, "MMD_AT_PLUS_A") < entries(matrix, "NATURAL")


@pytest.mark.parametrize("shape", [(1, 1), (1, 50), (50, 1), (2, 31), (3, 3), (17, 33)])
def test_elimination_order_of_narrow_land(shape):
    network = resistor_grid(np.ones(shape))
    assert sorted(network.elimination_order()) == list(range(shape[0] * shape[1]))


def test_multigrid_agrees_with_the_direct_solver(monkeypatch):
    pytest.importorskip("pyamg", reason="pyamg is optional")
    cost = np.random.default_rng(3).uniform(1, 9, (60, 50))
    direct = current_density(cost)
    monkeypatch.setattr("siting.ground.travel.circuits._DIRECT_SOLVE_MAX_NODES", 10)
    np.testing.assert_allclose(current_density(cost), direct, rtol=1e-5)


# Built land. The figures are the ratio to the surroundings (Gaussian, 100 m) that the text of
# docs/method/travel-and-ranks.md speaks of; even land has 1.0.


def test_saddle_in_a_ridge_lights_up():
    notch = 1 - 0.7 * np.exp(-((EAST / 120) ** 2))
    density, ratio = funnel(80 * np.exp(-((NORTH / 120) ** 2)) * notch)
    assert ratio[MID, MID] > 1.5
    inner = ratio[20:-20, 20:-20]
    assert np.unravel_index(inner.argmax(), inner.shape) == (MID - 20, MID - 20)
    flank = density[MID + 8, MID + 40]
    assert density[MID, MID] > 3 * flank


def test_low_ground_between_two_knolls_lights_up():
    knolls = sum(
        70 * np.exp(-((EAST - east) ** 2 + NORTH**2) / (2 * 120**2)) for east in (-250, 250)
    )
    _, ratio = funnel(knolls)
    assert ratio[MID, MID] > 1.3
    assert ratio[MID, MID] == ratio[MID, MID - 3 : MID + 4].max()


def test_bench_on_a_hillside_lights_up_along_its_whole_length():
    rise = np.where(np.abs(NORTH) < 30, 0.05, 0.5) * CELL_M
    _, ratio = funnel(np.cumsum(rise, axis=0))
    assert (ratio[MID, 20:-20] > 1.9).all()
    assert (ratio[MID + 12, 20:-20] < 0.9).all()


def test_gap_between_pond_and_road_lights_up():
    role = np.full((N, N), int(CoverRole.TREE))
    role[np.hypot(EAST + 150, NORTH) < 120] = CoverRole.WATER
    role[:, MID + 2 : MID + 5] = CoverRole.BUILT
    _, ratio = funnel(role=role)
    gap = ratio[MID, MID - 2 : MID + 2]
    assert (gap > 1.3).all()
    # the same road with no pond beside it
    assert (ratio[10, MID - 2 : MID + 2] < 1.3).all()
    assert gap.mean() > 1.15 * ratio[10, MID - 2 : MID + 2].mean()


def test_wooded_strip_across_fields_lights_up():
    role = np.full((N, N), int(CoverRole.CROP))
    role[:30], role[-30:] = CoverRole.TREE, CoverRole.TREE
    role[:, MID - 2 : MID + 3] = CoverRole.TREE
    density, ratio = funnel(role=role)
    assert ratio[MID, MID] > 1.9
    assert density[MID, MID] > 2.5 * density[MID, MID + 20]


def test_only_gap_in_a_wall_lights_up_most():
    cost = np.ones((61, 61))
    cost[30, :] = np.nan
    cost[30, 41] = 1.0
    density = current_density(cost)
    assert np.unravel_index(np.nanargmax(density), density.shape) == (30, 41)
    assert density[30, 41] > 5
