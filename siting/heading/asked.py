"""What was worked out for places that a camera's view was asked of: nobody asks twice."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from siting.grid import FloatArray
from siting.heading.judged import Surroundings
from siting.kernels.remembered import remembered
from siting.settings.protocol import CameraRules
from siting.settings.protocol_heading import HeadingRules, SunRules
from siting.types import Feature


@dataclass(frozen=True)
class Asked:
    """Scores 0..1 of the best headings of places, and skylines of squares, that were asked for.

    Places are (easting, northing), metres; a skyline is (horizon in degrees, reach in metres).
    """

    best: dict[tuple[float, float], float]
    quick: dict[tuple[float, float], float]
    skies: dict[tuple[int, int], tuple[FloatArray, FloatArray]]


@remembered()
def nothing_asked(
    around: Surroundings,
    features: tuple[Feature, ...],
    *,
    camera: CameraRules,
    heading: HeadingRules,
    sun: SunRules,
    spans: bool,
) -> Asked:
    """A new `Asked`; where steps are remembered, the one of the same surroundings and rules.

    The scores of headings, 0..1, and the skylines in it follow from these arguments alone.
    """
    del around, features, camera, heading, sun, spans
    return Asked({}, {}, {})


def once(
    known: dict[tuple[float, float], float],
    easting: FloatArray,
    northing: FloatArray,
    work_out: Callable[[FloatArray, FloatArray], FloatArray],
) -> FloatArray:
    """The value of each place, from `known` where it stands there.

    `easting`, `northing` are (n,) metres; the values, (n,), have the unit of what `work_out` gives.
    """
    places = list(zip(easting.tolist(), northing.tolist(), strict=True))
    new = [place for place in dict.fromkeys(places) if place not in known]
    if new:
        found = work_out(*(np.array(axis) for axis in zip(*new, strict=True)))
        known.update(zip(new, found.tolist(), strict=True))
    return np.array([known[place] for place in places])
