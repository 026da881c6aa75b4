"""Places drawn at random as the page lists them, each to be reported on like a spot."""

from __future__ import annotations

from typing import Any

import numpy as np

from siting.report.files.random_places import located
from siting.report.shared.frame import unwrapped
from siting.report.shared.text import clean
from siting.types import Result
from siting.words.spot.random_places import what_to_do


def drawn_data(result: Result, *, lon_0: float) -> list[dict[str, Any]]:
    """Every place drawn at random, the main ones before the spares.

    `lon_0` is the parcel's own meridian, degrees: a map across the 180th counts on past it.
    """
    return [
        {
            "id": clean(name),
            "sign": place.sign,
            "label": place.label,
            "stratum": place.stratum,
            "spare": place.spare,
            "lat": lat,
            "lon": float(unwrapped(np.array(lon), lon_0)),
            "degrees": f"{lat:.5f}, {lon:.5f}",
            "radius_m": place.reach_m,
            "words": what_to_do(place, lat),
        }
        for place, name, lon, lat in located(result)
    ]
