"""Each criterion after a season: what its weight should be, and why it may not change.

The protocol is the prior: a weight moves only as far as the cameras outweigh it.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from siting.review.statistics.cameras import Cameras, Floats
from siting.review.statistics.weights import Shrunken, shrunken
from siting.types import Note
from siting.words.office.season import warning

TAU = 0.7
"""The protocol is right within a factor of 2 two times in three (our choice)."""

_SAID = 0.5
_FLAT_SD, _FEW_ON_A_SIDE = 0.15, 5
_ALIKE_VIF = 5.0
_MOST_FACTOR = 2.0


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


def weight_rows(cameras: Cameras) -> tuple[tuple[WeightRow, ...], list[Note], Shrunken]:
    """Each criterion's weight after the season, and what may not change."""
    w0 = cameras.protocol_w
    fit = fitted(cameras, TAU)
    # A prior this wide says nothing: what remains is what the cameras say alone.
    alone = fitted(cameras, 10.0)
    codes, notes = _codes(cameras, fit)
    rows = []
    for k, name in enumerate(cameras.names):
        change = None if codes[k] else float(np.exp(_limited(fit.w[k], w0[k])))
        # A ratio is written with two decimals: a smaller change would not show in the protocol.
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


def fitted(cameras: Cameras, tau: float, *, w0: Floats | None = None) -> Shrunken:
    """The weights after the season, drawn towards `w0` (the protocol's) with spread `tau`."""
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
        # A criterion that hardly varies, or has few cameras on one side, cannot show its effect.
        sides = min((m > 0.5).sum(), (m <= 0.5).sum())
        if m.std() < _FLAT_SD or sides < _FEW_ON_A_SIDE:
            codes.append("W-RANGE-01")
        elif factors[k] > _ALIKE_VIF:
            codes.append("W-ALIKE-01")
        elif fit.said_by_data[k] < _SAID:
            codes.append("W-FEW-02")
        else:
            codes.append("")
    notes = [
        warning(code, names=[n for n, c in zip(names, codes, strict=True) if c == code])
        for code in ("W-RANGE-01", "W-ALIKE-01", "W-FEW-02")
        if code in codes
    ]
    return codes, notes


def inflation(columns: Floats) -> Floats:
    """Variance inflation factor of each column: 1 / (1 - R^2) against all the others.

    Parameters
    ----------
    columns : (n, k) array

    Returns
    -------
    (k,) array, 1 where a column is unlike the others, infinite where they determine it
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
