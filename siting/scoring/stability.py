"""How firm the ranks are: weights and elevations shaken many times, and what would turn the list.

Weights stand for taste, elevations carry errors. Both are drawn many times around what was given;
each draw ranks the places anew. The share of draws in which a place is among the first N is its
rank acceptability (Lahdelma & Salminen 2001).
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from siting.grid import FloatArray
from siting.ground.terrain import slope_of
from siting.spot_parts import PlaceStability

# (draws or 1, places) totals from memberships and weights that broadcast against each other.
Combine = Callable[[Mapping[str, FloatArray], Mapping[str, FloatArray]], FloatArray]

FIRM, FAIR, TOSS_UP = "firm", "fair", "toss-up"
_UP = np.exp(np.linspace(np.log(1.05), np.log(3.0), 24))
# Factors to try on a weight, the smallest change first: up, down, up, down ... and to nothing.
_BY_EFFORT = np.append(np.column_stack([_UP, 1 / _UP]).ravel(), 0.0)


@dataclass(frozen=True)
class Choice:
    """A weight whose change would put another place first.

    Parameters
    ----------
    criterion : str
    weight, turns_at : float
        What the protocol gives, and the nearest weight at which another place wins.
    winner : int
        Index of that place.
    """

    criterion: str
    weight: float
    turns_at: float
    winner: int


def draw_weights(
    weights: Mapping[str, float],
    *,
    spread: float,
    n_draws: int,
    rng: np.random.Generator,
    capped: Sequence[str] = (),
) -> dict[str, FloatArray]:
    """Weights drawn around the given ones: each times exp(spread x standard normal).

    Log-normal, so that half and double are as likely, no weight changes sign and a weight of 0
    stays 0. A Dirichlet draw would force the sum to stay, which weights of attractors need not.

    Parameters
    ----------
    weights : mapping from criterion to weight
    spread : float
        Standard deviation of the logarithm; 0.3 means that about two draws in three lie between
        3/4 and 4/3 of the weight.
    n_draws : int
    rng : numpy Generator
    capped : criteria whose weight may not go above 1 (attractors).

    Returns
    -------
    mapping from criterion to (n_draws, 1) float64
    """
    out: dict[str, FloatArray] = {}
    for name, weight in weights.items():
        drawn = weight * np.exp(spread * rng.standard_normal((n_draws, 1)))
        out[name] = np.minimum(drawn, 1.0) if name in capped else drawn
    return out


def draw_gradient_errors(
    easting: FloatArray,
    northing: FloatArray,
    *,
    error_m: float,
    correlation_m: float,
    n_draws: int,
    rng: np.random.Generator,
) -> NDArray[np.float64]:
    """Errors of the ground's gradient at places, made by spatially correlated elevation errors.

    The elevation error is a Gaussian field with standard deviation `error_m` and covariance
    exp(-d^2 / 2 L^2), L = `correlation_m`. Its derivatives at the places are Gaussian too, with
    the covariance error_m^2 / L^2 x (delta_ij - h_i h_j / L^2) exp(-h^2 / 2 L^2) for the offset h
    between two places, so they are drawn exactly and no field has to be made. Places near each
    other get nearly the same error.

    Parameters
    ----------
    easting, northing : (n,) float, metres
    error_m, correlation_m : float, metres, the latter above 0
    n_draws : int
    rng : numpy Generator

    Returns
    -------
    (n_draws, n, 2) float64, metres per metre towards east and north
    """
    at = np.column_stack([easting, northing]).astype(np.float64)
    offset = (at[:, None, :] - at[None, :, :]) / correlation_m
    near = np.exp(-(offset**2).sum(axis=2) / 2)
    n = len(at)
    covariance = np.empty((2 * n, 2 * n))
    for i in range(2):
        for j in range(2):
            block = (float(i == j) - offset[:, :, i] * offset[:, :, j]) * near
            covariance[i * n : (i + 1) * n, j * n : (j + 1) * n] = block
    # Places a metre apart make the matrix singular to rounding, so no Cholesky; and of all roots
    # the symmetric one is the only one that does not hang on the last bit of the arithmetic.
    values, vectors = np.linalg.eigh(covariance)
    root = (vectors * np.sqrt(np.maximum(values, 0.0))) @ vectors.T
    drawn = rng.standard_normal((n_draws, 2 * n)) @ root
    scaled: NDArray[np.float64] = drawn * (error_m / correlation_m)
    return np.stack([scaled[:, :n], scaled[:, n:]], axis=2)


def shaken_slopes(
    east: FloatArray,
    north: FloatArray,
    *,
    row: NDArray[np.integer],
    col: NDArray[np.integer],
    radius_cells: float,
    errors: FloatArray,
) -> NDArray[np.float32]:
    """Mean slope in a disc around each place, in degrees, with an error added to the gradient.

    The error is taken to be the same all over the disc, which holds while the disc is small
    against the correlation length.

    Parameters
    ----------
    east, north : (rows, cols) float
        Rise per metre towards east and north, NaN = no data.
    row, col : (n,) int
        Cells of the places.
    radius_cells : float
    errors : (n_draws, n, 2) float

    Returns
    -------
    (n_draws, n) float32, degrees; NaN where the place has no gradient
    """
    reach = int(radius_cells)
    down, right = np.nonzero(np.hypot(*np.indices((2 * reach + 1,) * 2) - reach) <= radius_cells)
    rows, cols = row[:, None] + down - reach, col[:, None] + right - reach
    inside = (rows >= 0) & (rows < east.shape[0]) & (cols >= 0) & (cols < east.shape[1])
    rows, cols = np.where(inside, rows, row[:, None]), np.where(inside, cols, col[:, None])
    known = inside & np.isfinite(east[rows, cols]) & np.isfinite(north[rows, cols])
    out = np.full(errors.shape[:2], np.nan, dtype=np.float32)
    for place in np.flatnonzero(np.isfinite(east[row, col])):
        cells = rows[place][known[place]], cols[place][known[place]]
        along = east[cells][None] + errors[:, place, :1]
        across = north[cells][None] + errors[:, place, 1:]
        out[:, place] = slope_of(along, across).mean(axis=1)
    return out


def ranks_of(totals: FloatArray) -> NDArray[np.int64]:
    """Rank of each place in each draw, 0 the best; of equals the one with the lower index wins.

    Parameters
    ----------
    totals : (n_draws, n) float, higher is better; NaN comes last
    """
    order = np.argsort(-np.nan_to_num(totals, nan=-np.inf), axis=1, kind="stable")
    ranks = np.empty(order.shape, dtype=np.int64)
    np.put_along_axis(ranks, order, np.arange(totals.shape[1])[None], axis=1)
    return ranks


def listed_ranks(totals: FloatArray, *, shown: int, kinds: Sequence[str] = ()) -> NDArray[np.int64]:
    """Rank of each place in the list that each draw would give; those not listed come after.

    Without kinds the list is by score; with them the best of each kind has a place in it before a
    second of any, as in `siting.scoring.choose.choose`.

    Parameters
    ----------
    totals : (n_draws, n) float, higher is better; NaN comes last
    shown : int, length of the list
    kinds : the kind of each place by the weights given, "" for one that is not put forward
    """
    ranks = ranks_of(totals)
    for draw in ranks if any(kinds) else ():
        order = np.argsort(draw).tolist()
        first_of = {kinds[i]: i for i in reversed(order) if kinds[i]}
        led = sorted(order, key=lambda i: first_of.get(kinds[i]) != i)
        unlisted = np.ones(len(order), dtype=bool)
        unlisted[led[:shown]] = False
        draw[:] = np.argsort(np.argsort(draw + len(order) * unlisted))
    return ranks


def rank_acceptability(
    totals: FloatArray, *, shown: int = 0, kinds: Sequence[str] = ()
) -> NDArray[np.float64]:
    """Share of the draws in which each place takes each rank; (n places, n ranks), rows sum to 1.

    The parameters are those of `listed_ranks`.

    References
    ----------
    Lahdelma R, Salminen P (2001), doi 10.1287/opre.49.3.444.11220; Tervonen T, Lahdelma R (2007),
    doi 10.1016/j.ejor.2005.12.037: n draws give a share to within 0.98 / sqrt(n), 19 times in 20.

    Examples
    --------
    >>> rank_acceptability(np.array([[0.9, 0.5], [0.4, 0.5], [0.8, 0.5], [0.7, 0.5]]))
    array([[0.75, 0.25],
           [0.25, 0.75]])
    """
    ranks = listed_ranks(totals, shown=shown, kinds=kinds)
    n_draws, n = ranks.shape
    counts = np.zeros((n, n))
    np.add.at(counts, (np.arange(n)[None].repeat(n_draws, axis=0), ranks), 1.0)
    return np.asarray(counts / n_draws)


def stability_of(
    totals: FloatArray,
    *,
    shown: int,
    first: int,
    firm_share: float,
    fair_share: float,
    kinds: Sequence[str] = (),
) -> tuple[PlaceStability, ...]:
    """The stability of the first `shown` places; places are in the order of the list.

    A place among the first `first` of the list is asked how often it stays among those; a later
    one how often it stays among all that are shown. Neither number is more than half of the
    places there are, for among all of them everything is firm. A place of the lower half is asked
    how often it stays behind the upper one. So a list that nothing shakes is firm throughout.

    Parameters
    ----------
    totals : (n_draws, n) float
    shown, first : int
    firm_share, fair_share : float
        From these shares on a place is called firm or fair.
    kinds : see `listed_ranks`
    """
    n_draws, n = totals.shape
    acceptability = rank_acceptability(totals, shown=shown, kinds=kinds)
    most = max(1, n // 2)
    out = []
    for index in range(min(shown, n)):
        among = min(first if index < first else shown, most)
        behind = index >= among
        stayed = acceptability[index, among:] if behind else acceptability[index, :among]
        share = float(stayed.sum())
        word = FIRM if share >= firm_share else FAIR if share >= fair_share else TOSS_UP
        share_first = float(acceptability[index, 0])
        out.append(PlaceStability(share_first, share, among, n_draws, word, behind))
    return tuple(out)


def turning_choices(
    memberships: Mapping[str, FloatArray],
    weights: Mapping[str, float],
    *,
    combine: Combine,
    capped: Sequence[str] = (),
    most: int = 3,
) -> tuple[Choice, ...]:
    """The single weights whose smallest change would put another place first.

    Each weight is moved alone, up to three times and down to a third and to nothing.

    Parameters
    ----------
    memberships : mapping from criterion to (n,) float, the first place being the winner
    weights : mapping from criterion to weight
    combine : function of memberships and weights
    capped : criteria whose weight may not go above 1
    most : int
        How many to name, nearest first.
    """
    found: list[tuple[float, Choice]] = []
    for name, weight in weights.items():
        tried = weight * _BY_EFFORT
        tried = tried[(tried <= 1.0) | (tried < weight)] if name in capped else tried
        moved = {k: np.full((tried.size, 1), w) for k, w in weights.items()}
        moved[name] = tried[:, None]
        winner = ranks_of(combine(memberships, moved)).argmin(axis=1)
        turned = np.flatnonzero(winner != 0)
        if weight > 0 and turned.size:
            at = int(turned[0])
            effort = round(float(abs(np.log(max(tried[at] / weight, 1e-3)))), 6)
            found.append((effort, Choice(name, weight, float(tried[at]), int(winner[at]))))
    found.sort(key=lambda pair: (pair[0], pair[1].criterion))
    return tuple(choice for _, choice in found[:most])
