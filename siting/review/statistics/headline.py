"""Did a higher score record more: the slope of ln rate on the score, and the words it allows."""

from __future__ import annotations

from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from siting.review.statistics.ranks import Interval
from siting.review.statistics.weights import Shrunken, shrunken

Floats = NDArray[np.float64]
# b sd(S) ~ N(0, 1.5^2): so weak that a score which says nothing cannot pass for a strong one.
_WEAK = 1.5
_TERM_TAU = 1.0
Verdict = Literal["few", "works", "works less", "works more", "cannot tell", "no sign", "wrong way"]


def slope_fit(
    events: Any, days: Any, score: Any, *, cluster: Any = None, terms: Any = None
) -> Shrunken | None:
    """The fit of ln rate on the score without the protocol's help; None where all scores agree.

    Parameters
    ----------
    events, days, score : (n,) counts, camera-days, ln score
    cluster : (n,) labels or None
    terms : (n, t) of what else differs between cameras, or None; the slope is the first weight
    """
    s = np.asarray(score, float)
    spread = float(s.std())
    if not spread > 0:
        return None
    others = np.empty((len(s), 0)) if terms is None else np.asarray(terms, float)
    count = others.shape[1]
    tau = [_WEAK / spread] + [_TERM_TAU] * count
    design = np.column_stack([s, others])
    return shrunken(events, days, design, np.zeros(count + 1), tau=tau, cluster=cluster)


def headline_slope(events: Any, days: Any, score: Any, *, cluster: Any = None) -> Interval:
    """Slope b of ln(events per day) on the score with its 90 % interval.

    1 is "as the protocol says", 0 "no use", below 0 "the wrong way round". NaN where all cameras
    have the same score.

    Parameters
    ----------
    events, days, score : (n,); score is the sum of ln rate ratios times memberships
    cluster : (n,) labels or None
    """
    fit = slope_fit(events, days, score, cluster=cluster)
    if fit is None:
        return Interval(float("nan"), float("nan"), float("nan"))
    return Interval(float(fit.w[0]), float(fit.low[0]), float(fit.high[0]))


def verdict(slope: Interval, *, by_ratios: bool = True) -> Verdict:
    """What the interval of the slope allows to say; it never says more.

    A score that is not made of rate ratios promises no slope (`by_ratios` False): then only its
    sign is judged.

    Examples
    --------
    >>> verdict(Interval(0.9, 0.4, 1.5)), verdict(Interval(0.3, -0.1, 0.8))
    ('works', 'no sign')
    """
    if not np.isfinite(slope.value):
        return "cannot tell"
    if slope.high < 0:
        return "wrong way"
    if not by_ratios:
        return "works" if slope.low > 0 else "cannot tell"
    if slope.low > 0:
        if slope.low > 1:
            return "works more"
        return "works" if slope.high >= 1 else "works less"
    # Never "does not work": an interval that holds 0 leaves room for some use.
    return "cannot tell" if slope.high >= 1 else "no sign"
