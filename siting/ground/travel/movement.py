"""How animals are likely to cross the land: cost of travel and current density.

The land is taken as a grid of resistors. Current that enters on one side and leaves on the
opposite one spreads over every way there is and crowds where ways are few: gaps, saddles, necks
of cover. The mean over several directions shows where crossing animals are squeezed together,
whatever their aim. It says nothing of how many animals there are.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from siting.grid import FloatArray
from siting.ground.travel.circuits import (
    NEIGHBOUR_LINKS,
    IndexArray,
    ResistorGrid,
    resistor_grid,
    solve_symmetric,
)
from siting.kernels.bands import bands, in_bands

BoolArray = NDArray[np.bool_]


def travel_cost(
    slope_deg: FloatArray,
    role: NDArray[np.integer],
    *,
    role_cost: Mapping[int, float | None],
    slope_knots: tuple[tuple[float, float], ...],
) -> NDArray[np.float64]:
    """Cost of crossing a metre of each cell, 1 = the easiest ground; the same in all directions.

    Parameters
    ----------
    slope_deg : (rows, cols) float
        Slope in degrees, NaN = no data.
    role : (rows, cols) int
        `CoverRole` of each cell.
    role_cost : mapping from role to cost (>= 1) or None
        None closes the cell (open water, say). A role that is missing costs 1.
    slope_knots : pairs of (slope in degrees, factor >= 1)
        Straight lines between knots, constant beyond the first and last.

    Returns
    -------
    (rows, cols) float64
        No unit, >= 1; NaN where nothing can pass or the slope is not known.
    """
    degrees, factors = np.array(slope_knots, dtype=np.float64).T
    by_role = np.ones(max(*role_cost, int(role.max(initial=0)), 0) + 1)
    for code, cost in role_cost.items():
        by_role[int(code)] = np.nan if cost is None else cost
    out: NDArray[np.float64] = np.empty(slope_deg.shape)

    def fill(rows: slice) -> None:
        out[rows] = np.interp(slope_deg[rows], degrees, factors) * by_role[role[rows]]

    in_bands(fill, out.shape)
    return out


def coarsening_factor(
    shape: tuple[int, int], *, cell_size_m: float, target_cell_m: float, max_cells: int
) -> int:
    """How many cells a side to merge so that cells are about ``target_cell_m`` wide.

    More are merged where the grid would still have above ``max_cells`` cells. 1 = leave as is.
    """
    factor = max(1, round(target_cell_m / cell_size_m))
    while math.ceil(shape[0] / factor) * math.ceil(shape[1] / factor) > max_cells:
        # One more at a time, not doubled: as near the size asked for as the number of cells allows.
        factor += 1
    return factor


def coarsen_cost(
    cost: FloatArray, factor: int, *, before: tuple[int, int] = (0, 0)
) -> NDArray[np.float64]:
    """Cost on cells ``factor`` times as wide.

    The mean of the open cells, divided by their share (a block that is half closed leaves half
    the room); closed where more than half of the block is closed, so a barrier narrower than
    half a coarse cell is lost. Blocks that stick out over the border count only the cells they
    hold.

    Parameters
    ----------
    cost : (rows, cols) float
        Cost per metre, NaN = closed.
    factor : int
        Cells a side in a block, >= 1.
    before : (rows, cols)
        Cells of the first blocks that lie outside (`siting.grid.Grid.before`).

    Returns
    -------
    (rows, cols) of blocks, float64
    """
    rows, cols = (math.ceil((n + b) / factor) for n, b in zip(cost.shape, before, strict=True))
    inside = [
        _cells_inside(n, b, factor, blocks=m)
        for n, b, m in zip(cost.shape, before, (rows, cols), strict=True)
    ]
    out: NDArray[np.float64] = np.empty((rows, cols))

    # Blocks of few rows at a time: the cost of every cell is held once, and not four times.
    def fill(some: slice) -> None:
        top, bottom = some.start * factor - before[0], some.stop * factor - before[0]
        part = cost[max(top, 0) : bottom]
        is_open = np.isfinite(part)
        padding = [
            (max(-top, 0), max(bottom - cost.shape[0], 0)),
            (before[1], cols * factor - cost.shape[1] - before[1]),
        ]
        total, n_open = (
            np.pad(values, padding).reshape(-1, factor, cols, factor).sum(axis=(1, 3))
            for values in (np.where(is_open, part, 0.0), is_open.astype(np.float64))
        )
        n_all = inside[0][some, None] * inside[1]
        with np.errstate(invalid="ignore", divide="ignore"):
            merged = (total / n_open) / (n_open / n_all)
        out[some] = np.where(2 * n_open >= n_all, merged, np.nan)

    # Bands of as many cells of the fine grid.
    for some in bands((rows, cols * factor**2)):
        fill(some)
    return out


def _cells_inside(count: int, before: int, factor: int, *, blocks: int) -> NDArray[np.float64]:
    """(blocks,) how many of the `count` cells of an axis each block holds."""
    edges = np.clip(np.arange(blocks + 1) * factor - before, 0, count)
    return np.diff(edges).astype(np.float64)


def refine(
    coarse: FloatArray,
    factor: int,
    *,
    shape: tuple[int, int],
    before: tuple[int, int] = (0, 0),
) -> NDArray[np.float32]:
    """Values of a coarsened grid brought back to the fine one, bilinear between cell centres.

    Missing coarse cells take no part; a fine cell none of whose four coarse neighbours is known
    is NaN. Beyond the outermost centres the nearest value holds.

    Parameters
    ----------
    coarse : (rows, cols) of blocks, float, NaN = not known
    factor, before
        As given to `coarsen_cost`.
    shape : (rows, cols)
        Shape of the fine grid.
    """
    from scipy.ndimage import map_coordinates

    down, right = (
        (np.arange(n) + b + 0.5) / factor - 0.5 for n, b in zip(shape, before, strict=True)
    )
    known = np.isfinite(coarse)
    share, value = known.astype(np.float64), np.where(known, coarse, 0.0).astype(np.float64)
    out = np.empty(shape, dtype=np.float32)

    def fill(rows: slice) -> None:
        at = np.meshgrid(down[rows], right, indexing="ij")
        weight = map_coordinates(share, at, order=1, mode="nearest")
        with np.errstate(invalid="ignore", divide="ignore"):
            fine = map_coordinates(value, at, order=1, mode="nearest") / weight
        out[rows] = np.where(weight > 1e-9, fine, np.nan)

    in_bands(fill, shape)
    return out


def current_density(
    cost: FloatArray, *, outside: BoolArray | None = None, n_directions: int = 8
) -> NDArray[np.float32]:
    """Current through each cell over the mean of all cells, from all sides: 1 on even land.

    The land is thought to go on beyond the border, and where it is not known, at the cost of the
    cells beside it, in an even field of potential. For a field along x and one along y one
    factorisation gives the potentials, and every other direction is a sum of the two. So animals
    may come in anywhere along the border, more where it is easy, and the border itself leaves no
    mark on even land.

    Parameters
    ----------
    cost : (rows, cols) float
        Cost per metre, above 0, NaN = closed. Only ratios matter.
    outside : (rows, cols) bool
        Cells without data, over which the land goes on as beyond the border; NaN in `cost`.
    n_directions : int
        Directions spread evenly over 180 degrees; each stands for its opposite too.

    Returns
    -------
    (rows, cols) float32
        Mean over the directions of the node current, divided by its mean over the open cells;
        NaN on closed cells; 0 on ground that no way joins to the border.

    Notes
    -----
    Memory about 1 kB a cell with the direct solver; 160,000 cells take about 2 s. Above 250,000
    open cells the optional pyamg is used when it is installed.

    References
    ----------
    Doyle PG, Snell JL (1984), Random walks and electric networks; McRae BH, Dickson BG, Keitt
    TH, Shah VB (2008), doi 10.1890/07-1861.1.
    """
    network = resistor_grid(cost)
    total = np.zeros(network.n_nodes)
    if network.n_nodes:
        beyond = np.pad(
            np.zeros(cost.shape, bool) if outside is None else outside, 1, constant_values=True
        )
        border = _border_links(network, cost, beyond)
        potential = _far_field_potentials(network, border)
        inner = network.link_currents(potential)
        outer = border.conductance[:, None] * (border.field - potential[border.node])
        for angle in np.arange(n_directions) * np.pi / n_directions:
            along = np.array([np.cos(angle), np.sin(angle)])
            total += network.node_sum(np.abs(inner @ along))
            total += np.bincount(border.node, np.abs(outer @ along), network.n_nodes)
        # So that even land comes out at exactly 1 whatever its size and cost.
        total /= max(float(total.mean()), np.finfo(float).tiny)
    return network.on_cells(total).astype(np.float32)


def concentration(
    density: FloatArray, *, cell_size_m: float, surroundings_m: float
) -> NDArray[np.float32]:
    """Current density over its mean in the surroundings: 1 = like the ground around it.

    The mean is weighted by distance (Gaussian, standard deviation ``surroundings_m``); closed
    cells take no part. A broad, easy stretch of land comes out near 1 and a neck in it above 1,
    which is what a camera needs to know.

    Parameters
    ----------
    density : (rows, cols) float
        What `current_density` returns, NaN on closed cells.
    cell_size_m, surroundings_m : float
        Metres.
    """
    from scipy.ndimage import gaussian_filter

    known = np.isfinite(density)
    sigma = surroundings_m / cell_size_m
    share = gaussian_filter(known.astype(np.float64), sigma, mode="nearest")
    mean = gaussian_filter(np.where(known, density, 0.0).astype(np.float64), sigma, mode="nearest")
    with np.errstate(invalid="ignore", divide="ignore"):
        ratio = density * share / mean
    return np.where(known, np.where(mean > 0, ratio, 0.0), np.nan).astype(np.float32)


@dataclass(frozen=True)
class _BorderLinks:
    """Links over the border: node, conductance (links,) and the field outside (links, 2)."""

    node: IndexArray
    conductance: NDArray[np.float64]
    field: NDArray[np.float64]


def _border_links(network: ResistorGrid, cost: FloatArray, beyond: BoolArray) -> _BorderLinks:
    """Links from open cells to cells ``beyond``, an array with one more cell on every side."""
    row, col = np.nonzero(network.node >= 0)
    own_cost = cost[row, col]
    nodes, conductances, fields = [], [], []
    for down, right in [*NEIGHBOUR_LINKS, *((-down, -right) for down, right in NEIGHBOUR_LINKS)]:
        far_row, far_col = row + down, col + right
        out = beyond[far_row + 1, far_col + 1]
        nodes.append(np.flatnonzero(out))
        conductances.append(1.0 / (own_cost[out] * math.hypot(down, right)))
        fields.append(np.column_stack([far_col[out], far_row[out]]).astype(np.float64))
    return _BorderLinks(np.concatenate(nodes), np.concatenate(conductances), np.concatenate(fields))


def _far_field_potentials(network: ResistorGrid, border: _BorderLinks) -> FloatArray:
    """(nodes, 2) potentials in an even field along x and along y; 0 on cut-off ground."""
    from scipy.sparse import diags
    from scipy.sparse.csgraph import connected_components

    laplacian = network.laplacian()
    parts, part = connected_components(laplacian, directed=False)
    order = network.elimination_order()
    reached = np.zeros(parts, dtype=bool)
    reached[part[border.node]] = True
    driven = order[reached[part[order]]]
    out = np.zeros((network.n_nodes, 2))
    if not driven.size:
        return out
    n = network.n_nodes
    pull: FloatArray = np.column_stack(
        [np.bincount(border.node, border.conductance * axis, n) for axis in border.field.T]
    ).astype(np.float64)
    matrix = laplacian + diags(np.bincount(border.node, border.conductance, n))
    out[driven] = solve_symmetric(matrix[driven][:, driven], pull[driven])
    return out
