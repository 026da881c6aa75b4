"""From layers to memberships, and from memberships to an index that can be taken apart again.

The index is a rate ratio: 1 is clear, quiet, gentle ground with nothing to follow. On the scale of
logarithms it is a sum, S = sum over groups (strongest + share x next) - sum over conditions
|w| (1 - m), so that every part of it can be shown as one signed piece of a bar, and halving all
weights leaves the order of places as it was.
"""

from __future__ import annotations

from collections.abc import Collection, Iterator, Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np

from siting import criteria
from siting.grid import FloatArray
from siting.kernels.bands import in_bands
from siting.kernels.curves import Knots, membership
from siting.kernels.remembered import remembered, remembering
from siting.settings.protocol_conditions import Conditions
from siting.settings.protocol_score import Attractors, Rule, Scoring
from siting.types import Scores

Weight = float | FloatArray


@dataclass(frozen=True, eq=False, repr=False)
class Memberships(Mapping[str, FloatArray]):
    """Memberships 0..1 by criterion, worked out from the layers whenever they are asked for.

    Kept they would take four bytes a cell each, and few are asked for once the index is known.

    Parameters
    ----------
    layers : mapping from criterion to its layer, an array of any shape; NaN = not known
    curves : mapping from criterion to its knots
    """

    layers: Mapping[str, FloatArray]
    curves: Mapping[str, Knots]

    def __getitem__(self, name: str) -> FloatArray:
        return membership(self.layers[name], self.curves[name])

    def __contains__(self, name: object) -> bool:
        # That of a Mapping asks for the value, which would be worked out for a yes or no.
        return name in self.layers

    def __iter__(self) -> Iterator[str]:
        return iter(self.layers)

    def __len__(self) -> int:
        return len(self.layers)


def memberships_at(memberships: Mapping[str, FloatArray], cells: Any) -> dict[str, FloatArray]:
    """Memberships of some cells, float32; `cells` is anything that picks them from an array."""
    return {name: membership_at(memberships, name, cells) for name in memberships}


def membership_at(memberships: Mapping[str, FloatArray], name: str, cells: Any) -> FloatArray:
    """Membership 0..1 of one criterion on some cells, float32; `cells` as of `memberships_at`."""
    if isinstance(memberships, Memberships):
        return membership(memberships.layers[name][cells], memberships.curves[name])
    return np.asarray(memberships[name][cells])


def memberships(
    layers: Mapping[str, FloatArray], *, attractors: Attractors, conditions: Conditions
) -> Mapping[str, FloatArray]:
    """Membership 0..1 of every criterion that has its layer and may have an effect.

    Parameters
    ----------
    layers : mapping from layer name to an array of any shape; NaN = not known

    Returns
    -------
    mapping from criterion name to float32 array of the same shape, in the order of the rows
    """
    given: dict[str, FloatArray] = {}
    curves: dict[str, Knots] = {}
    for row in criteria.CRITERIA:
        rule = rule_of(row.name, attractors=attractors, conditions=conditions)
        if row.layer in layers and counts(rule):
            given[row.name], curves[row.name] = layers[row.layer], rule.curve
    if remembering():
        # At the desk time counts: only those are worked out whose layer has changed.
        return {name: _membership(layer, curves[name]) for name, layer in given.items()}
    return Memberships(given, curves)


@remembered()
def _membership(layer: FloatArray, curve: Knots) -> FloatArray:
    return membership(layer, curve)


def rule_of(name: str, *, attractors: Attractors, conditions: Conditions) -> Rule:
    """The protocol's table of a criterion."""
    rule: Rule = getattr(attractors if name in criteria.attractors() else conditions, name)
    return rule


def counts(rule: Rule) -> bool:
    """False where neither the ratio nor its interval leaves room for an effect."""
    return not rule.ratio == rule.low == rule.high == 1.0


def weights_of(
    names: Mapping[str, FloatArray], *, attractors: Attractors, conditions: Conditions
) -> dict[str, float]:
    """The protocol's weight of each criterion in `names`: the logarithm of its ratio (no unit)."""
    return {
        name: rule_of(name, attractors=attractors, conditions=conditions).weight for name in names
    }


def strengths(memberships: Mapping[str, float], weights: Mapping[str, float]) -> dict[str, float]:
    """Weighted membership of each attractor that is judged, on the scale of the index's logarithm.

    Parameters
    ----------
    memberships : mapping from criterion to 0..1
    weights : mapping from criterion to the logarithm of its ratio
    """
    return {
        name: memberships[name] * weights[name]
        for name in criteria.attractors()
        if name in memberships
    }


def strongest_attractor(memberships: Mapping[str, float], weights: Mapping[str, float]) -> str:
    """The attractor that speaks most for a spot, "" when there is none.

    Parameters
    ----------
    memberships : mapping from criterion to 0..1
    weights : mapping from criterion to the logarithm of its ratio
    """
    strength = strengths(memberships, weights)
    best = max(strength, key=lambda n: strength[n], default="")
    return best if best and strength[best] > 0 else ""


def combine(
    memberships: Mapping[str, FloatArray], *, weights: Mapping[str, Weight], scoring: Scoring
) -> Scores:
    """The index of each place, and its two factors.

    Attractors of one group speak of one fact: the strongest counts in full, the next the stated
    share, and one that keeps animals away in full. Conditions count by how far they fail. What is
    not judged, being absent from `memberships`, neither raises nor lowers the index.

    Parameters
    ----------
    memberships : mapping from criterion to float array in 0..1, all of one shape, NaN = not known
    weights : mapping from criterion to the logarithm of its ratio; arrays, too, as long as all
        shapes go together
    scoring : Scoring

    Returns
    -------
    Scores with float32 arrays; NaN where any membership is NaN

    Examples
    --------
    >>> two = {"trail": np.float32([1.0]), "water": np.float32([0.5]), "view": np.float32([0.0])}
    >>> logs = {"trail": np.log(1.6), "water": np.log(1.44), "view": np.log(0.5)}
    >>> found = combine(two, weights=logs, scoring=Scoring())
    >>> found.attraction.round(3), found.conditions, found.total.round(3)
    (array([1.92], dtype=float32), array([0.5], dtype=float32), array([0.96], dtype=float32))
    """
    shape = _common_shape(memberships, weights)
    attraction, conditions, total = (np.empty(shape, dtype=np.float32) for _ in range(3))
    # Drawn weights have an axis of their own, which bands of rows would cut.
    if len(shape) == 2 and not any(np.ndim(weights[name]) for name in memberships):

        def fill(rows: slice) -> None:
            part = memberships_at(memberships, rows)
            found = _factors(part, weights, scoring, total[rows].shape)
            attraction[rows], conditions[rows], total[rows] = found

        in_bands(fill, (shape[0], shape[1]))
    else:
        attraction[...], conditions[...], total[...] = _factors(
            memberships, weights, scoring, shape
        )
    return Scores(
        memberships=memberships,
        attraction=attraction,
        conditions=conditions,
        total=total,
        weights={name: float(np.mean(weights[name])) for name in memberships},
    )


def parts_of(
    memberships: Mapping[str, FloatArray], *, weights: Mapping[str, Weight], scoring: Scoring
) -> dict[str, FloatArray]:
    """What each criterion adds to the logarithm of the index; the parts add up to it.

    Parameters and shapes as for `combine`; float64, without a unit, in the order of `memberships`.
    Of a group all but the two strongest and the one that takes away most are 0.

    Examples
    --------
    >>> ways = {"trail": np.array([1.0]), "crossing": np.array([1.0])}
    >>> parts = parts_of(ways, weights={"trail": 0.5, "crossing": 0.7}, scoring=Scoring())
    >>> {name: float(part[0]) for name, part in parts.items()}
    {'trail': 0.15, 'crossing': 0.7}
    """
    shape = _common_shape(memberships, weights)
    out: dict[str, FloatArray] = {
        name: np.broadcast_to(weights[name] * (1.0 - value.astype(np.float64)), shape)
        for name, value in memberships.items()
        if name not in criteria.attractors()
    }
    for group in _groups(memberships):
        worth = np.stack([_worth(memberships, weights, name, shape) for name in group])
        order = np.argsort(-worth, axis=0, kind="stable")
        # Places by a stable sort: of equals the row that stands first in the table counts in full.
        place = np.argsort(order, axis=0, kind="stable")
        share = np.where(place == 0, 1.0, np.where(place == 1, scoring.second_share, 0.0))
        # What keeps animals away counts in full, but only the strongest of it.
        least = (place == len(group) - 1) & (worth < 0)
        given = np.where(worth > 0, share, np.where(least, 1.0, 0.0)) * worth
        out |= dict(zip(group, given, strict=True))
    return {name: out[name] for name in memberships}


def _factors(
    memberships: Mapping[str, FloatArray],
    weights: Mapping[str, Weight],
    scoring: Scoring,
    shape: tuple[int, ...],
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Attraction, conditions and index; NaN where any membership is NaN."""
    draws, holds = log_factors(memberships, weights, scoring, shape)
    total = _exp(draws + holds)
    attraction, conditions = _exp(draws), _exp(holds)
    unknown = ~np.isfinite(total)
    # One of the two factors may be known alone; shown beside an index that is not, it would
    # mislead.
    attraction[unknown], conditions[unknown], total[unknown] = np.nan, np.nan, np.nan
    return attraction, conditions, total


def _exp(logarithm: FloatArray) -> FloatArray:
    """Exponentials that are the same to the last digit with every version of numpy."""
    from siting.kernels import exponentials

    given = np.ascontiguousarray(logarithm, dtype=np.float64)
    out = np.empty_like(given)
    exponentials(given.ravel(), out.ravel())
    return out.reshape(np.shape(logarithm))


def log_factors(
    memberships: Mapping[str, FloatArray],
    weights: Mapping[str, Weight],
    scoring: Scoring,
    shape: tuple[int, ...],
) -> tuple[FloatArray, FloatArray]:
    """What attractors add to the logarithm of the index, and what conditions take away.

    Parameters
    ----------
    memberships : mapping from criterion to float array, 0..1, NaN = not known
    weights : mapping from criterion to the logarithm of its ratio, float or array
    scoring : Scoring
    shape : what all of these broadcast to

    Returns
    -------
    two float64 arrays of that shape, without a unit, the second 0 or below
    """
    draws, holds = np.zeros(shape), np.zeros(shape)
    for group in _groups(memberships):
        draws += _group_sum([_worth(memberships, weights, name, shape) for name in group], scoring)
    for name in memberships:
        if name not in criteria.attractors():
            holds += weights[name] * (1.0 - memberships[name].astype(np.float64))
    return draws, holds


def by_fact(judged: Collection[str]) -> dict[str, int]:
    """Criteria by the fact they speak of, numbered as they come; -1 for conditions, which are last.

    Examples
    --------
    >>> by_fact(["view", "water", "trail"])
    {'trail': 0, 'water': 1, 'view': -1}
    """
    out = {name: n for n, group in enumerate(_groups(judged)) for name in group}
    return out | {name: -1 for name in judged if name not in out}


def _groups(memberships: Collection[str]) -> list[list[str]]:
    """Attractors that are judged, by the fact they speak of, in the order of the rows."""
    found: dict[str, list[str]] = {}
    for name, row in criteria.attractors().items():
        if name in memberships:
            found.setdefault(row.group, []).append(name)
    return list(found.values())


def _worth(
    memberships: Mapping[str, FloatArray],
    weights: Mapping[str, Weight],
    name: str,
    shape: tuple[int, ...],
) -> FloatArray:
    return np.broadcast_to(weights[name] * memberships[name].astype(np.float64), shape)


def _group_sum(worth: list[FloatArray], scoring: Scoring) -> FloatArray:
    """Strongest, a share of the next, and the most negative, which a maximum would hide."""
    first, second, least = (np.zeros(worth[0].shape) for _ in range(3))
    for value in worth:
        second = np.maximum(second, np.minimum(first, value))
        first = np.maximum(first, value)
        least = np.minimum(least, value)
    return first + scoring.second_share * second + least


def _common_shape(
    parts: Mapping[str, FloatArray], weights: Mapping[str, Weight]
) -> tuple[int, ...]:
    # A layer has the shape of its membership, and is there already.
    arrays = parts.layers if isinstance(parts, Memberships) else parts
    return np.broadcast_shapes(
        *(value.shape for value in arrays.values()), *(np.shape(weights[name]) for name in parts)
    )
