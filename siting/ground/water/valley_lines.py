"""Valley lines worked out from the elevations, where no water layer says where streams run."""

from __future__ import annotations

import numpy as np
from shapely.geometry.base import BaseGeometry as Geometry

from siting.ground.known import layers_that_end_before
from siting.ground.water.drainage import derive_streams, outside
from siting.ground.water.engines import Engine, flow_directions
from siting.settings.protocol_ground import DrainageRules
from siting.types import CoverRole, Land, Note, RoleArray

# Cover that needs rain, a stream or groundwater.
_MOIST_ROLES = (
    CoverRole.TREE,
    CoverRole.CROP,
    CoverRole.PASTURE,
    CoverRole.WETLAND,
    CoverRole.WATER,
)


def valley_lines_of(
    land: Land, rules: DrainageRules, engine: Engine
) -> tuple[list[Geometry], tuple[Note, ...]]:
    """Valley lines from the elevations, only where the user gave no water layer."""
    area = land.known_areas.get("water")
    if "water" in land.vectors and area is None:
        return [], ()
    threshold_ha = valley_threshold_ha(land.role, rules)
    lines = derive_streams(
        land.dem,
        transform=land.grid.transform,
        cell_size_m=land.grid.cell_size_m,
        threshold_ha=threshold_ha,
        directions=flow_directions(land.dem, engine=engine),
    )
    if area is not None:
        return outside(lines, area), ()
    return list(lines), (_no_water_layer(land, threshold_ha, found=bool(lines)),)


def _no_water_layer(land: Land, threshold_ha: float, *, found: bool) -> Note:
    """The warning of a run without a water layer."""
    seen = bool((land.role == CoverRole.WATER).any())
    known = (
        "only water wide enough to show in the land cover is known, and nearness is judged by "
        "that alone."
        if seen
        else "streams and ponds are not known, and nearness to them is not judged."
    )
    known_ha = float(np.isfinite(land.dem).sum()) * land.grid.cell_size_m**2 / 1e4
    if found:
        valleys = (
            f"Valley lines worked out from the elevations (over {threshold_ha:g} ha drain to each) "
            f"are shown {'as well' if seen else 'instead'}; they may be dry."
        )
    elif known_ha < 2.0 * threshold_ha:
        # What drains to a valley here may come from beyond the raster.
        valleys = f"The elevations cover {known_ha:.0f} ha: too little to find valley lines."
    else:
        valleys = f"No valley line here drains more than {threshold_ha:g} ha."
    # That a layer ends before the parcel is said by itself (W-EXTENT-01).
    ended = "water" in layers_that_end_before(land.notes)
    text = valleys if ended else f"No water layer was given: {known} {valleys}"
    return Note("W-STREAM-01", "warning", text)


def valley_threshold_ha(role: RoleArray, rules: DrainageRules) -> float:
    """Drained area from which a valley line counts, hectares: larger on land whose cover is dry.

    `role` is (rows, cols) int8; cells of unknown cover say nothing.
    """
    # Lawns and built-up ground say nothing of the rain.
    telling = ~np.isin(role, [CoverRole.UNKNOWN, CoverRole.PARK, CoverRole.BUILT])
    moist = np.isin(role, _MOIST_ROLES).sum() / max(int(telling.sum()), 1)
    dry = telling.any() and moist < rules.dry_cover_share
    return rules.dry_threshold_ha if dry else rules.stream_threshold_ha
