"""The answer of a season: what was recorded, whether the score worked, what the weights should be.

Two questions, two estimators: whether a higher score recorded more is answered without the
protocol's help; what the weights should be is answered with it. Below the floors nothing is said.
"""

from __future__ import annotations

import warnings
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from siting.review.cameras import Cameras, level_of, too_few
from siting.review.change import WeightRow, weight_rows
from siting.review.doubts.neighbours import wider_clusters
from siting.review.doubts.other_models import other_slopes
from siting.review.doubts.single import carried_by_one
from siting.review.groups import GroupRow, group_rows, mixed
from siting.review.held_out import HeldOut, held_out
from siting.review.recorded.season import warning
from siting.review.statistics import ranks
from siting.review.statistics.headline import Verdict, slope_fit, verdict
from siting.review.statistics.ranks import Interval, ScoreClass
from siting.types import Note
from siting.words.office import review as words

Floats = NDArray[np.float64]
# Our choice, no source: fewer clusters of two cameras leave a permutation few ways to differ.
_WITHIN_CLUSTERS = 10
# Our choice, no source: one cluster with more than this would speak for the whole season.
_MOST_OF_ONE = 1 / 3
_LEAST_OF_EITHER = 5


@dataclass(frozen=True)
class Answer:
    """All that review.html and its tables say.

    `level` is how much may be said: "list", "few", "headline" or "full". Days are camera-days,
    events independent ones, pairs won and p values shares, 0..1; what was not worked out is None.
    """

    group: str
    cameras: int
    clusters: int
    days: float
    events: float
    level: str
    verdict: Verdict = "few"
    slope: Interval | None = None
    pairs: Interval | None = None
    best_pairs: float | None = None
    within_p: float | None = None
    classes: tuple[ScoreClass, ...] = ()
    weights: tuple[WeightRow, ...] = ()
    held_out: HeldOut | None = None
    fragment: bool = False
    notes: tuple[Note, ...] = ()
    expected: Floats | None = None
    groups: tuple[GroupRow, ...] = ()
    picked: Interval | None = None
    random_cameras: int = 0
    other_models: tuple[tuple[str, Interval], ...] = ()


def answer(cameras: Cameras, *, group: str, notes: Sequence[Note] = ()) -> Answer:
    """What a season allows to say of its primary group."""
    found = list(notes)
    cameras, headed, more = wider_clusters(cameras)
    found += more
    # Counted after the clusters were widened: cameras that are alike are not independent places.
    n, clusters = len(cameras.ids), len(set(cameras.cluster))
    days, events = float(cameras.days.sum()), float(cameras.events.sum())
    level = level_of(n, clusters, days, events)
    code, blanks = too_few(level, n, clusters, days, events)
    if code:
        found.append(warning(code, **blanks))
    if level == "list":
        return Answer(group, n, clusters, days, events, level, notes=tuple(found))
    said, slope, best = headline_of(headed, level)
    groups = group_rows(headed, cameras.by_group)
    found += mixed(groups, slope)
    found += _counted_otherwise(headed, level, said)
    rows, held, fragment, more = _change(cameras, level)
    return Answer(
        group=group, cameras=n, clusters=clusters, days=days, events=events, level=level,
        verdict=said, slope=slope,
        pairs=_pairs(headed),
        best_pairs=best,
        within_p=_within(cameras),
        classes=ranks.classes(headed.score, headed.events, headed.days, headed.cluster),
        weights=rows, held_out=held, fragment=fragment, notes=(*found, *more),
        expected=_expected(cameras), groups=groups, picked=picked_over_random(cameras),
        random_cameras=0 if cameras.random is None else int(cameras.random.sum()),
        other_models=() if level in ("list", "few") else other_slopes(cameras),
    )  # fmt: skip


def headline_of(cameras: Cameras, level: str) -> tuple[Verdict, Interval | None, float | None]:
    """Verdict, slope of ln rate on the score, and the pairs a perfect score would have won (0..1).

    Parameters
    ----------
    level : what `level_of` gives
    """
    fit = slope_fit(
        cameras.events, cameras.days, cameras.score, cluster=cameras.cluster, terms=cameras.terms
    )
    if fit is None:
        return "few", None, None
    slope = Interval(float(fit.w[0]), float(fit.low[0]), float(fit.high[0]))
    by_ratios = bool(len(cameras.protocol_w))
    best = None
    # A perfect score wins 56 of 100 pairs where all cameras stand in the best tenth of the land and
    # 65 at random places (simulated). Without this figure beside it a protocol that was followed
    # well looks useless.
    if by_ratios:
        best = ranks.best_possible(
            cameras.score, cameras.days, cameras.cluster,
            intercept=fit.intercept, alpha=fit.alpha, spread=fit.spread,
        )  # fmt: skip
    return "few" if level == "few" else verdict(slope, by_ratios=by_ratios), slope, best


def _counted_otherwise(cameras: Cameras, level: str, said: Verdict) -> list[Note]:
    """Whether the verdict would be another if days or records were counted another way."""
    notes = []
    for way, (events, days) in cameras.others.items():
        other, _, _ = headline_of(replace(cameras, events=events, days=days), level)
        if other == said:
            notes.append(warning("W-VARIANT-02", way=way))
        else:
            notes.append(warning("W-VARIANT-01", way=way, verdict=words.SHORT[other]))
    return notes


_Change = tuple[tuple[WeightRow, ...], HeldOut | None, bool, list[Note]]


def _change(cameras: Cameras, level: str) -> _Change:
    """Weights after the season, how they foretell, whether a change is suggested, and notes."""
    if level not in ("headline", "full") or not cameras.columns.shape[1]:
        return (), None, False, []
    rows, notes, fit = weight_rows(cameras)
    rows, more = carried_by_one(cameras, rows, fit)
    notes += more
    # With 20 cameras the intervals of the few weights that may change hold the truth in 64 to 88 %
    # of simulated seasons, with 40 in 83 to 92 %: only from there on is a change considered.
    changing = [row.proposed is not None for row in rows]
    held = held_out(cameras, changing) if level == "full" else None
    if held and any(changing):
        against = _against(cameras, held)
        notes += against
        if not against:
            return rows, held, True, notes
    # What may not be changed is not suggested, one by one or together.
    return tuple(replace(row, proposed=None) for row in rows), held, False, notes


def _against(cameras: Cameras, held: HeldOut) -> list[Note]:
    """Reasons to suggest no change although some weight could move."""
    notes = []
    # A change that predicts unseen cameras worse is no gain, however firm its weights look: neither
    # what is suggested, nor the fit that it is taken from.
    if min(held.fragment, held.proposed) < held.protocol:
        notes.append(warning("W-HELD-01"))
    by_cluster = [cameras.events[cameras.cluster == c].sum() for c in np.unique(cameras.cluster)]
    if max(by_cluster) > _MOST_OF_ONE * cameras.events.sum():
        notes.append(warning("W-HELD-02", why=words.ONE_PLACE))
    return notes


def picked_over_random(cameras: Cameras) -> Interval | None:
    """Rate at picked places over that at random ones; None below five cameras of either.

    Whole clusters are drawn again and again, as for the pairs.
    """
    random = cameras.random
    if random is None or min(random.sum(), (~random).sum()) < _LEAST_OF_EITHER:
        return None

    def ratio(counts: Floats) -> Floats:
        parts = [(counts[:, kept] @ cameras.events[kept]) / (counts[:, kept] @ cameras.days[kept])
                 for kept in (~random, random)]  # fmt: skip
        return np.asarray(parts[0] / parts[1])

    # A draw of clusters may hold no camera at a random place: its ratio is NaN and is left out.
    with np.errstate(divide="ignore", invalid="ignore"):
        drawn = ratio(ranks.drawn_counts(cameras.cluster, draws=1999))
        whole = float(ratio(np.ones((1, len(random))))[0])
    low, high = np.nanpercentile(drawn, [5, 95])
    found = Interval(whole, float(low), float(high))
    return found if np.isfinite(found).all() else None


def _pairs(cameras: Cameras) -> Interval | None:
    """Pairs won; None where no two cameras can be compared, as at one place or of one score."""
    # Draws without a pair are NaN and left out; where all are, there is nothing to tell.
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", RuntimeWarning)
        found = ranks.pairs_won_interval(
            cameras.score, cameras.rate, cameras.cluster, comparable=cameras.comparable
        )
    return found if np.isfinite(found).all() else None


def _within(cameras: Cameras) -> float | None:
    """The p within clusters, where ten of them hold two cameras."""
    _, counts = np.unique(cameras.cluster, return_counts=True)
    if (counts > 1).sum() < _WITHIN_CLUSTERS:
        return None
    return ranks.permutation_p(cameras.score, cameras.rate, cameras.cluster)


def _expected(cameras: Cameras) -> Floats:
    """Events each camera would have had at the common rate, by its score alone."""
    # Less the greatest score, so that exp cannot overflow; the factor falls out with the sum below.
    raw = cameras.days * np.exp(cameras.score - cameras.score.max())
    return np.asarray(raw * cameras.events.sum() / raw.sum())
