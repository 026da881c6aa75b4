"""Each criterion's weight after the season, and why it may change or not."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from siting import criteria
from siting.criteria import label_of
from siting.review.cameras import Cameras
from siting.review.recorded.season import warning
from siting.review.statistics.weights import Shrunken, shrunken
from siting.settings.protocol import Protocol
from siting.settings.protocol_score import Rule
from siting.types import Note

Floats = NDArray[np.float64]
# With 0.7 the 90 % ranges of a plainly wrong protocol held 86 to 89 % of the true ratios (10 to 80
# cameras, 1,000 seasons each); with 0.8 they hold what they say (docs/review.md).
TAU = 0.8
"""The protocol is right within a factor of 2.2 two times in three (our choice)."""

# So wide that the protocol has no say: for the column of the cameras alone, never suggested.
ALONE_TAU = 10.0
_TERM_TAU = 1.0
# At least as much as the protocol says. With 10, 20 and 40 cameras this holds back 99, 93 and 65 %
# of the weights (simulated, dispersion 1).
_SAID = 0.5
_FLAT_SD, _FEW_ON_A_SIDE = 0.15, 5
# R^2 of 0.8 with the others: of such weights only the sum is known.
_ALIKE_VIF = 5.0
# Our choice: one season moves no weight further, the rest waits for the next.
_MOST_FACTOR = 2.0
# Our choice: weather, animals and crews change from one season to the next.
_OF_A_SEASON = 0.3
Z95 = 1.96
"""A protocol states ends of 95 %, the pages of a review those of 90 %."""

_OWN_CODES = ("W-RANGE-01", "W-ALIKE-01", "W-FEW-02", "W-PLACE-05")


@dataclass(frozen=True)
class WeightRow:
    """One criterion after the season: rate ratios (exp of the weights) with 90 % ends.

    `sd` is that of the ln ratio, `prior_sd` how far it was allowed to lie from the protocol's;
    `proposed` None where the ratio stays, with `code` for why.
    """

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
    prior_sd: float = TAU


def prior_sds(names: Sequence[str], protocol: Protocol) -> Floats:
    """How far each true ln ratio may lie from the protocol's, (k,).

    A ratio that an earlier review suggested and the protocol still has is known as well as its
    ends say, and less so with every season since; a suggestion that was turned down leaves no
    trace. At most `TAU`.
    """
    return np.array([_prior_sd(name, protocol) for name in names], dtype=float)


def _prior_sd(name: str, protocol: Protocol) -> float:
    seasons = accepted_ago(name, protocol)
    if seasons is None:
        return TAU
    spread = _rule(name, protocol).spread
    return float(min(TAU, np.hypot(spread, _OF_A_SEASON * np.sqrt(seasons))))


def accepted_ago(name: str, protocol: Protocol) -> int | None:
    """Seasons since a suggested ratio was accepted; None where the protocol has another one."""
    for entry in protocol.review.accepted:
        criterion, ratio, seasons = entry.split()
        if criterion == name and abs(_rule(name, protocol).ratio - float(ratio)) < 0.005:
            return int(seasons)
    return None


def _rule(name: str, protocol: Protocol) -> Rule:
    held = protocol.attractors if name in criteria.attractors() else protocol.conditions
    rule: Rule = getattr(held, name)
    return rule


def fit_of(
    cameras: Cameras,
    tau: float | Floats | None = None,
    *,
    w0: Floats | None = None,
    at: tuple[float, float] | None = None,
) -> Shrunken:
    """Weights of the criteria, then of the terms.

    `tau` is the protocol's spread in ln ratio, one for all or (k,); None takes that of each.

    Parameters
    ----------
    w0 : (k,) ln rate ratios to start from, the protocol's if None
    at : (dispersion, spread of clusters in ln rate) where they are known
    """
    start = cameras.protocol_w if w0 is None else w0
    count = len(cameras.term_names)
    prior = prior_of(cameras) if tau is None else np.broadcast_to(tau, len(start))
    # Nothing is known of bait or models beforehand: 1 in place of a ratio, and room to move.
    return shrunken(
        cameras.events, cameras.days, cameras.design,
        np.concatenate([start, np.zeros(count)]),
        tau=np.concatenate([prior, np.full(count, _TERM_TAU)]), cluster=cameras.cluster, at=at,
    )  # fmt: skip


def prior_of(cameras: Cameras) -> Floats:
    """Spread of each true ln ratio about the protocol's, (k,)."""
    if cameras.prior_sd is not None:
        return cameras.prior_sd
    return np.full(len(cameras.protocol_w), TAU)


def weight_rows(cameras: Cameras) -> tuple[tuple[WeightRow, ...], list[Note], Shrunken]:
    """Each criterion's weight after the season, and what may not change."""
    w0 = cameras.protocol_w
    fit, alone, prior = fit_of(cameras), fit_of(cameras, ALONE_TAU), prior_of(cameras)
    codes = _codes(cameras, fit)
    rows = tuple(
        WeightRow(
            name=name,
            protocol=float(np.exp(w0[k])),
            shrunken=float(np.exp(fit.w[k])),
            low=float(np.exp(fit.low[k])),
            high=float(np.exp(fit.high[k])),
            data_only=float(np.exp(alone.w[k])),
            said_by_data=float(fit.said_by_data[k]),
            sd=float(fit.sd[k]),
            proposed=None if codes[k] else _proposed(float(fit.w[k]), float(w0[k])),
            code=codes[k],
            prior_sd=float(prior[k]),
        )
        for k, name in enumerate(cameras.names)
    )
    return rows, _code_notes(cameras.names, codes), fit


def _proposed(w: float, w0: float) -> float | None:
    """The ratio to suggest; a change that rounds away is none."""
    change = float(np.exp(limited_step(np.array([w]), np.array([w0]))[0]))
    return change if abs(change - np.exp(w0)) >= 0.005 else None


def limited_step(w: Floats, w0: Floats) -> Floats:
    """Ln ratios (k,) no further from the protocol's `w0` than one season may move them."""
    most = float(np.log(_MOST_FACTOR))
    return np.asarray(w0 + np.clip(w - w0, -most, most))


def _codes(cameras: Cameras, fit: Shrunken) -> list[str]:
    """Why each criterion stays as it is, "" where it may change."""
    factors = inflation(cameras.columns)
    codes = []
    for k, name in enumerate(cameras.names):
        m = cameras.columns[:, k]
        sides = min((m > 0.5).sum(), (m <= 0.5).sum())
        if name in cameras.blocked:
            codes.append(cameras.blocked[name])
        elif m.std() < _FLAT_SD or sides < _FEW_ON_A_SIDE:
            codes.append("W-RANGE-01")
        elif factors[k] > _ALIKE_VIF:
            codes.append("W-ALIKE-01")
        elif fit.said_by_data[k] < _SAID:
            codes.append("W-FEW-02")
        else:
            codes.append("")
    return codes


def _code_notes(names: tuple[str, ...], codes: list[str]) -> list[Note]:
    held = {
        code: [label_of(n, n) for n, c in zip(names, codes, strict=True) if c == code]
        for code in codes
    }
    return [warning(code, names=", ".join(held[code])) for code in _OWN_CODES if code in held]


def inflation(columns: Floats) -> Floats:
    """How much each column's variance grows because the others say the same: 1 / (1 - R^2).

    Parameters
    ----------
    columns : (n, k) of 0..1

    Returns
    -------
    (k,) factors from 1 upward, infinite where a column is a sum of the others
    """
    n, k = columns.shape
    out = np.ones(k)
    for j in range(k):
        others = np.column_stack([np.ones(n), np.delete(columns, j, axis=1)])
        fitted = others @ np.linalg.lstsq(others, columns[:, j], rcond=None)[0]
        spread = ((columns[:, j] - columns[:, j].mean()) ** 2).sum()
        left = ((columns[:, j] - fitted) ** 2).sum()
        out[j] = spread / left if left > 1e-12 * max(spread, 1e-12) else np.inf
    return out
