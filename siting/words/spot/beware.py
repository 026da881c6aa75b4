"""What to beware of at one spot, from what the layers say there and how one walks to it."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import shapely

from siting.ground.layers import GroundLayers
from siting.lengths import listed
from siting.scoring.trials import elevation_error_m
from siting.settings.protocol import Protocol
from siting.spot_parts import Walk
from siting.types import Candidate, Land
from siting.words.cautions import Caution, nearby, spot_cautions, texts
from siting.words.mapped import Mapped
from siting.words.spot.reasons import wet_warnings

# The largest set-back from a building or a feeder: within it what is not mapped would matter.
_REACH_M = 50.0


def cautions_at(
    candidate: Candidate,
    walk: Walk | None,
    ground: GroundLayers,
    land: Land,
    protocol: Protocol,
    *,
    general: Sequence[Caution],
    shapes: Mapped,
    frost: bool = True,
) -> tuple[str, ...]:
    """What to beware of at a spot: `general` holds what goes for the whole parcel.

    `shapes` are what is mapped on it; `frost` is whether there may be ice while a camera stands
    here.
    """
    near = nearby(
        shapes,
        place=(candidate.easting, candidate.northing),
        slope_deg=float(ground.layers["view_slope_deg"][candidate.row, candidate.col]),
        park_m=_at(ground, "distance_to_park_m", candidate),
        # A lake of the land cover drowns people like one of a layer.
        cover_water_m=_at(ground, "distance_to_water_m", candidate),
        tree_m=_at(ground, "distance_to_tree_m", candidate),
        walk=walk,
    )
    here = spot_cautions(near, rules=protocol.cautions, frost=frost)
    at = {name: float(v[candidate.row, candidate.col]) for name, v in ground.layers.items()}
    error_m = elevation_error_m(land.dem_cell_m, protocol.stability)
    wet = wet_warnings(at, rules=protocol.wet, dem_cell_m=land.dem_cell_m, error_m=error_m)
    return (*not_mapped_at(land, candidate), *wet, *texts((*general, *here)))


def not_mapped_at(land: Land, candidate: Candidate) -> tuple[str, ...]:
    """Which layers were not mapped at a spot, so that nobody takes their absence for a fact."""
    around = shapely.Point(candidate.easting, candidate.northing).buffer(_REACH_M)
    lost = [n.replace("_", " ") for n, area in land.known_areas.items() if not area.covers(around)]
    if not lost:
        return ()
    what = listed(lost)
    return (f"Not mapped here or close by: {what}. Look around before you choose this place.",)


def _at(ground: GroundLayers, layer: str, candidate: Candidate) -> float:
    """A layer's value at a candidate; infinite where there is no such layer."""
    values = ground.layers.get(layer)
    return np.inf if values is None else float(values[candidate.row, candidate.col])
