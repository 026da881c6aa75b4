"""Whether a changed protocol predicts cameras it has not seen better than the old one."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import gammaln

from siting.review.statistics.cameras import Cameras, Floats
from siting.review.statistics.criteria import TAU, fitted
from siting.review.statistics.weights import Shrunken

# So narrow a prior holds the weights where the protocol has them.
_FIRM = 1e-3


@dataclass(frozen=True)
class HeldOut:
    """Log scores of left-out clusters by protocol, and standard errors of their differences."""

    protocol: float
    proposed: float
    none: float
    se_proposed_protocol: float
    se_none_proposed: float
    by: str = "cluster"


def held_out(cameras: Cameras) -> HeldOut:
    """How well each protocol predicts cameras of clusters it has not seen, by log score.

    One cluster is left out at a time, a tenth of the clusters where there are more than thirty.
    """
    # Whole clusters: folds drawn from cameras would put neighbours on both sides, and a
    # protocol would be praised for remembering the place next door.
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
            found = fitted(train, tau, w0=w0)
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
