"""Plain models by maximum likelihood: counts (negative binomial) and weeks detected of weeks.

They answer where no protocol is to be leant on, and are the second opinion on the shrunken weights.
All take an (n, p) design without an intercept; the intercept is added in front.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any, Literal, NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import minimize
from scipy.special import digamma, expit, gammaln, xlog1py, xlogy

Floats = NDArray[np.float64]
_STEPS, _HALVINGS = 100, 30


class Fit(NamedTuple):
    """Coefficients (p + 1,), the intercept first, with standard errors of the model and HC0.

    `robust_se` (HC0: White 1980, Econometrica 48:817) does not trust the model's variance;
    `alpha` is the dispersion (0 where the model has none); `log_likelihood` holds its constants.
    """

    coef: Floats
    se: Floats
    robust_se: Floats
    log_likelihood: float
    fitted: Floats
    alpha: float = 0.0


def binomial(
    detected: Any, trials: Any, columns: Any, *, link: Literal["logit", "cloglog"] = "cloglog"
) -> Fit:
    """Weeks detected of weeks. With "cloglog" a coefficient is the ln ratio of weekly rates.

    With "logit" it is a ln odds ratio, which is larger wherever detections are not rare.

    Parameters
    ----------
    detected, trials : (n,) counts
    columns : (n, p)
    """
    y, n = np.asarray(detected, float), np.asarray(trials, float)
    x = _with_intercept(columns)
    value = _logit if link == "logit" else _cloglog
    beta = np.zeros(x.shape[1])
    beta[0] = _start(float(y.sum() / n.sum()), link)

    def height(at: Floats) -> float:
        share, _ = value(x @ at)
        return float((xlogy(y, share) + xlog1py(n - y, -share)).sum())

    def step(at: Floats) -> Floats:
        share, slope = value(x @ at)
        weight = n * slope**2 / (share * (1 - share))
        score = x.T @ ((y - n * share) * slope / (share * (1 - share)))
        return np.asarray(np.linalg.solve(x.T @ (weight[:, None] * x), score))

    beta = _climbed(beta, height, step)

    def by_row(at: Floats) -> Floats:
        share, slope = value(x @ at)
        return x * ((y - n * share) * slope / (share * (1 - share)))[:, None]

    share, slope = value(x @ beta)
    expected = x.T @ ((n * slope**2 / (share * (1 - share)))[:, None] * x)
    constant = gammaln(n + 1) - gammaln(y + 1) - gammaln(n - y + 1)
    likelihood = float((constant + xlogy(y, share) + xlog1py(n - y, -share)).sum())
    se, _ = _errors(expected, by_row(beta))
    # The sandwich takes the curvature as observed, the model's own errors the one expected.
    observed = _information(beta, lambda at: by_row(at).sum(axis=0))
    _, robust = _errors(observed, by_row(beta))
    return Fit(beta, se, robust, likelihood, n * share)


def _logit(eta: Floats) -> tuple[Floats, Floats]:
    share = np.clip(expit(eta), 1e-12, 1 - 1e-12)
    return share, share * (1 - share)


def _cloglog(eta: Floats) -> tuple[Floats, Floats]:
    # At these ends the share is some 1e-12 away from 0 and 1: the weights divide by both distances.
    rate = np.exp(np.clip(eta, -27, 3.3))
    return np.clip(-np.expm1(-rate), 1e-12, 1 - 1e-12), rate * np.exp(-rate)


def _start(share: float, link: str) -> float:
    share = min(max(share, 1e-6), 1 - 1e-6)
    return float(np.log(share / (1 - share)) if link == "logit" else np.log(-np.log1p(-share)))


def poisson(events: Any, days: Any, columns: Any) -> Fit:
    """Counts with variance equal to their mean; `pearson_per_df` shows how far they are not."""
    y, offset, x = (
        np.asarray(events, float),
        np.log(np.asarray(days, float)),
        _with_intercept(columns),
    )
    beta = np.zeros(x.shape[1])
    # Half an event more: a season without any has no logarithm.
    beta[0] = np.log((y.sum() + 0.5) / np.exp(offset).sum())

    def height(at: Floats) -> float:
        eta = x @ at + offset
        return float((y * eta - np.exp(np.clip(eta, -30, 30))).sum())

    def step(at: Floats) -> Floats:
        mu = np.exp(np.clip(x @ at + offset, -30, 30))
        return np.asarray(np.linalg.solve(x.T @ (mu[:, None] * x), x.T @ (y - mu)))

    beta = _climbed(beta, height, step)
    mu = np.exp(x @ beta + offset)
    likelihood = float((y * np.log(mu) - mu - gammaln(y + 1)).sum())
    se, robust = _errors(x.T @ (mu[:, None] * x), x * (y - mu)[:, None])
    return Fit(beta, se, robust, likelihood, mu)


def pearson_per_df(fit: Fit, events: Any) -> float:
    """Pearson chi-square of a Poisson fit per degree of freedom; 1 where the model holds."""
    # One site may carry it: 11.3 of 12.3 came from one of 1,437 sites of the bobcat data. So errors
    # are never scaled by it unseen.
    y = np.asarray(events, float)
    return float(((y - fit.fitted) ** 2 / fit.fitted).sum() / (len(y) - len(fit.coef)))


def negative_binomial(events: Any, days: Any, columns: Any) -> Fit:
    """Counts with variance mu + alpha mu^2 and offset ln days, by maximum likelihood.

    Parameters
    ----------
    events : (n,) counts
    days : (n,) camera-days, above 0
    columns : (n, p), p may be 0
    """
    y, offset, x = (
        np.asarray(events, float),
        np.log(np.asarray(days, float)),
        _with_intercept(columns),
    )
    # Columns of one size: metres beside shares would make the search creep.
    scale = np.concatenate([[1.0], np.maximum(x[:, 1:].std(axis=0), 1e-9)])
    middle = np.concatenate([[0.0], x[:, 1:].mean(axis=0)])
    z = (x - middle) / scale

    def cost(theta: Floats) -> tuple[float, Floats]:
        value, slope = _nb_height(theta, y, z, offset)
        return -value, -slope

    start = np.zeros(z.shape[1] + 1)
    start[0] = np.log((y.sum() + 0.5) / np.exp(offset).sum())
    found = minimize(cost, start, jac=True, method="BFGS", options={"gtol": 1e-9}).x
    found = _polished(found, lambda t: _nb_height(t, y, z, offset)[1])
    # Back to the columns as given: slopes by their scale, the intercept by their means.
    back = np.diag(np.concatenate([1 / scale, [1.0]]))
    back[0, 1:-1] = -middle[1:] / scale[1:]
    information = _information(found, lambda t: _nb_height(t, y, z, offset)[1])
    covariance = back @ np.linalg.inv(information) @ back.T
    rows = _nb_rows(found, y, z, offset)
    inverse = np.linalg.inv(information)
    robust = back @ inverse @ rows.T @ rows @ inverse @ back.T
    theta = back @ found
    fitted = np.exp(z @ found[:-1] + offset)
    likelihood = _nb_height(found, y, z, offset)[0]
    return Fit(
        theta[:-1], np.sqrt(np.diag(covariance))[:-1], np.sqrt(np.diag(robust))[:-1], likelihood,
        fitted, float(np.exp(found[-1])),
    )  # fmt: skip


def _nb_height(theta: Floats, y: Floats, x: Floats, offset: Floats) -> tuple[float, Floats]:
    """Ln likelihood and its slope by coefficients and ln alpha."""
    r = np.exp(-theta[-1])
    eta = np.clip(x @ theta[:-1] + offset, -30, 30)
    mu = np.exp(eta)
    terms = gammaln(y + r) - gammaln(r) - gammaln(y + 1) + r * np.log(r) + y * eta
    height = float((terms - (y + r) * np.log(r + mu)).sum())
    return height, _nb_rows(theta, y, x, offset).sum(axis=0)


def _nb_rows(theta: Floats, y: Floats, x: Floats, offset: Floats) -> Floats:
    """Slope of each row's ln likelihood, (n, p + 1), the last by ln alpha."""
    r = np.exp(-theta[-1])
    mu = np.exp(np.clip(x @ theta[:-1] + offset, -30, 30))
    by_r = digamma(y + r) - digamma(r) + np.log(r) + 1 - np.log(r + mu) - (y + r) / (r + mu)
    return np.column_stack([x * (r * (y - mu) / (r + mu))[:, None], -r * by_r])


def _polished(theta: Floats, slope: Callable[[Floats], Floats]) -> Floats:
    """A few steps of Newton's method: the search stops where the height no longer shows a gain."""
    for _ in range(5):
        change = np.linalg.solve(_information(theta, slope), slope(theta))
        theta = theta + change
        if np.abs(change).max() < 1e-10:
            break
    return theta


def _information(theta: Floats, slope: Callable[[Floats], Floats]) -> Floats:
    """Minus the second derivatives, by central differences of the slope."""
    step = 1e-5
    columns = [
        (slope(theta + step * e) - slope(theta - step * e)) / (2 * step) for e in np.eye(len(theta))
    ]
    matrix = np.array(columns)
    return -(matrix + matrix.T) / 2


def _climbed(
    at: Floats, height: Callable[[Floats], float], step: Callable[[Floats], Floats]
) -> Floats:
    """The top of a likelihood by Fisher's scoring; a step that would go down is halved."""
    reached = height(at)
    for _ in range(_STEPS):
        change = step(at)
        for _ in range(_HALVINGS):
            new = height(at + change)
            # Relative to the height: a likelihood of thousands of events has no more digits to show
            # a gain.
            if new >= reached - 1e-10 * abs(reached):
                break
            change = change / 2
        at, reached = at + change, new
        if np.abs(change).max() < 1e-11:
            break
    return at


def _with_intercept(columns: Any) -> Floats:
    given = np.asarray(columns, float)
    given = given.reshape(len(given), -1)
    return np.column_stack([np.ones(len(given)), given])


def _errors(information: Floats, by_row: Floats) -> tuple[Floats, Floats]:
    inverse = np.linalg.inv(information)
    robust = inverse @ by_row.T @ by_row @ inverse
    return np.sqrt(np.diag(inverse)), np.sqrt(np.diag(robust))


class Pooled(NamedTuple):
    """One estimate of several: value, standard error, and Q of their disagreement.

    All in the unit of the estimates, Q without a unit.
    """

    value: float
    se: float
    q: float


def pooled(values: Sequence[float], errors: Sequence[float]) -> Pooled:
    """Estimates of groups as one, by inverse variance with the spread between groups.

    Parameters
    ----------
    values, errors : estimates and their standard errors, in the unit of the estimate

    References
    ----------
    DerSimonian R, Laird N (1986) Control. Clin. Trials 7:177-188 (from memory).
    """
    w, sd = np.asarray(values, float), np.asarray(errors, float)
    weight = 1 / sd**2
    fixed = (weight @ w) / weight.sum()
    q = float(weight @ (w - fixed) ** 2)
    between = (q - (len(w) - 1)) / (weight.sum() - (weight @ weight) / weight.sum())
    weight = 1 / (sd**2 + max(between, 0.0))
    return Pooled(float((weight @ w) / weight.sum()), float(np.sqrt(1 / weight.sum())), q)


def morans_i(
    residuals: Floats, distance: Floats, *, within: float, draws: int = 999, seed: int = 1
) -> tuple[float, float]:
    """Whether neighbours are alike: Moran's I of residuals, and the p of a permutation test.

    Parameters
    ----------
    residuals : (n,)
    distance : (n, n), any unit
    within : float, pairs nearer than this are neighbours, same unit

    References
    ----------
    Moran PAP (1950) Biometrika 37:17-23 (from memory).
    """
    near = ((distance < within) & ~np.eye(len(distance), dtype=bool)).astype(float)
    if near.sum() == 0:
        return float("nan"), float("nan")
    centred = residuals - residuals.mean()

    def index(values: Floats) -> float:
        return float(len(values) / near.sum() * (values @ near @ values) / (values @ values))

    seen = index(centred)
    rng = np.random.default_rng(seed)
    hits = sum(index(rng.permutation(centred)) >= seen for _ in range(draws))
    # The order that was seen is one of those possible, so that p is never 0.
    return seen, (1 + hits) / (1 + draws)
