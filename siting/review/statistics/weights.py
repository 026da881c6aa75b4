"""What a season says about the weights: rate ratios drawn toward those of the protocol.

Events y of a camera are negative binomial (variance mu + alpha mu^2) with
ln mu = ln days + b0 + (m - mean m) w + u[cluster]; w_k ~ N(protocol's w_k, tau^2) and
u ~ N(0, s^2). The fixed part is worked out by Laplace's approximation at each node of a grid over
(alpha, s), and the nodes are weighted by their marginal likelihood. Memberships are centred:
otherwise the intercept's prior holds the weights back.

References
----------
Rue H, Martino S, Chopin N (2009) J. R. Stat. Soc. B 71:319-392 (nested Laplace approximations;
from memory). Nodes, priors and tau are our choice, see docs/review.md.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import brentq
from scipy.special import gammaln, logsumexp, ndtr
from scipy.stats import norm

Floats = NDArray[np.float64]
# Nodes of the dispersion alpha and of the spread s of clusters; priors ln alpha ~ N(0, 1) and
# s ~ half-normal(0.5).
_ALPHA = np.array([0.1, 0.2, 0.4, 0.8, 1.5, 3.0, 6.0])
_SPREAD = np.array([0.0, 0.3, 0.6, 1.0])
_SPREAD_PRIOR = 0.5
# A standard deviation of 3 in ln rate: the level of a season is left to the data.
_INTERCEPT_VARIANCE = 9.0
_MOST_STEPS, _MOST_HALVINGS = 100, 40


@dataclass(frozen=True)
class Shrunken:
    """Weights of the criteria after a season, arrays of shape (k,).

    Parameters
    ----------
    w, sd : ln rate ratio and its standard deviation
    low, high : ends of the interval of `level`
    said_by_data : 1 - (sd / tau)^2; 0 when the season said nothing, 1 when it said all
    intercept : ln events per camera-day at the mean memberships
    alpha, spread : dispersion, and standard deviation of ln rate between clusters
    level : share of the interval, 0.9 usual
    fitted : (n,) events expected at each row, what its cluster is like included
    """

    w: Floats
    sd: Floats
    low: Floats
    high: Floats
    said_by_data: Floats
    intercept: float
    alpha: float
    spread: float
    level: float
    fitted: Floats


class _Data(NamedTuple):
    """Rows (n,) of a fit: events, columns with the intercept first (n, p), ln days, clusters."""

    y: Floats
    x: Floats
    offset: Floats
    group: NDArray[np.intp]
    indicator: Floats
    start: Floats
    precision: Floats


class _Nodes(NamedTuple):
    """Dispersion and spread at each node, (b, 1) shape of 1 / alpha and (b,) of 1 / spread^2."""

    r: Floats
    q: Floats


def shrunken(
    events: Sequence[float] | Floats,
    days: Sequence[float] | Floats,
    memberships: Any,
    protocol_w: Sequence[float] | Floats,
    *,
    tau: float | Sequence[float] | Floats,
    cluster: Sequence[Any] | NDArray[Any] | None = None,
    level: float = 0.9,
    at: tuple[float, float] | None = None,
) -> Shrunken:
    """The weights that a season and the protocol together come to.

    Parameters
    ----------
    events : (n,) counts of independent events per deployment
    days : (n,) camera-days, above 0
    memberships : (n, k) of 0..1, one column per criterion
    protocol_w : (k,) ln rate ratios of the protocol
    tau : float or (k,)
        Standard deviation of a true weight about the protocol's; 0.7 is "right within a factor of
        2 two times in three" (our choice).
    cluster : (n,) labels of parcels or cells, or None
        With one camera a cluster, dispersion and spread cannot be separated: the cluster term is
        left out.
    level : float, share that the interval holds
    at : (dispersion, spread of clusters in ln rate) where they are known: quick, for comparisons

    Returns
    -------
    Shrunken
    """
    y, d, m, w0 = (np.asarray(v, float) for v in (events, days, memberships, protocol_w))
    # Not estimated: with tau on the grid as well, intervals of 90 % covered 87 to 92 %, with tau
    # given 92 to 97 % (simulated, 10 to 200 cameras).
    prior_sd = np.broadcast_to(np.asarray(tau, float), w0.shape)
    data, spreads = _prepared(y, d, m, w0, prior_sd, cluster)
    log_alpha, spread = (v.ravel() for v in np.meshgrid(np.log(_ALPHA), spreads, indexing="ij"))
    if at is not None:
        log_alpha, spread = np.log(at[:1]), np.array(at[1:])
    modes, random, covariances, evidence = _laplace(data, np.exp(log_alpha), spread)
    log_post = evidence + norm.logpdf(log_alpha) + norm.logpdf(spread, 0, _SPREAD_PRIOR)
    share = np.exp(log_post - logsumexp(log_post))
    mean = share @ modes
    variances = np.einsum("bpp->bp", covariances)
    sd = np.sqrt(share @ (variances + modes**2) - mean**2)
    ends = [
        [_quantile(k, at, share, modes, variances, mean, sd) for k in range(1, len(mean))]
        for at in ((1 - level) / 2, (1 + level) / 2)
    ]
    return Shrunken(
        w=mean[1:],
        sd=sd[1:],
        low=np.array(ends[0]),
        high=np.array(ends[1]),
        said_by_data=1 - (sd[1:] / prior_sd) ** 2,
        intercept=float(mean[0]),
        alpha=float(np.exp(share @ log_alpha)),
        spread=float(share @ spread),
        level=level,
        fitted=np.exp(data.x @ mean + data.offset + (share @ random)[data.group]),
    )


def _prepared(
    y: Floats, days: Floats, m: Floats, w0: Floats, prior_sd: Floats, cluster: Any
) -> tuple[_Data, Floats]:
    """The rows as matrices, and the nodes of the spread of clusters."""
    if cluster is None or len(set(cluster)) == len(y):
        group, spreads = np.zeros(len(y), np.intp), _SPREAD[:1]
    else:
        group, spreads = np.unique(np.asarray(cluster), return_inverse=True)[1], _SPREAD
    # Without centring, a perfect score at 40 cameras in the best tenth of the land came out at
    # slope 0.60 in place of 1.00 (simulated).
    x = np.column_stack([np.ones(len(y)), m - m.mean(axis=0)])
    start = np.concatenate([[np.log((y.sum() + 0.5) / days.sum())], w0])
    precision = np.concatenate([[1 / _INTERCEPT_VARIANCE], 1 / prior_sd**2])
    indicator = np.eye(int(group.max()) + 1)[group]
    return _Data(y, x, np.log(days), group, indicator, start, precision), spreads


def _laplace(data: _Data, alpha: Floats, spread: Floats) -> tuple[Floats, Floats, Floats, Floats]:
    """At each node: modes (b, p) and (b, g), covariance (b, p, p) of the fixed part, evidence."""
    nodes = _Nodes(1 / alpha[:, None], _inverse_square(spread))
    fixed = np.tile(data.start, (len(alpha), 1)).astype(float)
    random = np.zeros((len(alpha), data.indicator.shape[1]))
    height, mu = _height(data, nodes, fixed, random)
    for _ in range(_MOST_STEPS):
        d_fixed, d_random = _newton_step(data, nodes, fixed, random, mu)
        step, new_height, new_mu = _uphill(data, nodes, fixed, random, d_fixed, d_random, height)
        fixed, random = fixed + step * d_fixed, random + step * d_random
        gain = float((np.abs(new_height - height) - _noise(data, height)).max())
        height, mu = new_height, new_mu
        if gain < 1e-9:
            break
    else:
        raise ArithmeticError("the fit of the weights did not settle")
    _, diagonal, schur = _curvature(data, nodes, mu)
    size = data.x.shape[1] + random.shape[1]
    log_det = np.linalg.slogdet(schur)[1] + np.log(diagonal).sum(axis=1)
    evidence: Floats = height + 0.5 * size * np.log(2 * np.pi) - 0.5 * log_det
    return fixed, random, np.asarray(np.linalg.inv(schur)), evidence


def _noise(data: _Data, height: Floats) -> Floats:
    """What the heights (b,) cannot tell apart.

    They are small differences of large sums: those of thousands of events have no more digits to
    give, and an absolute limit would never be reached.
    """
    return 1e-12 * np.abs(height) + 1e-13 * float((data.y * np.log1p(data.y)).sum())


def _inverse_square(spread: Floats) -> Floats:
    """1 / s^2; a spread of 0 holds the clusters at 0."""
    return np.where(spread > 0, 1 / np.maximum(spread, 1e-6) ** 2, 1e12)


def _height(data: _Data, nodes: _Nodes, fixed: Floats, random: Floats) -> tuple[Floats, Floats]:
    """Ln of likelihood times priors (b,), and expected events (b, n)."""
    y, r = data.y, nodes.r
    eta = fixed @ data.x.T + data.offset + random[:, data.group]
    # A step that goes too far must come out low, so that it is halved, and not overflow.
    mu = np.exp(np.clip(eta, -30, 30))
    terms = gammaln(y + r) - gammaln(r) - gammaln(y + 1) + r * np.log(r) + y * eta
    likelihood = (terms - (y + r) * np.log(r + mu)).sum(axis=1)
    p, q = data.precision, nodes.q
    prior = 0.5 * (np.log(p / (2 * np.pi)) - p * (fixed - data.start) ** 2).sum(axis=1)
    clusters = random.shape[1] * np.log(q / (2 * np.pi)) - q * (random**2).sum(axis=1)
    return likelihood + prior + 0.5 * clusters, mu


def _curvature(data: _Data, nodes: _Nodes, mu: Floats) -> tuple[Floats, Floats, Floats]:
    """Blocks of the second derivatives: the clusters are diagonal, the rest a Schur complement."""
    weight = (data.y + nodes.r) * nodes.r * mu / (nodes.r + mu) ** 2
    diagonal: Floats = weight @ data.indicator + nodes.q[:, None]
    weighted = weight[:, :, None] * data.x
    # The clusters are taken out first: only a small matrix is left to solve, and a fit takes 10 to
    # 20 ms.
    cross: Floats = data.indicator.T @ weighted
    fixed = data.x.T @ weighted + np.diag(data.precision)
    schur: Floats = fixed - (cross / diagonal[:, :, None]).transpose(0, 2, 1) @ cross
    return cross, diagonal, schur


def _newton_step(
    data: _Data, nodes: _Nodes, fixed: Floats, random: Floats, mu: Floats
) -> tuple[Floats, Floats]:
    cross, diagonal, schur = _curvature(data, nodes, mu)
    residual = nodes.r * (data.y - mu) / (nodes.r + mu)
    slope_random = residual @ data.indicator - nodes.q[:, None] * random
    slope_fixed = residual @ data.x - data.precision * (fixed - data.start)
    right = slope_fixed - np.einsum("bgp,bg->bp", cross, slope_random / diagonal)
    d_fixed = np.linalg.solve(schur, right[:, :, None])[:, :, 0]
    d_random = (slope_random - np.einsum("bgp,bp->bg", cross, d_fixed)) / diagonal
    return d_fixed, d_random


def _uphill(
    data: _Data,
    nodes: _Nodes,
    fixed: Floats,
    random: Floats,
    d_fixed: Floats,
    d_random: Floats,
    height: Floats,
) -> tuple[Floats, Floats, Floats]:
    """Step lengths (b, 1) that do not go down, with the height and mu they lead to."""
    step = np.ones((len(height), 1))
    new, mu = height, np.empty(0)
    for _ in range(_MOST_HALVINGS):
        new, mu = _height(data, nodes, fixed + step * d_fixed, random + step * d_random)
        # Written this way round, NaN counts as down.
        down = ~(new >= height - 1e-9 - _noise(data, height))
        if not down.any():
            break
        step[down] /= 2
    return step, new, mu


def _quantile(
    k: int, at: float, share: Floats, modes: Floats, variances: Floats, mean: Floats, sd: Floats
) -> float:
    """Where the mixture of the nodes' normal distributions of coefficient k holds `at` below."""

    spread = np.sqrt(variances[:, k])

    def below(x: float) -> float:
        return float(share @ ndtr((x - modes[:, k]) / spread) - at)

    reach = 15 * sd[k]
    return float(brentq(below, mean[k] - reach, mean[k] + reach, xtol=1e-10))
