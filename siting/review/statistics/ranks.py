"""Did a higher score record more, without any model: pairs won, ranks, classes of the score."""

from __future__ import annotations

from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Labels = NDArray[Any]
_DRAWS = 1999
# Our choice: no class of fewer than ten cameras for each fifth.
_FIFTHS_FROM = 50
_Z90 = 1.6448536269514722


class Interval(NamedTuple):
    """An estimate with the ends of its 90 % interval."""

    value: float
    low: float
    high: float


class ScoreClass(NamedTuple):
    """Cameras of one class of the score: their number and events per 100 camera-days."""

    cameras: int
    rate: float
    low: float
    high: float
    mean_score: float


def pairs_won(score: Floats, rate: Floats, *, comparable: Any = None) -> float:
    """Of two cameras with different scores, how often the higher one recorded more; 0.5 is chance.

    Equal rates count half and equal scores are left out: (Somers' d of rate on score + 1) / 2.
    NaN when all scores are equal.

    Parameters
    ----------
    score, rate : (n,) in any unit
    comparable : (n, n) True for the pairs that may be compared, or None for all

    Examples
    --------
    >>> round(pairs_won(np.array([1., 2, 3, 4]), np.array([1., 3, 2, 4])), 4)
    0.8333
    """
    won, used = _pairs(score, rate, comparable)
    return float(won.sum() / used.sum()) if used.any() else float("nan")


def _pairs(score: Floats, rate: Floats, comparable: Any) -> tuple[Floats, Floats]:
    """Of each pair whether the higher score won (1, 0 or a half), and whether it is used (1, 0)."""
    by_score = np.sign(np.subtract.outer(score, score))
    by_rate = np.sign(np.subtract.outer(rate, rate))
    used = np.triu(by_score != 0, 1)
    if comparable is not None:
        used &= np.asarray(comparable, bool)
    return np.where(used, by_score * by_rate / 2 + 0.5, 0.0), used.astype(float)


def drawn_counts(cluster: Labels, *, draws: int, seed: int = 1) -> Floats:
    """How often each row stands in each draw of whole clusters with replacement, (draws, n).

    Parameters
    ----------
    cluster : (n,) labels
    """
    rng = np.random.default_rng(seed)
    _, group = np.unique(cluster, return_inverse=True)
    count = int(group.max()) + 1
    # Whole clusters: cameras of one are not independent, and drawing them one by one would make the
    # intervals too narrow.
    drawn = [np.bincount(rng.integers(0, count, count), minlength=count) for _ in range(draws)]
    return np.array(drawn, dtype=float)[:, group]


def _ends(found: Floats) -> Floats:
    """Ends of the 90 % interval of what the draws gave, NaN left out."""
    return np.asarray(np.nanpercentile(found, [5, 95], axis=0))


def pairs_won_interval(
    score: Floats, rate: Floats, cluster: Labels, *, comparable: Any = None
) -> Interval:
    """Pairs won with its 90 % interval by a bootstrap of clusters.

    Parameters
    ----------
    score, rate : (n,) in any unit
    cluster : (n,) labels
    comparable : (n, n) True for the pairs that may be compared, or None for all
    """
    won, used = _pairs(score, rate, comparable)
    # A pair counts as often as both its cameras were drawn, so no pair is looked at twice.
    counts = drawn_counts(cluster, draws=_DRAWS)
    shares = [((counts @ m) * counts).sum(axis=1) for m in (won, used)]
    low, high = _ends(shares[0] / np.where(shares[1] > 0, shares[1], np.nan))
    return Interval(pairs_won(score, rate, comparable=comparable), float(low), float(high))


def permutation_p(
    score: Floats, rate: Floats, cluster: Labels, *, draws: int = _DRAWS, seed: int = 1
) -> float:
    """Two-sided p of rank agreement when rates change places only within their cluster.

    Takes away "this farm has more deer". NaN when no cluster holds two cameras.
    """
    rng = np.random.default_rng(seed)
    groups = [np.flatnonzero(cluster == label) for label in np.unique(cluster)]
    if max(map(len, groups)) < 2:
        return float("nan")
    ranked = _rank(score)
    centred = ranked - np.array([ranked[cluster == label].mean() for label in cluster])
    rates = _rank(rate)
    seen = abs(centred @ rates)
    hits = 0
    for _ in range(draws):
        moved = rates.copy()
        for group in groups:
            moved[group] = moved[rng.permutation(group)]
        hits += bool(abs(centred @ moved) >= seen - 1e-9)
    return (1 + hits) / (1 + draws)


def _rank(values: Floats) -> Floats:
    # Ties are broken by row, the same way in every draw.
    return np.argsort(np.argsort(values, kind="stable"), kind="stable").astype(float)


def spearman(score: Floats, rate: Floats) -> Interval:
    """Rank correlation with its 90 % interval.

    References
    ----------
    Bonett DG, Wright TA (2000) Psychometrika 65:23-28 (from memory); it covers better than a
    bootstrap, which falls short for ranks.
    """
    from scipy.stats import spearmanr

    r = float(spearmanr(score, rate)[0])
    # Covers 90 to 93 % with 10 to 80 cameras, where a bootstrap of ranks covers 83 to 90 %
    # (simulated).
    half = _Z90 * np.sqrt((1 + r**2 / 2) / max(len(score) - 3, 1))
    low, high = np.tanh(np.arctanh(np.clip(r, -0.999999, 0.999999)) + np.array([-half, half]))
    return Interval(r, float(low), float(high))


def class_of(score: Floats) -> NDArray[np.intp]:
    """Fifths of the score (n,), thirds below 50 cameras: 0 is the lowest."""
    count = 5 if len(score) >= _FIFTHS_FROM else 3
    order = np.argsort(np.argsort(score, kind="stable"), kind="stable")
    return np.minimum((order * count) // len(score), count - 1)


def classes(
    score: Floats, events: Floats, days: Floats, cluster: Labels, *, draws: int = 999
) -> tuple[ScoreClass, ...]:
    """Events per 100 camera-days by class of the score, total over total, with 90 % intervals."""
    part = class_of(score)
    found = []
    for number in range(int(part.max()) + 1):
        held = part == number
        counts = drawn_counts(cluster[held], draws=draws)
        # Total over total: a mean of rates would give a camera of two days the weight of one of
        # sixty.
        low, high = _ends(100 * (counts @ events[held]) / (counts @ days[held]))
        rate = float(100 * events[held].sum() / days[held].sum())
        found.append(
            ScoreClass(
                int(held.sum()), rate, float(low), float(high), float(score[held].mean())
            )
        )  # fmt: skip
    return tuple(found)


def best_possible(
    score: Floats,
    days: Floats,
    cluster: Labels,
    *,
    intercept: float,
    alpha: float,
    spread: float,
    draws: int = 400,
    seed: int = 1,
) -> float:
    """Share of pairs, 0..1, that a perfect score would have won at these very places, on average.

    Cameras that all stand at good places can hardly be ranked: this is the most one could see.
    Drawn from the fitted dispersion and spread with a slope of 1 on the score.

    Parameters
    ----------
    score, days, cluster : (n,) ln score, camera-days and labels
    intercept, alpha, spread : ln rate, dispersion and spread of clusters, from the fit
    """
    rng = np.random.default_rng(seed)
    names, group = np.unique(cluster, return_inverse=True)
    won = []
    for _ in range(draws):
        shift = rng.normal(0, spread, len(names))[group] if spread > 0 else 0.0
        mu = days * np.exp(intercept + score - score.mean() + shift)
        y = rng.negative_binomial(1 / alpha, 1 / (1 + alpha * mu))
        won.append(pairs_won(score, y / days))
    return float(np.nanmean(won))
