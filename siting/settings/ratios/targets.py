"""Ratios of groups of animals, where they differ from those of all mammals."""

from __future__ import annotations

from typing import Any

from siting.criteria import Target
from siting.settings.protocol_score import Attractors

# Ratio, low and high where a group of animals differs from all mammals (docs/method.md).
_DIFFERENCES: dict[Target, dict[str, dict[str, tuple[float, float, float]]]] = {
    "all mammals": {},
    # Carnivores use trails most of all groups (docs/method.md names the studies).
    "carnivores": {
        "attractors": {
            "trail": (3.5, 1.5, 7.0),
            "crossing": (3.5, 1.2, 7.0),
            "feature": (1.15, 0.9, 1.8),
            "water": (1.4, 0.9, 2.5),
            "edge": (1.2, 0.7, 2.0),
            "opening": (1.0, 0.7, 1.4),
        },
        "conditions": {"quiet": (0.7, 0.4, 1.2)},
    },
    # Deer feed along edges and in openings, and keep farther from people.
    "deer and other ungulates": {
        "attractors": {
            "trail": (1.5, 1.0, 2.5),
            "crossing": (1.5, 0.8, 3.0),
            "funnel": (1.1, 0.7, 1.6),
            "feature": (1.2, 0.9, 1.8),
            "water": (1.2, 0.8, 1.8),
            "edge": (1.5, 0.9, 2.5),
            "soft_edge": (1.3, 0.8, 2.0),
            "opening": (1.3, 0.8, 2.0),
        },
        "conditions": {"view": (0.5, 0.33, 1.0), "quiet": (0.5, 0.25, 1.0)},
    },
    "small mammals": {
        "attractors": {
            "trail": (1.0, 0.4, 1.5),
            "crossing": (2.5, 1.0, 6.0),
            "funnel": (1.0, 0.7, 1.4),
            "feature": (1.0, 0.8, 1.3),
            "water": (1.1, 0.8, 1.6),
            "edge": (1.1, 0.7, 1.6),
            "soft_edge": (1.2, 0.8, 1.8),
            "opening": (1.0, 0.7, 1.4),
        },
        "conditions": {
            "flat": (0.8, 0.5, 1.0),
            "view": (0.5, 0.33, 1.0),
            "quiet": (0.9, 0.6, 1.3),
        },
    },
}
TARGETS: tuple[Target, ...] = tuple(_DIFFERENCES)
"""Groups of animals that have ratios of their own."""
# Small bodies are seen over half the distance (Rowcliffe et al. 2011; Hofmeester et al. 2017).
_SMALL_REACH = 0.5
_BY_DISTANCE = ("trail", "crossing", "feature", "water", "valley", "edge", "soft_edge", "opening")


def settings_for(target: Target) -> dict[str, Any]:
    """The tables of a protocol in which a group of animals differs from the default.

    Examples
    --------
    >>> settings_for("carnivores")["attractors"]["trail"]
    {'ratio': 3.5, 'low': 1.5, 'high': 7.0}
    """
    out: dict[str, Any] = {"scoring": {"target": target}}
    for table, rules in _DIFFERENCES[target].items():
        out[table] = {
            name: {"ratio": ratio, "low": low, "high": high}
            for name, (ratio, low, high) in rules.items()
        }
    if target == "small mammals":
        for name in _BY_DISTANCE:
            knots = Attractors.model_fields[name].default.curve
            out["attractors"].setdefault(name, {})["curve"] = [
                [_SMALL_REACH * x, y] for x, y in knots
            ]
    return out
