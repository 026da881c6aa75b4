"""Kinds of animals looked at besides the one the survey is for: never a headline."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.stats import norm

from siting.review.cameras import Cameras, level_of
from siting.review.recorded.season import warning
from siting.review.statistics.headline import slope_fit
from siting.review.statistics.ranks import Interval
from siting.types import Note

Floats = NDArray[np.float64]
_MOST_OF_ALL = 0.8


@dataclass(frozen=True)
class GroupRow:
    """One group: its events, slope of ln rate on the score, p adjusted for how many were looked at.

    The slope is without a unit (1 as the protocol says), p 0..1; `worth_watching` is the most that
    is ever said of a group.
    """

    name: str
    events: float
    slope: Interval
    p: float
    worth_watching: bool


def group_rows(cameras: Cameras, by_group: Mapping[str, Floats]) -> tuple[GroupRow, ...]:
    """The groups that make up 80 % of the events, the commonest first, by the same slope.

    Parameters
    ----------
    by_group : (n,) events of each group at the cameras

    References
    ----------
    Holm S (1979) Scand. J. Statist. 6:65-70 (from memory).
    """
    if len(by_group) < 2 or len(set(cameras.score)) < 2:
        return ()
    found = []
    for name in _main(by_group):
        y = by_group[name]
        level = level_of(
            len(cameras.ids), len(set(cameras.cluster)), float(cameras.days.sum()), float(y.sum())
        )
        if level in ("list", "few"):
            continue
        one = replace(cameras, events=y)
        fit = slope_fit(one.events, one.days, one.score, cluster=one.cluster, terms=one.terms)
        if fit is not None:
            slope = Interval(float(fit.w[0]), float(fit.low[0]), float(fit.high[0]))
            found.append((name, float(y.sum()), slope, float(2 * norm.sf(abs(fit.w / fit.sd)[0]))))
    # Four groups at 10 % each find something in 34 of 100 seasons of pure chance.
    adjusted = holm([row[3] for row in found])
    return tuple(
        GroupRow(name, events, slope, p, p < 0.1)
        for (name, events, slope, _), p in zip(found, adjusted, strict=True)
    )


def _main(by_group: Mapping[str, Floats]) -> list[str]:
    """Groups from the commonest on, until 80 % of all events are theirs."""
    totals = {name: float(y.sum()) for name, y in by_group.items()}
    names = sorted(totals, key=lambda name: (-totals[name], name))
    held = np.cumsum([totals[name] for name in names])
    enough = int(np.searchsorted(held, _MOST_OF_ALL * held[-1])) + 1
    return names[:enough]


def holm(p: list[float]) -> list[float]:
    """Values of p (0..1) adjusted, so that looking at many groups makes no chance finding likelier.

    Examples
    --------
    >>> holm([0.01, 0.04, 0.03])
    [0.03, 0.06, 0.06]

    References
    ----------
    Holm S (1979) Scand. J. Stat. 6:65-70 (from memory).
    """
    order = np.argsort(p)
    out = np.empty(len(p))
    highest = 0.0
    for rank, i in enumerate(order):
        highest = max(highest, min(1.0, (len(p) - rank) * p[i]))
        out[i] = highest
    return [float(round(v, 12)) for v in out]


def mixed(rows: tuple[GroupRow, ...], slope: Interval | None) -> list[Note]:
    """A note where a main group goes the other way than the whole."""
    if slope is None:
        return []
    # A sum over kinds hides them: open data of a savanna gave tree share -0.087 for ungulates,
    # +0.064 for carnivores and -0.035 for all together.
    against = [row.name for row in rows if _against(row.slope, slope.value)]
    return [warning("W-MIX-01", names=", ".join(against))] if against else []


def _against(found: Interval, whole: float) -> bool:
    return found.high < 0 < whole or whole < 0 < found.low
