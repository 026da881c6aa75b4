"""The answer of a season: what was recorded, whether the score worked, what the weights should be.

Two questions, two estimators: whether a higher score recorded more is answered without the
protocol's help; what the weights should be is answered with it. Below the floors nothing is said.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from siting.review.statistics import ranks
from siting.review.statistics.cameras import Cameras, Floats
from siting.review.statistics.criteria import WeightRow, weight_rows
from siting.review.statistics.headline import Verdict, slope_fit, verdict
from siting.review.statistics.held_out import HeldOut, held_out
from siting.review.statistics.ranks import Interval, ScoreClass
from siting.types import Note
from siting.words.office.season import warning

LEAST_CAMERAS, LEAST_EVENTS = 10, 10
_HEADLINE_CAMERAS, _HEADLINE_CLUSTERS, _HEADLINE_EVENTS, _HEADLINE_DAYS = 20, 10, 30, 300
_FRAGMENT_CAMERAS, _FRAGMENT_CLUSTERS = 40, 15
_WITHIN_CLUSTERS = 10


@dataclass(frozen=True)
class Answer:
    """All that review.html and its tables say.

    `level` is how much may be said: "list", "few", "headline" or "full".
    """

    group: str
    cameras: int
    clusters: int
    days: float
    events: float
    level: str
    verdict: Verdict
    slope: Interval | None
    pairs: Interval | None
    best_pairs: float | None
    within_p: float | None
    classes: tuple[ScoreClass, ...]
    weights: tuple[WeightRow, ...]
    held_out: HeldOut | None
    fragment: bool
    notes: tuple[Note, ...]
    expected: Floats | None = None


def answer(cameras: Cameras, *, group: str, notes: Sequence[Note] = ()) -> Answer:
    """What a season allows to say of its primary group."""
    n, clusters = len(cameras.ids), len(set(cameras.cluster))
    days, events = float(cameras.days.sum()), float(cameras.events.sum())
    level = level_of(n, clusters, days, events)
    found = list(notes)
    if level == "list":
        found.append(warning("W-FEW-00", cameras=n, events=events, least=LEAST_CAMERAS))
        return Answer(group, n, clusters, days, events, level, "few", None, None, None, None, (),
                      (), None, False, tuple(found))  # fmt: skip
    rate = cameras.events / cameras.days
    fit = slope_fit(cameras.events, cameras.days, cameras.score, cluster=cameras.cluster)
    by_ratios = bool(len(cameras.protocol_w))
    slope = None
    best = None
    if fit is not None:
        slope = Interval(float(fit.w[0]), float(fit.low[0]), float(fit.high[0]))
        if by_ratios:
            best = ranks.best_possible(
                cameras.score, cameras.days, cameras.cluster,
                intercept=fit.intercept, alpha=fit.alpha, spread=fit.spread,
            )  # fmt: skip
    said: Verdict = (
        "few" if level == "few" or slope is None else verdict(slope, by_ratios=by_ratios)
    )
    if level == "few":
        found.append(
            warning(
                "W-FEW-01", cameras=n, clusters=clusters, days=days, events=events,
                least_cameras=_HEADLINE_CAMERAS, least_clusters=_HEADLINE_CLUSTERS,
                least_days=_HEADLINE_DAYS, least_events=_HEADLINE_EVENTS,
            )
        )  # fmt: skip
    rows: tuple[WeightRow, ...] = ()
    held = None
    if level in ("headline", "full") and cameras.columns.shape[1]:
        rows, more, _ = weight_rows(cameras)
        found += more
        if level == "full":
            held = held_out(cameras)
        else:
            found.append(
                warning(
                    "W-FEW-03", cameras=n, clusters=clusters,
                    least_cameras=_FRAGMENT_CAMERAS, least_clusters=_FRAGMENT_CLUSTERS,
                )
            )  # fmt: skip
    may_change = any(row.proposed is not None for row in rows)
    fragment = bool(held and may_change and held.proposed >= held.protocol)
    if held and may_change and not fragment:
        found.append(warning("W-HELD-01"))
    if not fragment:
        # What may not be changed is not suggested, one by one or together.
        rows = tuple(replace(row, proposed=None) for row in rows)
    return Answer(
        group=group, cameras=n, clusters=clusters, days=days, events=events, level=level,
        verdict=said, slope=slope,
        pairs=ranks.pairs_won_interval(cameras.score, rate, cameras.cluster),
        best_pairs=best,
        within_p=_within(cameras, rate),
        classes=ranks.classes(cameras.score, cameras.events, cameras.days, cameras.cluster),
        weights=rows, held_out=held, fragment=fragment, notes=tuple(found),
        expected=_expected(cameras),
    )  # fmt: skip


def level_of(cameras: int, clusters: int, days: float, events: float) -> str:
    """How much a season allows to say: "list", "few", "headline" or "full".

    Examples
    --------
    >>> level_of(8, 8, 900, 200), level_of(15, 12, 900, 200), level_of(30, 12, 900, 200)
    ('list', 'few', 'headline')
    """
    if cameras < LEAST_CAMERAS or events < LEAST_EVENTS:
        return "list"
    if (
        cameras < _HEADLINE_CAMERAS
        or clusters < _HEADLINE_CLUSTERS
        or events < _HEADLINE_EVENTS
        or days < _HEADLINE_DAYS
    ):
        return "few"
    enough = cameras >= _FRAGMENT_CAMERAS and clusters >= _FRAGMENT_CLUSTERS
    return "full" if enough else "headline"


def _within(cameras: Cameras, rate: Floats) -> float | None:
    """The p within clusters, where ten of them hold two cameras."""
    _, counts = np.unique(cameras.cluster, return_counts=True)
    if (counts > 1).sum() < _WITHIN_CLUSTERS:
        return None
    return ranks.permutation_p(cameras.score, rate, cameras.cluster)


def _expected(cameras: Cameras) -> Floats:
    """Events each camera would have had at the common rate, by its score alone."""
    raw = cameras.days * np.exp(cameras.score - cameras.score.max())
    return np.asarray(raw * cameras.events.sum() / raw.sum())
