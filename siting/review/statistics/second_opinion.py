"""A model that answers the same question another way, to say how far an answer hangs on its model.

A spatial field lets cameras be the more alike the nearer they are, where clusters only know "same"
and "other".
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import minimize
from scipy.special import gammaln

Floats = NDArray[np.float64]
_STEPS = 200
# Columns are scaled to a spread of 1: so small a step keeps five digits of the errors.
_STEP = 1e-3


class Field(NamedTuple):
    """Coefficients (p + 1,), the intercept first, with errors, dispersion, and the field.

    `variance` of ln rate between places, `reach_m` where their likeness has fallen to 37 %.
    """

    coef: Floats
    se: Floats
    alpha: float
    variance: float
    reach_m: float
    log_likelihood: float


def spatial_counts(events: Any, days: Any, columns: Any, distance_m: Any) -> Field:
    """Counts whose ln rate has a field over the ground: exponential covariance, Laplace.

    Parameters
    ----------
    events, days : (n,) counts, and camera-days above 0
    columns : (n, p)
    distance_m : (n, n) metres between the cameras; 0 and infinity make clusters of them
    """
    y, offset = np.asarray(events, float), np.log(np.asarray(days, float))
    given = np.asarray(columns, float).reshape(len(y), -1)
    middle, scale = given.mean(axis=0), np.maximum(given.std(axis=0), 1e-12)
    x = np.column_stack([np.ones(len(y)), (given - middle) / scale])
    metres = np.asarray(distance_m, float)
    known = metres[(metres > 0) & np.isfinite(metres)]
    # In units of the usual distance, so that one start of the search suits any survey.
    unit_m = float(np.median(known)) if known.size else 1.0
    near = metres / unit_m

    # Each search for the field starts from the last one found, which is seldom far away.
    field = np.zeros(len(y))

    def cost(theta: Floats) -> float:
        height, field[:] = _laplace(theta, y, x, offset, near, field)
        return -height

    start = np.zeros(x.shape[1] + 3)
    start[0] = np.log(y.sum() / np.exp(offset).sum())
    start[-3:] = np.log([0.4, 0.2, 0.3])
    found = minimize(cost, start, method="BFGS", options={"gtol": 1e-5}).x
    height, field[:] = _laplace(found, y, x, offset, near, field)
    back = np.diag(np.concatenate([[1.0], 1 / scale]))
    back[0, 1:] = -middle / scale
    # With dispersion, variance and reach as found, as other programs do.
    curvature = _curvature(lambda at: -cost(np.concatenate([at, found[-3:]])), found[:-3])
    covariance = back @ np.linalg.inv(curvature) @ back.T
    alpha, variance, reach = np.exp(found[-3:])
    return Field(
        back @ found[:-3], np.sqrt(np.diag(covariance)), float(alpha), float(variance),
        float(reach * unit_m), height,
    )  # fmt: skip


def _curvature(height: Callable[[Floats], float], at: Floats) -> Floats:
    """Minus the second derivatives of a height, by central differences."""
    ahead = _STEP * np.eye(len(at))
    return np.array(
        [
            [
                (height(at + a - b) + height(at - a + b) - height(at + a + b) - height(at - a - b))
                / (4 * _STEP**2)
                for b in ahead
            ]
            for a in ahead
        ]
    )


def _laplace(
    theta: Floats, y: Floats, x: Floats, offset: Floats, near: Floats, field: Floats
) -> tuple[float, Floats]:
    """Ln marginal likelihood with the field worked out, and the field."""
    alpha, variance, reach = np.exp(np.clip(theta[-3:], -12, 6))
    r, fixed = 1 / alpha, x @ theta[:-3] + offset
    cover = variance * np.exp(-near / reach)
    for _ in range(_STEPS):
        mu = np.exp(np.clip(fixed + field, -30, 30))
        weight = (y + r) * r * mu / (r + mu) ** 2
        slope = r * (y - mu) / (r + mu)
        # Newton's step of the field, written so that the covariance need not be inverted.
        inner = np.eye(len(y)) + cover * weight
        new = np.linalg.solve(inner, cover @ (weight * field + slope))
        done = float(np.abs(new - field).max()) < 1e-10
        field = new
        if done:
            break
    mu = np.exp(np.clip(fixed + field, -30, 30))
    terms = gammaln(y + r) - gammaln(r) - gammaln(y + 1) + r * np.log(r) + y * np.log(mu)
    likelihood = (terms - (y + r) * np.log(r + mu)).sum()
    weight = (y + r) * r * mu / (r + mu) ** 2
    inner = np.eye(len(y)) + cover * weight
    pull = r * (y - mu) / (r + mu)
    height = likelihood - 0.5 * field @ pull - 0.5 * np.linalg.slogdet(inner)[1]
    return float(height), field
