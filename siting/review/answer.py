"""The answer of a season: what was recorded, whether the score worked, what the weights should be.

Two questions, two estimators: whether a higher score recorded more is answered without the
protocol's help; what the weights should be is answered with it. Below the floors nothing is said.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.special import gammaln

from siting.review.season import warning
from siting.review.statistics import ranks
from siting.review.statistics.headline import Verdict, slope_fit, verdict
from siting.review.statistics.ranks import Interval, ScoreClass
from siting.review.statistics.weights import Shrunken, shrunken
from siting.types import Note

Floats = NDArray[np.float64]
TAU = 0.7
"""The protocol is right within a factor of 2 two times in three (our choice)."""

LEAST_CAMERAS, LEAST_EVENTS = 10, 10
_HEADLINE_CAMERAS, _HEADLINE_CLUSTERS, _HEADLINE_EVENTS, _HEADLINE_DAYS = 20, 10, 30, 300
_FRAGMENT_CAMERAS, _FRAGMENT_CLUSTERS = 40, 15
_SAID = 0.5
_FLAT_SD, _FEW_ON_A_SIDE = 0.15, 5
_ALIKE_VIF = 5.0
_MOST_FACTOR = 2.0
_ALL_GOOD = 2.0
_WITHIN_CLUSTERS = 10
_FIRM = 1e-3


@dataclass(frozen=True)
class Cameras:
    """The used deployments as arrays: (n,), and (n, k) for what each criterion gives.

    `score` is ln of the score; `columns` times `protocol_w` (ln rate ratios) adds up to it where
    the protocol scores by rate ratios; no columns otherwise.
    """

    ids: tuple[str, ...]
    events: Floats
    days: Floats
    score: Floats
    cluster: NDArray[np.str_]
    columns: Floats
    names: tuple[str, ...]
    protocol_w: Floats
    land_score: Floats | None = None


@dataclass(frozen=True)
class WeightRow:
    """One criterion after the season: rate ratios (exp of the weights) with 90 % ends."""

    name: str
    protocol: float
    shrunken: float
    low: float
    high: float
    data_only: float
    said_by_data: float
    sd: float
    proposed: float | None
    code: str


@dataclass(frozen=True)
class HeldOut:
    """Log scores of left-out clusters by protocol, and standard errors of their differences."""

    protocol: float
    proposed: float
    none: float
    se_proposed_protocol: float
    se_none_proposed: float
    by: str = "cluster"


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
        text = (
            f"{n} cameras with {events:.0f} events: fewer than {LEAST_CAMERAS} of either say "
            "nothing about a score."
        )
        found.append(warning("W-FEW-00", text))
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
        found.append(_few(n, clusters, days, events))
    rows: tuple[WeightRow, ...] = ()
    held = None
    if level in ("headline", "full") and cameras.columns.shape[1]:
        rows, more, shrunk = weight_rows(cameras)
        found += more
        if level == "full":
            held = held_out(cameras, shrunk)
        else:
            found.append(warning("W-FEW-03", _no_fragment(n, clusters)))
    may_change = any(row.proposed is not None for row in rows)
    fragment = bool(held and may_change and held.proposed >= held.protocol)
    if held and may_change and not fragment:
        found.append(
            warning(
                "W-HELD-01",
                "Tried on cameras it had not seen, the changed protocol did no better than the "
                "old one: no change is suggested.",
            )
        )
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


def _few(n: int, clusters: int, days: float, events: float) -> Note:
    text = (
        f"{n} cameras at {clusters} independent places, {days:.0f} camera-days and {events:.0f} "
        f"events: a verdict needs at least {_HEADLINE_CAMERAS} cameras at {_HEADLINE_CLUSTERS} "
        f"places, {_HEADLINE_DAYS} camera-days and {_HEADLINE_EVENTS} events."
    )
    return warning("W-FEW-01", text)


def _no_fragment(n: int, clusters: int) -> str:
    return (
        f"{n} cameras at {clusters} independent places: a change of the protocol is suggested "
        f"from {_FRAGMENT_CAMERAS} cameras at {_FRAGMENT_CLUSTERS} places on."
    )


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


def weight_rows(cameras: Cameras) -> tuple[tuple[WeightRow, ...], list[Note], Shrunken]:
    """Each criterion's weight after the season, and what may not change."""
    w0 = cameras.protocol_w
    fit = _fit(cameras, TAU)
    alone = _fit(cameras, 10.0)
    codes, notes = _codes(cameras, fit)
    rows = []
    for k, name in enumerate(cameras.names):
        change = None if codes[k] else float(np.exp(_limited(fit.w[k], w0[k])))
        # A change that rounds away is none.
        if change is not None and abs(change - np.exp(w0[k])) < 0.005:
            change = None
        row = WeightRow(
            name=name,
            protocol=float(np.exp(w0[k])),
            shrunken=float(np.exp(fit.w[k])),
            low=float(np.exp(fit.low[k])),
            high=float(np.exp(fit.high[k])),
            data_only=float(np.exp(alone.w[k])),
            said_by_data=float(fit.said_by_data[k]),
            sd=float(fit.sd[k]),
            proposed=change,
            code=codes[k],
        )
        rows.append(row)
    return tuple(rows), notes, fit


def _limited(w: float, w0: float) -> float:
    """No weight moves by more than a factor of 2 in one season."""
    most = float(np.log(_MOST_FACTOR))
    return w0 + float(np.clip(w - w0, -most, most))


def _fit(cameras: Cameras, tau: float, *, w0: Floats | None = None) -> Shrunken:
    return shrunken(
        cameras.events, cameras.days, cameras.columns,
        cameras.protocol_w if w0 is None else w0, tau=tau, cluster=cameras.cluster,
    )  # fmt: skip


def _codes(cameras: Cameras, fit: Shrunken) -> tuple[list[str], list[Note]]:
    """Why each criterion stays as it is, "" where it may change."""
    columns, names = cameras.columns, cameras.names
    factors = inflation(columns)
    codes = []
    for k in range(len(names)):
        m = columns[:, k]
        sides = min((m > 0.5).sum(), (m <= 0.5).sum())
        if m.std() < _FLAT_SD or sides < _FEW_ON_A_SIDE:
            codes.append("W-RANGE-01")
        elif factors[k] > _ALIKE_VIF:
            codes.append("W-ALIKE-01")
        elif fit.said_by_data[k] < _SAID:
            codes.append("W-FEW-02")
        else:
            codes.append("")
    words = {
        "W-RANGE-01": "All cameras stood alike in this",
        "W-ALIKE-01": "Too alike at these places to be told apart",
        "W-FEW-02": "Too little to say",
    }
    notes = []
    for code, text in words.items():
        held = [n for n, c in zip(names, codes, strict=True) if c == code]
        if held:
            notes.append(warning(code, f"{text}: {', '.join(held)}."))
    return codes, notes


def inflation(columns: Floats) -> Floats:
    """How much each column's variance grows because the others say the same: 1 / (1 - R^2)."""
    n, k = columns.shape
    out = np.ones(k)
    for j in range(k):
        others = np.column_stack([np.ones(n), np.delete(columns, j, axis=1)])
        fitted = others @ np.linalg.lstsq(others, columns[:, j], rcond=None)[0]
        spread = ((columns[:, j] - columns[:, j].mean()) ** 2).sum()
        left = ((columns[:, j] - fitted) ** 2).sum()
        out[j] = spread / left if left > 1e-12 * max(spread, 1e-12) else np.inf
    return out


def held_out(cameras: Cameras, fit: Shrunken | None = None) -> HeldOut:
    """How well each protocol foretells cameras of clusters it has not seen, by log score.

    One cluster is left out at a time, ten folds of clusters above thirty. Random folds of cameras
    would put neighbours on both sides.
    """
    del fit
    labels = np.unique(cameras.cluster)
    count = len(labels) if len(labels) <= 30 else 10
    folds = [set(labels[i::count]) for i in range(count)]
    nothing = np.zeros_like(cameras.protocol_w)
    plans: Mapping[str, tuple[float, Floats]] = {
        "protocol": (_FIRM, cameras.protocol_w),
        "proposed": (TAU, cameras.protocol_w),
        "none": (_FIRM, nothing),
    }
    scores: dict[str, list[float]] = {name: [] for name in plans}
    for fold in folds:
        out = np.array([label in fold for label in cameras.cluster])
        train = _part(cameras, ~out)
        for name, (tau, w0) in plans.items():
            found = _fit(train, tau, w0=w0)
            scores[name].append(_log_score(found, cameras, train, out))
    by = {name: np.array(values) for name, values in scores.items()}
    return HeldOut(
        protocol=float(by["protocol"].sum()),
        proposed=float(by["proposed"].sum()),
        none=float(by["none"].sum()),
        se_proposed_protocol=_sum_error(by["proposed"] - by["protocol"]),
        se_none_proposed=_sum_error(by["none"] - by["proposed"]),
    )


def _sum_error(differences: Floats) -> float:
    return float(np.sqrt(len(differences)) * differences.std(ddof=1))


def _part(cameras: Cameras, kept: NDArray[np.bool_]) -> Cameras:
    return Cameras(
        tuple(i for i, k in zip(cameras.ids, kept, strict=True) if k), cameras.events[kept],
        cameras.days[kept], cameras.score[kept], cameras.cluster[kept], cameras.columns[kept],
        cameras.names, cameras.protocol_w,
    )  # fmt: skip


def _log_score(fit: Shrunken, whole: Cameras, train: Cameras, out: NDArray[np.bool_]) -> float:
    """Ln probability of the left-out counts; a new cluster's own shift is averaged over."""
    at = whole.columns[out] - train.columns.mean(axis=0)
    wider = np.exp(fit.spread**2)
    mu = whole.days[out] * np.exp(fit.intercept + at @ fit.w + fit.spread**2 / 2)
    r = 1 / (wider * (1 + fit.alpha) - 1)
    y = whole.events[out]
    terms = gammaln(y + r) - gammaln(r) - gammaln(y + 1) + r * np.log(r / (r + mu))
    return float((terms + y * np.log(mu / (r + mu))).sum())
