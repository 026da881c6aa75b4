"""From layers to memberships, and from memberships to one score that can be taken apart again."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from siting import criteria
from siting.bands import in_bands
from siting.curves import membership
from siting.grid import FloatArray
from siting.settings.protocol import Attractors, Conditions, Scoring
from siting.types import Scores

Weight = float | FloatArray
_NOTHING = 1e-12


def memberships(
    layers: Mapping[str, FloatArray], *, attractors: Attractors, conditions: Conditions
) -> dict[str, FloatArray]:
    """Membership 0..1 of every criterion that has its layer and a weight above 0.

    Parameters
    ----------
    layers : mapping from layer name to an array of any shape; NaN = not known

    Returns
    -------
    mapping from criterion name to float32 array of the same shape, in the order of the rows
    """
    out: dict[str, FloatArray] = {}
    for row in criteria.CRITERIA:
        rule = getattr(attractors if row.kind == "attractor" else conditions, row.name)
        if row.layer in layers and rule.weight > 0:
            out[row.name] = membership(layers[row.layer], rule.curve)
    return out


def weights_of(
    names: Mapping[str, FloatArray], *, attractors: Attractors, conditions: Conditions
) -> dict[str, float]:
    """The protocol's weight of each criterion in `names`."""
    out: dict[str, float] = {}
    for name in names:
        section = attractors if name in criteria.attractors() else conditions
        out[name] = float(getattr(section, name).weight)
    return out


def strengths(memberships: Mapping[str, float], weights: Mapping[str, float]) -> dict[str, float]:
    """Weighted membership of each attractor that is judged."""
    return {
        name: memberships[name] * weights[name]
        for name in criteria.attractors()
        if name in memberships
    }


def strongest_attractor(memberships: Mapping[str, float], weights: Mapping[str, float]) -> str:
    """The attractor that speaks most for a spot, "" when there is none."""
    strength = strengths(memberships, weights)
    best = max(strength, key=lambda n: strength[n], default="")
    return best if best and strength[best] > 0 else ""


def combine(
    memberships: Mapping[str, FloatArray], *, weights: Mapping[str, Weight], scoring: Scoring
) -> Scores:
    """One score of 0..1 from the memberships.

    Attractors stand in for one another: attraction = 1 - prod(1 - w m), the fuzzy algebraic sum
    of weighted memberships. Conditions must all hold: conditions = prod(m ** (w / sum w)), the
    weighted geometric mean. total = attraction ** a * conditions ** (1 - a). With the method
    "weighted mean" total = sum(w m) / sum(w) over all criteria; attraction and conditions are
    then the weighted means of their own group.

    Parameters
    ----------
    memberships : mapping from criterion to float array in 0..1, all of one shape, NaN = not known
    weights : mapping from criterion to its weight; arrays, too, as long as all shapes go together
    scoring : Scoring

    Returns
    -------
    Scores with float32 arrays; NaN where any membership is NaN

    References
    ----------
    Bonham-Carter GF (1994) Geographic Information Systems for Geoscientists, Pergamon: fuzzy
    algebraic sum.

    Examples
    --------
    >>> two = {"trail": np.float32([0.75]), "water": np.float32([0.5])}
    >>> combine(two, weights={"trail": 1.0, "water": 1.0}, scoring=Scoring()).attraction
    array([0.875], dtype=float32)
    """
    shape = _common_shape(memberships, weights)
    attraction, conditions, total = (np.empty(shape, dtype=np.float32) for _ in range(3))
    if len(shape) == 2 and not any(np.ndim(weights[name]) for name in memberships):

        def fill(rows: slice) -> None:
            part = {name: value[rows] for name, value in memberships.items()}
            found = _combined(part, weights, scoring, total[rows].shape)
            attraction[rows], conditions[rows], total[rows] = found

        in_bands(fill, (shape[0], shape[1]))
    else:
        attraction[...], conditions[...], total[...] = _combined(
            memberships, weights, scoring, shape
        )
    return Scores(
        memberships=memberships,
        attraction=attraction,
        conditions=conditions,
        total=total,
        weights={name: float(np.mean(weights[name])) for name in memberships},
    )


def _combined(
    memberships: Mapping[str, FloatArray],
    weights: Mapping[str, Weight],
    scoring: Scoring,
    shape: tuple[int, ...],
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Attraction, conditions and total; NaN where any membership is NaN."""
    first = {n: m for n, m in memberships.items() if n in criteria.attractors()}
    second = {n: m for n, m in memberships.items() if n in criteria.conditions()}
    if scoring.method == "weighted mean":
        attraction = _weighted_mean(first, weights, shape)
        conditions = _weighted_mean(second, weights, shape)
        total = _weighted_mean(memberships, weights, shape)
    else:
        attraction = _algebraic_sum(first, weights, shape)
        conditions = _geometric_mean(second, weights, shape)
        share = scoring.attraction_share
        total = attraction**share * conditions ** (1.0 - share)
    unknown = ~np.isfinite(total)
    attraction[unknown] = np.nan
    conditions[unknown] = np.nan
    return attraction, conditions, total


def _common_shape(
    parts: Mapping[str, FloatArray], weights: Mapping[str, Weight]
) -> tuple[int, ...]:
    return np.broadcast_shapes(
        *(value.shape for value in parts.values()), *(np.shape(weights[name]) for name in parts)
    )


def _algebraic_sum(
    parts: Mapping[str, FloatArray], weights: Mapping[str, Weight], shape: tuple[int, ...]
) -> FloatArray:
    left = np.ones(shape, dtype=np.float64)
    for name, value in parts.items():
        left *= 1.0 - weights[name] * value.astype(np.float64)
    return 1.0 - left


def _geometric_mean(
    parts: Mapping[str, FloatArray], weights: Mapping[str, Weight], shape: tuple[int, ...]
) -> FloatArray:
    # Weights that are all nothing leave every exponent at nothing, not at 0 / 0.
    whole = np.maximum(sum(weights[name] for name in parts), _NOTHING)
    out = np.ones(shape, dtype=np.float64)
    for name, value in parts.items():
        out *= value.astype(np.float64) ** (weights[name] / whole)
    return out


def _weighted_mean(
    parts: Mapping[str, FloatArray], weights: Mapping[str, Weight], shape: tuple[int, ...]
) -> FloatArray:
    # Weights that are all nothing leave every exponent at nothing, not at 0 / 0.
    whole = np.maximum(sum(weights[name] for name in parts), _NOTHING)
    out = np.zeros(shape, dtype=np.float64)
    for name, value in parts.items():
        out += (weights[name] / whole) * value.astype(np.float64)
    return out
