"""Laws that hold for every cost surface."""

import numpy as np
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp
from scipy.sparse.csgraph import connected_components, dijkstra

from siting.ground.travel.circuits import ResistorGrid, potentials, resistor_grid
from siting.ground.travel.movement import current_density, refine, travel_cost

costs = hnp.arrays(
    np.float64,
    hnp.array_shapes(min_dims=2, max_dims=2, min_side=2, max_side=12),
    elements=st.one_of(st.floats(1, 50), st.floats(1, 50), st.just(float("nan"))),
)


def largest_part(network):
    _, part = connected_components(network.laplacian(), directed=False)
    return np.flatnonzero(part == np.bincount(part).argmax())


def all_travel(network):
    return dijkstra(network.links(1 / network.conductance), directed=False)


def effective_resistance(network, a, b):
    injected = np.zeros(network.n_nodes)
    injected[a], injected[b] = 1.0, -1.0
    level = potentials(network, injected)
    return level[a] - level[b]


@settings(deadline=None)
@given(costs)
def test_cost_of_travel_is_the_same_both_ways(cost):
    network = resistor_grid(cost)
    assume(network.n_nodes)
    travel = all_travel(network)
    np.testing.assert_allclose(travel, travel.T, rtol=1e-12)


@settings(deadline=None)
@given(costs, st.floats(0.1, 100))
def test_cost_times_k_makes_travel_times_k(cost, k):
    network, dearer = resistor_grid(cost), resistor_grid(cost * k)
    assume(network.n_nodes)
    np.testing.assert_allclose(all_travel(dearer), k * all_travel(network), rtol=1e-9)


@settings(deadline=None, max_examples=30)
@given(st.integers(0, 2**32 - 1), st.integers(2, 30), st.integers(2, 30), st.floats(0, 0.4))
def test_travel_equals_dijkstra_of_networkx(seed, rows, cols, closed):
    import networkx as nx

    rng = np.random.default_rng(seed)
    cost = np.where(rng.random((rows, cols)) < closed, np.nan, rng.uniform(1, 20, (rows, cols)))
    network = resistor_grid(cost)
    assume(network.n_nodes)
    graph = nx.Graph()
    graph.add_nodes_from(range(network.n_nodes))
    steps = [(0, 1, 1.0), (1, 0, 1.0), (1, 1, 2**0.5), (1, -1, 2**0.5)]
    for (row, col), here in np.ndenumerate(network.node):  # the plain twin of the link rule
        for down, right, length in steps:
            r, c = row + down, col + right
            if here < 0 or r >= rows or not 0 <= c < cols or network.node[r, c] < 0:
                continue
            if down and right and network.node[row, c] < 0 and network.node[r, col] < 0:
                continue
            mean = (cost[row, col] + cost[r, c]) / 2
            graph.add_edge(int(here), int(network.node[r, c]), weight=mean * length)
    ours = dijkstra(network.links(1 / network.conductance), directed=False, indices=0)
    theirs = nx.single_source_dijkstra_path_length(graph, 0)
    want = [theirs.get(k, np.inf) for k in range(network.n_nodes)]
    np.testing.assert_allclose(ours, want, rtol=1e-12)


@settings(deadline=None)
@given(costs, st.integers(0, 2**32 - 1))
def test_current_in_equals_current_out_at_every_inner_node(cost, seed):
    network = resistor_grid(cost)
    assume(network.n_nodes)
    part = largest_part(network)
    assume(part.size > 2)
    rng = np.random.default_rng(seed)
    a, b = rng.choice(part, 2, replace=False)
    injected = np.zeros(network.n_nodes)
    injected[a], injected[b] = 1.0, -1.0
    current = network.link_currents(potentials(network, injected))
    n = network.n_nodes
    out_of = np.bincount(network.tail, current, n) - np.bincount(network.head, current, n)
    np.testing.assert_allclose(out_of, injected, atol=1e-8)


@settings(deadline=None)
@given(costs, st.integers(0, 2**32 - 1), st.floats(0.01, 10))
def test_resistance_falls_when_a_link_is_added(cost, seed, conductance):
    """Rayleigh's law (Doyle & Snell 1984)."""
    network = resistor_grid(cost)
    assume(network.n_nodes)
    part = largest_part(network)
    assume(part.size > 3)
    a, b, c, d = np.random.default_rng(seed).choice(part, 4, replace=False)
    richer = ResistorGrid(
        network.node,
        np.append(network.tail, c),
        np.append(network.head, d),
        np.append(network.conductance, conductance),
    )
    before = effective_resistance(network, a, b)
    assert effective_resistance(richer, a, b) <= before * (1 + 1e-9)


@settings(deadline=None)
@given(costs)
def test_density_is_known_on_open_ground_only_and_averages_one(cost):
    density = current_density(cost)
    np.testing.assert_array_equal(np.isnan(density), np.isnan(cost))
    carried = density[~np.isnan(density)]
    assert (carried >= 0).all()
    if carried.any():
        np.testing.assert_allclose(carried.astype(np.float64).mean(), 1.0, rtol=1e-5)


@settings(deadline=None)
@given(costs, st.integers(1, 5), st.data())
def test_refined_values_stay_within_the_coarse_ones(coarse, factor, data):
    rows, cols = (data.draw(st.integers((n - 1) * factor + 1, n * factor)) for n in coarse.shape)
    fine = refine(coarse, factor, shape=(rows, cols))
    assert fine.shape == (rows, cols)
    known = fine[~np.isnan(fine)]
    if known.size:
        assert known.min() >= np.nanmin(coarse) * (1 - 1e-6)
        assert known.max() <= np.nanmax(coarse) * (1 + 1e-6)


@settings(deadline=None)
@given(hnp.arrays(np.float64, (4, 5), elements=st.floats(0, 89)))
def test_steeper_is_never_cheaper(slope):
    knots = ((0.0, 1.0), (15.0, 2.0), (45.0, 15.0))
    role = np.ones((4, 5), dtype=np.int8)
    cost = travel_cost(slope, role, role_cost={1: 1.0}, slope_knots=knots)
    assert (cost >= 1).all()
    order = np.argsort(slope, axis=None)
    assert (np.diff(cost.ravel()[order]) >= -1e-12).all()
