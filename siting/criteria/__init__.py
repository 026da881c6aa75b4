"""What a place is judged by: one row per criterion, with every phrase a reader meets about it.

A criterion is one row in `rows.py`, one section of the same name in `settings/protocol_score.py`
or `settings/protocol_conditions.py` (ratio and curve) and, where no layer serves it yet, one layer
in `ground/layers.py`. Tables, card, letter, page and trials read the rows; none of them keeps a
list of its own.
"""

from __future__ import annotations

import math
from collections.abc import Container, Mapping
from functools import cache
from types import MappingProxyType

from siting.criteria.kinds import (
    ASSUMED,
    DERIVED,
    MAPPED,
    TARGET_GROUPS,
    Attractor,
    Condition,
    Criterion,
    Need,
    Target,
)
from siting.criteria.rows import CRITERIA

__all__ = [
    "ASSUMED",
    "CRITERIA",
    "DERIVED",
    "MAPPED",
    "TARGET_GROUPS",
    "Attractor",
    "Condition",
    "Criterion",
    "Need",
    "Target",
    "attractors",
    "conditions",
    "known_at",
    "label_known",
    "label_of",
    "names",
    "place_label",
    "stood_in_for",
]


@cache
def attractors() -> Mapping[str, Attractor]:
    """The attractors by name, in the order of the rows."""
    return MappingProxyType({row.name: row for row in CRITERIA if isinstance(row, Attractor)})


@cache
def conditions() -> Mapping[str, Condition]:
    """The conditions by name, in the order of the rows."""
    return MappingProxyType({row.name: row for row in CRITERIA if isinstance(row, Condition)})


def names() -> tuple[str, ...]:
    """Names of all criteria, in the order of the rows."""
    return tuple(row.name for row in CRITERIA)


def label_of(name: str, default: str) -> str:
    """What a criterion is called in lists; `default` for a name that is no criterion's."""
    return next((row.label for row in CRITERIA if row.name == name), default)


def place_label(name: str, *, how: str = MAPPED) -> str:
    """What a spot is called by the attractor it stands for; "" for a name that is none.

    `how` is how that is known at the spot.
    """
    row = attractors().get(name)
    return (row.as_known(how).place_label if row else "") or label_known(name, how=how)


def label_known(name: str, *, how: str = MAPPED) -> str:
    """What an attractor is called as it is known at a spot (`how`); "" for a name that is none."""
    row = attractors().get(name)
    return row.as_known(how).label if row else ""


def stood_in_for(name: str, judged: Container[str]) -> bool:
    """Whether a criterion has nothing to say as the thing it stands in for was judged itself.

    Examples
    --------
    >>> stood_in_for("valley", {"water"}), stood_in_for("valley", {"edge"})
    (True, False)
    """
    # Valley lines stand in for streams that nobody mapped.
    return name == "valley" and "water" in judged


def known_at(name: str, measures: Mapping[str, float]) -> str:
    """How what a criterion speaks of is known at a place: mapped, derived or assumed.

    Parameters
    ----------
    name : a criterion
    measures : mapping from layer name to the value at the place, in the unit of the layer, which
        its name ends in
    """
    if name == "trail":
        # A trail that nobody spoke for is nearer: what is said here is said of that one.
        unknown = measures.get("distance_to_unsure_trail_m", math.inf)
        return ASSUMED if unknown <= measures.get("distance_to_trail_m", math.inf) else MAPPED
    row = next(row for row in CRITERIA if row.name == name)
    return DERIVED if any(need.how == (DERIVED,) for need in row.needs) else MAPPED
