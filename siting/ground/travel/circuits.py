"""Resistor grids: a cost surface as a network, its potentials and currents.

Nothing here knows of animals; `siting.ground.travel.movement` does.

References
----------
Doyle PG, Snell JL (1984), Random walks and electric networks, Carus Mathematical Monographs 22.
George A (1973), Nested dissection of a regular finite element mesh, SIAM Journal on Numerical
Analysis 10(2):345-363, doi 10.1137/0710032.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

if TYPE_CHECKING:
    from scipy.sparse import csr_matrix

FloatArray = NDArray[np.floating]
IndexArray = NDArray[np.int64]

# East, south, south-east, south-west: with their opposites the eight neighbours. Eight and not
# four, because on open land the four-neighbour node current is 41 % greater for a diagonal
# crossing than for a straight one, the eight-neighbour one at most 8 %.
NEIGHBOUR_LINKS = ((0, 1), (1, 0), (1, 1), (1, -1))
# The factors of that many nodes take about 600 MB (by the bytes below).
_DIRECT_SOLVE_MAX_NODES = 250_000
# Within so small a block the order hardly matters: it is taken row by row.
_UNCUT_CELLS = 16
# Bytes to a node and to a doubling of the nodes that the factors take while they grow: measured 97
# to 120 on grids of 3,600 to 160,000 nodes.
_FACTOR_BYTES = 130


@dataclass(frozen=True)
class ResistorGrid:
    """Open cells as nodes, links to the neighbours as resistors.

    Parameters
    ----------
    node : (rows, cols) int64
        Number of the node of each cell, -1 = closed.
    tail, head : (links,) int64
        The two nodes of each link.
    conductance : (links,) float64
        1 / (mean cost of the two cells x length in cells); a diagonal is the root of 2 long.
    """

    node: IndexArray
    tail: IndexArray
    head: IndexArray
    conductance: NDArray[np.float64]

    @property
    def n_nodes(self) -> int:
        """Number of open cells."""
        return int(self.node.max(initial=-1)) + 1

    def links(self, weight: FloatArray) -> csr_matrix:
        """Symmetric (nodes, nodes) sparse matrix of `weight` (links,), without a unit."""
        from scipy.sparse import coo_matrix

        ends = np.concatenate([self.tail, self.head]), np.concatenate([self.head, self.tail])
        size = (self.n_nodes, self.n_nodes)
        return coo_matrix((np.concatenate([weight, weight]), ends), size).tocsr()

    def laplacian(self) -> csr_matrix:
        """(nodes, nodes) matrix that turns potentials into the currents injected at nodes."""
        from scipy.sparse import diags

        adjacent = self.links(self.conductance)
        return diags(np.asarray(adjacent.sum(axis=1)).ravel()) - adjacent

    def elimination_order(self) -> IndexArray:
        """All nodes (nodes,) in the order in which a factorisation stays sparsest.

        The grid is halved again and again, the cells on each cut last (nested dissection,
        George 1973): on grids two to three times as quick as minimum degree.
        """
        order = self.node.ravel()[_dissected(*self.node.shape)]
        return order[order >= 0]

    def link_currents(self, potential: FloatArray) -> FloatArray:
        """Current of each link from tail to head, (links, ...), from (nodes, ...) potentials.

        Both are without a unit: only their ratios are used.
        """
        drop = potential[self.tail] - potential[self.head]
        return np.asarray((self.conductance * drop.T).T)

    def node_sum(self, value: FloatArray) -> FloatArray:
        """Sum over the links of each node, (nodes,), in the unit of the (links,) value."""
        n = self.n_nodes
        out: NDArray[np.float64] = np.bincount(self.tail, value, n).astype(np.float64)
        return out + np.bincount(self.head, value, n)

    def on_cells(self, value: FloatArray) -> FloatArray:
        """(rows, cols) array of a (nodes,) value, NaN on closed cells."""
        out = np.full(self.node.shape, np.nan)
        out[self.node >= 0] = value
        return out


def resistor_grid(cost: FloatArray, *, diagonals: bool = True) -> ResistorGrid:
    """The network of resistors that stands for a cost surface.

    A diagonal link is left out where both cells beside it are closed: nothing slips through a
    wall or a river that runs diagonally.

    Parameters
    ----------
    cost : (rows, cols) float
        Cost per metre, above 0, NaN = closed.
    diagonals : bool
        Join eight neighbours (True) or four.
    """
    is_open = np.isfinite(cost)
    node = np.where(is_open, np.cumsum(is_open).reshape(cost.shape) - 1, -1)
    tails, heads, conductances = [], [], []
    for offset in NEIGHBOUR_LINKS if diagonals else NEIGHBOUR_LINKS[:2]:
        here, there = _pair(is_open, offset)
        joined = is_open[here] & is_open[there]
        # A diagonal link squeezes between two cells: one of them must be open.
        if all(offset):
            joined &= is_open[here[0], there[1]] | is_open[there[0], here[1]]
        tails.append(node[here][joined])
        heads.append(node[there][joined])
        mean_cost = (cost[here][joined] + cost[there][joined]) / 2
        conductances.append(1.0 / (mean_cost * math.hypot(*offset)))
    return ResistorGrid(
        node, np.concatenate(tails), np.concatenate(heads), np.concatenate(conductances)
    )


def potentials(network: ResistorGrid, injected: FloatArray) -> FloatArray:
    """Potential of each node when currents are injected (> 0) and taken out (< 0) at nodes.

    In each connected part the injected currents must sum to zero; its first node is at 0.

    Parameters
    ----------
    network : ResistorGrid
    injected : (nodes,) float
        Current into each node, without a unit.

    Returns
    -------
    (nodes,) float64, without a unit: current times the resistance of a link of cost 1

    Examples
    --------
    >>> row = resistor_grid(np.array([[1.0, 1.0, 1.0]]))
    >>> potentials(row, np.array([1.0, 0.0, -1.0])).round(6).tolist()
    [0.0, -1.0, -2.0]
    """
    from scipy.sparse.csgraph import connected_components

    laplacian = network.laplacian()
    _, part = connected_components(laplacian, directed=False)
    _, first = np.unique(part, return_index=True)
    order = network.elimination_order()
    free = order[~np.isin(order, first)]
    out = np.zeros(network.n_nodes)
    if free.size:
        out[free] = solve_symmetric(laplacian[free][:, free], injected[free, None])[:, 0]
    return out


def node_currents(
    network: ResistorGrid, potential: FloatArray, *, injected: FloatArray
) -> FloatArray:
    """Current through each node: half the sum of |link currents| plus half the |injected|.

    Parameters
    ----------
    network : ResistorGrid
    potential : (nodes,) float, what `potentials` returns
    injected : (nodes,) float, current into each node, without a unit

    Returns
    -------
    (nodes,) float64, in the unit of `injected`
    """
    return (network.node_sum(np.abs(network.link_currents(potential))) + np.abs(injected)) / 2


def solve_symmetric(matrix: csr_matrix, right_side: FloatArray) -> FloatArray:
    """Solution (nodes, k) of a symmetric positive definite sparse system.

    Factorised once for all k columns, in the order of the rows (see
    `ResistorGrid.elimination_order`); above 250,000 nodes by the optional pyamg where it is
    installed (conjugate gradients to 1e-10), which needs less memory.
    """
    if matrix.shape[0] > _DIRECT_SOLVE_MAX_NODES:
        try:
            return _solve_by_multigrid(matrix, right_side)
        except ImportError:
            pass
    from scipy.sparse.linalg import splu

    nodes = matrix.shape[0]
    # The library of factors writes on the terminal when it runs out of memory; numpy only raises.
    np.empty(int(_FACTOR_BYTES * nodes * math.log2(nodes + 1)), dtype=np.uint8)
    factors = splu(
        matrix.tocsc(),
        permc_spec="NATURAL",
        diag_pivot_thresh=0.0,
        options={"SymmetricMode": True},
    )
    return np.asarray(factors.solve(np.ascontiguousarray(right_side)))


def _solve_by_multigrid(matrix: csr_matrix, right_side: FloatArray) -> FloatArray:
    import pyamg

    levels = pyamg.ruge_stuben_solver(matrix.tocsr())
    columns = [levels.solve(column, tol=1e-10, accel="cg") for column in right_side.T]
    return np.column_stack(columns)


@lru_cache(maxsize=8)
def _dissected(rows: int, cols: int) -> IndexArray:
    """Cell numbers (rows * cols,) of a grid: both halves first, then the line that parts them.

    Kept, for parcels of a batch often have grids of one size.
    """
    number = np.arange(rows * cols).reshape(rows, cols)
    pieces: list[IndexArray] = []
    # From the back: what is taken off the pile first stands last.
    pile = [number]
    while pile:
        block = pile.pop()
        if block.size <= _UNCUT_CELLS or min(block.shape) < 3:
            pieces.append(block.ravel())
            continue
        if block.shape[0] < block.shape[1]:
            block = block.T
        middle = block.shape[0] // 2
        pieces.append(block[middle])
        pile += [block[:middle], block[middle + 1 :]]
    out = np.concatenate(pieces[::-1])
    out.flags.writeable = False
    return out


def _pair(array: NDArray[Any], offset: tuple[int, int]) -> tuple[Any, Any]:
    """Index grids of the cells that have a neighbour at ``offset``, and of those neighbours."""
    down, right = offset
    rows, cols = array.shape
    row = np.arange(rows - down)[:, None]
    col = np.arange(max(0, -right), cols - max(0, right))[None, :]
    return (row, col), (row + down, col + right)
