"""How sure the places are: what is drawn, what is asked of each draw, and what would turn the list.

Weights stand for what studies leave open, maps and elevations carry errors. Both are drawn many
times around what was given, and each draw picks its best places anew. The share of draws in which
a place is among the first N is its rank acceptability (Lahdelma & Salminen 2001).
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from siting.grid import FloatArray
from siting.scoring.choose import RADIUS_STEP_M
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
        Logarithm of the ratio the protocol gives, and the nearest at which another place wins.
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
    spreads: Mapping[str, float],
    n_draws: int,
    rng: np.random.Generator,
    never_above_0: Sequence[str] = (),
) -> dict[str, FloatArray]:
    """Weights drawn around the given ones: normal, for a ratio's interval is on the log scale.

    Parameters
    ----------
    weights : mapping from criterion to the logarithm of its ratio
    spreads : mapping from criterion to the standard deviation of that
    n_draws : int
    rng : numpy Generator
    never_above_0 : criteria that cannot raise the index (conditions)

    Returns
    -------
    mapping from criterion to (n_draws, 1) float64
    """
    out: dict[str, FloatArray] = {}
    for name, weight in weights.items():
        drawn = weight + spreads[name] * rng.standard_normal((n_draws, 1))
        out[name] = np.minimum(drawn, 0.0) if name in never_above_0 else drawn
    return out


def draw_shifts(
    easting: FloatArray,
    northing: FloatArray,
    *,
    error_m: float,
    alike_m: float,
    n_draws: int,
    rng: np.random.Generator,
) -> NDArray[np.float64]:
    """How far a map is off at places: Gaussian on each axis, alike for places near each other.

    Covariance error_m^2 exp(-d^2 / 2 L^2) with L = `alike_m`.

    Returns
    -------
    (n_draws, n, 2) float64, metres east and north
    """
    at = np.column_stack([easting, northing])
    apart2 = ((at[:, None, :] - at[None, :, :]) ** 2).sum(axis=2)
    values, vectors = np.linalg.eigh(np.exp(-apart2 / (2 * alike_m**2)))
    # The symmetric root: the only one that does not hang on the last bit of the arithmetic.
    root = (vectors * np.sqrt(np.maximum(values, 0.0))) @ vectors.T
    drawn = rng.standard_normal((n_draws, 2, len(at))) @ root
    return np.asarray(error_m * drawn.transpose(0, 2, 1))


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


def picked(
    total: NDArray[np.float32],
    easting: FloatArray,
    northing: FloatArray,
    *,
    spacing_m: float,
    most: int,
) -> NDArray[np.int64]:
    """The best point of each draw, the best one at least `spacing_m` from it, and so on.

    Parameters
    ----------
    total : (draws, points), -inf where no camera may stand
    easting, northing : (points,) metres

    Returns
    -------
    (draws, most) int64, -1 where no point is left
    """
    left = total.copy()
    out = np.full((len(total), most), -1, dtype=np.int64)
    for k in range(most):
        best = left.argmax(axis=1)
        found = np.isfinite(left[np.arange(len(left)), best])
        out[found, k] = best[found]
        # Few points are the best of a draw: around each its ground is closed in all its draws.
        for point in np.unique(best):
            away2 = (easting - easting[point]) ** 2 + (northing - northing[point]) ** 2
            # The hair of `spaced`: points of a lattice lie exactly that far apart.
            near = np.flatnonzero(away2 < spacing_m**2 * (1 - 1e-12))
            left[np.ix_(best == point, near)] = -np.inf
    return out


def best_within(
    total: NDArray[np.float32], mine: NDArray[np.int64]
) -> tuple[NDArray[np.int64], NDArray[np.float32]]:
    """The best of some points in each draw and its value; -1 and -inf where all are closed.

    Parameters
    ----------
    total : (draws, points) float32, logarithm of the index, without a unit
    mine : (k,) int64, numbers of the points asked about

    Returns
    -------
    (draws,) int64 numbers of points, and (draws,) float32
    """
    part = total[:, mine]
    best = part.argmax(axis=1)
    value = part[np.arange(len(part)), best]
    return np.where(np.isfinite(value), mine[best], -1), value


def search_radius(away_m: FloatArray, *, share: float, least_m: float) -> float:
    """The circle that holds a share of the best positions, metres, a multiple of 5.

    Parameters
    ----------
    away_m : (draws,) distance of each draw's best position from the place, NaN = none
    share : float
    least_m : float, what cells and a phone's position cannot do better than

    Examples
    --------
    >>> search_radius(np.array([2.0, 4.0, 9.0, 12.0, 40.0]), share=0.8, least_m=10.0)
    15.0
    """
    known = np.sort(away_m[np.isfinite(away_m)])
    held = known[max(int(np.ceil(share * len(known))) - 1, 0)] if len(known) else 0.0
    return float(RADIUS_STEP_M * np.ceil(max(float(held), least_m) / RADIUS_STEP_M - 1e-9))


def told(
    kept: NDArray[np.bool_],
    value: NDArray[np.float32],
    *,
    radius_m: float,
    firm_share: float,
    fair_share: float,
) -> PlaceStability:
    """The stability of one place.

    Parameters
    ----------
    kept : (draws, first) bool, whether the n-th place picked lies in its circle
    value : (draws,) logarithm of the index of the best position in the circle
    firm_share, fair_share : float
        From these shares on a place is called firm or fair.

    References
    ----------
    Lahdelma R, Salminen P (2001), doi 10.1287/opre.49.3.444.11220; Tervonen T, Lahdelma R (2007),
    doi 10.1016/j.ejor.2005.12.037: n draws give a share to within 0.98 / sqrt(n), 19 times in 20.
    """
    draws, among = kept.shape
    share = float(kept.any(axis=1).mean())
    word = FIRM if share >= firm_share else FAIR if share >= fair_share else TOSS_UP
    known = value[np.isfinite(value)]
    ends = np.quantile(known, (0.05, 0.95)) if len(known) else (math.nan, math.nan)
    # One by one: numpy's own exponential has other last digits on other processors.
    low, high = (math.exp(end) for end in ends)
    return PlaceStability(float(kept[:, 0].mean()), share, among, draws, word, radius_m, low, high)


def turning_choices(
    memberships: Mapping[str, FloatArray],
    weights: Mapping[str, float],
    *,
    combine: Combine,
    most: int = 3,
) -> tuple[Choice, ...]:
    """The single weights whose smallest change would put another place first.

    Each weight is moved alone, up to three times and down to a third and to nothing.

    Parameters
    ----------
    memberships : mapping from criterion to (n,) float, the first place being the winner
    weights : mapping from criterion to the logarithm of its ratio
    combine : function of memberships and weights
    most : int
        How many to name, nearest first.
    """
    found: list[tuple[float, Choice]] = []
    for name, weight in weights.items():
        if abs(weight) < 1e-9:
            continue
        tried = weight * _BY_EFFORT
        moved = {k: np.full((tried.size, 1), w) for k, w in weights.items()}
        moved[name] = tried[:, None]
        winner = ranks_of(combine(memberships, moved)).argmin(axis=1)
        turned = np.flatnonzero(winner != 0)
        if turned.size:
            at = int(turned[0])
            # Rounded, so that two criteria with the same ratio tie and the name decides.
            effort = round(float(abs(tried[at] - weight)), 6)
            found.append((effort, Choice(name, weight, float(tried[at]), int(winner[at]))))
    found.sort(key=lambda pair: (pair[0], pair[1].criterion))
    return tuple(choice for _, choice in found[:most])
