"""Currents and resistances of networks with known answers (Doyle & Snell 1984 and others)."""

import numpy as np
import pytest

from siting.ground.travel.circuits import node_currents, potentials, resistor_grid

# Verification case 4 of the open-source Circuitscape (Circuitscape.jl, commit 742dd0a6,
# test/input/raster/pairwise/4 and test/output_verify): 4 neighbours, mean resistance.
VERIFICATION_ROWS = """
1 2 3 4 5 6 7 8 9 10
2 . . 1 1 2 1 1 1 1
3 2 1 1 . 2 1 1 1 1
4 2 1 1 1 2 . . 1 2
5 2 1 1 1 2 . . 1 3
. . . . 7 2 . . 1 4
7 . 2 . 1 2 . . 1 5
. . . . . . . . . .
9 . 2 . 1 2 . . 1 7
. . . . . . . . . .
"""
VERIFICATION_CELLS = {1: (0, 0), 2: (0, 9), 4: (3, 9), 5: (5, 9), 8: (5, 5), 9: (4, 8)}
VERIFICATION_ANSWERS = {
    (1, 2): 10.77510699,
    (1, 4): 7.867040948,
    (1, 8): 6.721786821,
    (4, 5): 2.713979843,
    (5, 9): 1.83245943,
    (8, 9): 6.864633249,
}
PI = np.pi


def unit_current(network, source, sink):
    injected = np.zeros(network.n_nodes)
    injected[network.node[source]] += 1.0
    injected[network.node[sink]] -= 1.0
    return injected


def resistance(cost, source, sink, *, diagonals=False):
    network = resistor_grid(np.asarray(cost, dtype=float), diagonals=diagonals)
    level = potentials(network, unit_current(network, source, sink))
    return level[network.node[source]] - level[network.node[sink]]


def verification_cost():
    lines = VERIFICATION_ROWS.split("\n")[1:-1]
    return np.array([[float("nan" if x == "." else x) for x in row.split()] for row in lines])


def test_resistors_in_series():
    assert resistance(np.ones((1, 7)), (0, 0), (0, 6)) == pytest.approx(6)
    assert resistance([[1.0, 3.0, 5.0]], (0, 0), (0, 2)) == pytest.approx(2 + 4)


def test_resistors_in_parallel():
    """Two ways round a hole, three links each of 1: 3/2 ohm... and a way of 4 beside one of 4."""
    ring = np.ones((3, 3))
    ring[1, 1] = np.nan
    assert resistance(ring, (0, 0), (2, 2)) == pytest.approx(2)  # 4 parallel to 4
    assert resistance(ring, (0, 0), (0, 2)) == pytest.approx(1.5)  # 2 parallel to 6


def test_diagonal_link_is_the_root_of_two_long():
    corner = np.array([[1.0, np.nan], [1.0, 1.0]])
    # by the side 1 + 1, across root 2
    want = 1 / (1 / 2 + 1 / np.sqrt(2))
    assert resistance(corner, (0, 0), (1, 1), diagonals=True) == pytest.approx(want)


@pytest.mark.parametrize(("n", "want"), [(2, 1), (3, 3 / 2), (4, 13 / 7), (5, 47 / 22)])
def test_opposite_corners_of_a_square_net(n, want):
    assert resistance(np.ones((n, n)), (0, 0), (n - 1, n - 1)) == pytest.approx(want)


def test_small_nets():
    assert resistance(np.ones((2, 2)), (0, 0), (0, 1)) == pytest.approx(3 / 4)
    assert resistance(np.ones((3, 2)), (0, 0), (2, 1)) == pytest.approx(7 / 5)


@pytest.mark.parametrize(
    ("step", "want"),
    [
        ((0, 1), 1 / 2),
        ((1, 1), 2 / PI),
        ((0, 2), 2 - 4 / PI),
        ((2, 1), 4 / PI - 1 / 2),
        ((0, 3), 17 / 2 - 24 / PI),
    ],
)
def test_infinite_square_lattice(step, want):
    """Atkinson & van Steenwijk 1999, Cserti 2000; a 201 x 201 net is within 2e-4 of it."""
    middle = (100, 100)
    other = (100 + step[0], 100 + step[1])
    assert resistance(np.ones((201, 201)), middle, other) == pytest.approx(want, abs=2e-4)


@pytest.mark.parametrize("pair", VERIFICATION_ANSWERS)
def test_published_verification_grid(pair):
    source, sink = (VERIFICATION_CELLS[k] for k in pair)
    got = resistance(verification_cost(), source, sink)
    assert got == pytest.approx(VERIFICATION_ANSWERS[pair], rel=1e-8)


def test_published_verification_grid_catches_a_wrong_mean():
    """Planted fault: with the costs squared, as a wrong link rule would have it, it differs."""
    got = resistance(verification_cost() ** 2, (0, 0), (0, 9))
    assert got != pytest.approx(VERIFICATION_ANSWERS[1, 2], rel=0.1)


def strip_currents(cost, start, end, *, diagonals=False):
    """Node currents with one unit spread evenly over the cells ``start`` and taken from ``end``."""
    network = resistor_grid(np.asarray(cost, dtype=float), diagonals=diagonals)
    injected = np.zeros(network.n_nodes)
    injected[network.node[start]] += 1 / network.node[start].size
    injected[network.node[end]] -= 1 / network.node[end].size
    level = potentials(network, injected)
    return network.on_cells(node_currents(network, level, injected=injected))


def test_strip_carries_its_share_in_every_cell():
    current = strip_currents(np.ones((5, 12)), np.s_[:, 0], np.s_[:, -1])
    np.testing.assert_allclose(current, 0.2, rtol=1e-9)


def test_wall_with_one_gap_and_with_two():
    cost = np.ones((7, 9))
    cost[:, 4] = np.nan
    cost[3, 4] = 1.0
    current = strip_currents(cost, np.s_[:, 0], np.s_[:, -1])
    assert current[3, 4] == pytest.approx(1.0)
    cost[3, 4], cost[1, 4], cost[5, 4] = np.nan, 1.0, 1.0
    current = strip_currents(cost, np.s_[:, 0], np.s_[:, -1])
    np.testing.assert_allclose(current[[1, 5], 4], 0.5, rtol=1e-9)


def test_two_corridors_of_one_to_three():
    """A ring whose two arms cost 1 and 3: three quarters and one quarter of the current."""
    cost = np.ones((3, 8))
    cost[1, 1:-1] = np.nan
    cost[2, 1:-1] = 3.0
    network = resistor_grid(cost, diagonals=False)
    # ends that cost nothing to leave, so that only the arms decide
    ends = np.isin(network.tail, network.node[:, [0, -1]]) | np.isin(
        network.head, network.node[:, [0, -1]]
    )
    by_arm = np.where(ends, 1e9, network.conductance)
    network = type(network)(network.node, network.tail, network.head, by_arm)
    injected = unit_current(network, (1, 0), (1, 7))
    level = potentials(network, injected)
    current = network.on_cells(node_currents(network, level, injected=injected))
    np.testing.assert_allclose(current[0, 2:6], 0.75, rtol=1e-6)
    np.testing.assert_allclose(current[2, 2:6], 0.25, rtol=1e-6)


def test_gambler_s_ruin():
    """Potential along a path of n links falls by 1/n a link (Doyle & Snell 1984)."""
    network = resistor_grid(np.ones((1, 9)), diagonals=False)
    level = potentials(network, unit_current(network, (0, 0), (0, 8)))
    share = (level - level[8]) / (level[0] - level[8])
    np.testing.assert_allclose(share, 1 - np.arange(9) / 8)


def small_land():
    cost = np.random.default_rng(4).uniform(1, 8, (6, 7))
    cost[2, 2:5] = np.nan
    return resistor_grid(cost)


def test_dense_solve_agrees():
    network = small_land()
    injected = np.random.default_rng(5).normal(size=network.n_nodes)
    injected -= injected.mean()
    level = potentials(network, injected)
    dense = np.linalg.pinv(network.laplacian().toarray()) @ injected
    np.testing.assert_allclose(level - level[0], dense - dense[0], atol=1e-10)


def test_potential_is_the_chance_that_a_random_walk_gets_there_first():
    """Doyle & Snell 1984: walkers choose a link in proportion to its conductance."""
    network = small_land()
    a, b = network.node[0, 0], network.node[5, 6]
    level = potentials(network, unit_current(network, (0, 0), (5, 6)))
    chance = (level - level[b]) / (level[a] - level[b])
    weight = network.links(network.conductance).toarray()
    ladder = np.cumsum(weight / weight.sum(axis=1, keepdims=True), axis=1)
    rng = np.random.default_rng(6)
    n_walkers = 20_000
    starts = network.node[[1, 3, 5], [1, 3, 3]]
    assert chance[starts[0]] > 0.6  # so that a swapped source and sink would not pass
    for start in starts:
        at = np.full(n_walkers, start)
        while (walking := (at != a) & (at != b)).any():
            draw = rng.random(walking.sum())[:, None]
            at[walking] = (ladder[at[walking]] < draw).sum(axis=1)
        # 20,000 walkers: standard error at most 0.0036
        assert (at == a).mean() == pytest.approx(chance[start], abs=0.015)


def test_links_are_those_of_least_cost_travel():
    """Cheapest ways over the same links: networkx's Dijkstra and scikit-image's geometric cost."""
    import networkx as nx
    from scipy.sparse.csgraph import dijkstra
    from skimage.graph import MCP_Geometric

    cost = np.random.default_rng(7).uniform(1, 8, (12, 10))
    network = resistor_grid(cost)
    ours = dijkstra(network.links(1 / network.conductance), indices=network.node[3, 4])
    graph = nx.Graph()
    graph.add_weighted_edges_from(
        zip(network.tail.tolist(), network.head.tolist(), 1 / network.conductance, strict=True)
    )
    theirs = nx.single_source_dijkstra_path_length(graph, int(network.node[3, 4]))
    np.testing.assert_allclose(ours, [theirs[k] for k in range(network.n_nodes)])
    whole, _ = MCP_Geometric(cost).find_costs([(3, 4)])
    np.testing.assert_allclose(network.on_cells(ours), whole)
