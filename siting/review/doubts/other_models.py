"""The slope of records on the score by models that stand on other ground than the review's own."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from siting.review.cameras import Cameras
from siting.review.statistics.glm import Fit, binomial, negative_binomial, poisson
from siting.review.statistics.ranks import Interval
from siting.review.statistics.second_opinion import spatial_counts

Floats = NDArray[np.float64]
_Z90 = 1.6448536269514722
# Errors of these models need many cameras: with 10 to 40 their intervals cover 75 to 82 %
# (simulated). A field over more cameras than this takes minutes.
_LEAST, _MOST_OF_A_FIELD = 40, 200


def other_slopes(cameras: Cameras) -> tuple[tuple[str, Interval], ...]:
    """Slopes without a unit, with 90 % ranges, by the name of the model; none below 40 cameras.

    A model that does not fit the season (every count alike, say) is left out.
    """
    if len(cameras.ids) < _LEAST:
        return ()
    columns = _columns(cameras)
    models: dict[str, Callable[[], tuple[float, float]]] = {
        "alone": lambda: _first(negative_binomial(cameras.events, cameras.days, columns)),
        "busy": lambda: _first(poisson(cameras.events, cameras.days, columns)),
    }
    if cameras.recorded_days is not None:
        whole = np.maximum(np.floor(cameras.days), 1.0)
        recorded = np.minimum(cameras.recorded_days, whole)
        models["days"] = lambda: _first(binomial(recorded, whole, columns))
    if cameras.at_m is not None and len(cameras.ids) <= _MOST_OF_A_FIELD:
        models["field"] = lambda: _of_field(cameras, columns)
    found = {name: _tried(model) for name, model in models.items()}
    return tuple((name, ends) for name, ends in found.items() if ends is not None)


def _columns(cameras: Cameras) -> Floats:
    score = cameras.score[:, None]
    return score if cameras.terms is None else np.column_stack([score, cameras.terms])


def _first(fit: Fit) -> tuple[float, float]:
    """Slope on the score and its error that does not trust the model's variance."""
    return float(fit.coef[1]), float(fit.robust_se[1])


def _of_field(cameras: Cameras, columns: Floats) -> tuple[float, float]:
    at = cameras.at_m
    if at is None:
        return float("nan"), float("nan")
    east, north = at.T
    distance = np.hypot(np.subtract.outer(east, east), np.subtract.outer(north, north))
    fit = spatial_counts(cameras.events, cameras.days, columns, distance)
    return float(fit.coef[1]), float(fit.se[1])


def _tried(model: Callable[[], tuple[float, float]]) -> Interval | None:
    # A second opinion that cannot be had must not cost the first one.
    try:
        with np.errstate(all="ignore"):
            value, error = model()
    except (np.linalg.LinAlgError, ArithmeticError, ValueError):
        return None
    if not np.isfinite([value, error]).all() or error <= 0:
        return None
    return Interval(value, value - _Z90 * error, value + _Z90 * error)
