"""Criteria that the places of a season are not exact enough to judge."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

import numpy as np

from siting import criteria
from siting.review.recorded.effort import UNSTATED_M
from siting.review.recorded.season import Deployment
from siting.settings.protocol import Protocol

CODE = "W-PLACE-05"
# Our choice. With places 60 m off, 0.71 of a trail's effect is left, at 100 m 0.37 (simulated).
_OF_THE_WIDTH = 1 / 3


def too_vague(
    deployments: Sequence[Deployment], protocol: Protocol, names: Iterable[str]
) -> dict[str, str]:
    """Criteria whose curve is narrower than three times the usual uncertainty of a place, in m.

    A curve over a distance runs on both sides of a line, so its width is twice the distance at
    which it ends.
    """
    if not deployments:
        return {}
    usual_m = float(np.median([one.uncertainty_m or UNSTATED_M for one in deployments]))
    return {
        one.name: CODE
        for one in criteria.CRITERIA
        if one.name in set(names)
        and one.unit == "m"
        and usual_m > _OF_THE_WIDTH * _width_m(protocol, one)
    }


def _width_m(protocol: Protocol, one: criteria.Criterion) -> float:
    section = getattr(
        protocol.attractors if one.kind == "attractor" else protocol.conditions, one.name
    )
    return 2.0 * max(float(x) for x, _ in section.curve)
