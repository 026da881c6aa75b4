"""Weeks detected of weeks at sites that differ by more than their columns say: a second opinion.

Kept with the tests: the review itself never asks for odds.
"""

from __future__ import annotations

from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import minimize
from scipy.special import betaln, digamma, expit, gammaln

Floats = NDArray[np.float64]


class BetaBinomial(NamedTuple):
    """Coefficients (p + 1,), ln odds ratios, intercept first; correlation in a site, 0 to 1."""

    coef: Floats
    rho: float
    log_likelihood: float


def beta_binomial(detected: Any, trials: Any, columns: Any) -> BetaBinomial:
    """Weeks detected of weeks, with sites that differ by more than their columns say.

    Parameters
    ----------
    detected, trials : (n,) counts
    columns : (n, p)
    """
    y, n = np.asarray(detected, float), np.asarray(trials, float)
    given = np.asarray(columns, float).reshape(len(y), -1)
    middle, scale = given.mean(axis=0), np.maximum(given.std(axis=0), 1e-12)
    x = np.column_stack([np.ones(len(y)), (given - middle) / scale])
    constant = float((gammaln(n + 1) - gammaln(y + 1) - gammaln(n - y + 1)).sum())

    def cost(theta: Floats) -> tuple[float, Floats]:
        share = np.clip(expit(x @ theta[:-1]), 1e-9, 1 - 1e-9)
        size = np.exp(theta[-1])
        a, b = share * size, (1 - share) * size
        by_a = digamma(y + a) - digamma(n + size) - digamma(a) + digamma(size)
        by_b = digamma(n - y + b) - digamma(n + size) - digamma(b) + digamma(size)
        slope = x.T @ ((by_a - by_b) * size * share * (1 - share))
        height = (betaln(y + a, n - y + b) - betaln(a, b)).sum()
        return -float(height), -np.append(slope, (a * by_a + b * by_b).sum())

    start = np.zeros(x.shape[1] + 1)
    start[0] = np.log((y.sum() + 0.5) / ((n - y).sum() + 0.5))
    found = minimize(cost, start, jac=True, method="BFGS", options={"gtol": 1e-6})
    slopes = found.x[1:-1] / scale
    coef = np.concatenate([[found.x[0] - slopes @ middle], slopes])
    return BetaBinomial(coef, float(1 / (1 + np.exp(found.x[-1]))), constant - float(found.fun))
