"""From the land as it was read to the aim of each candidate: the one call the main path makes."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Sequence
from functools import partial

import numpy as np

from siting.grid import Grid
from siting.ground.distance import burn
from siting.ground.layers import Ground as Layers
from siting.ground.shapes.feature_order import serves
from siting.ground.travel.passage import ponds_of_cells
from siting.ground.view import Ground
from siting.heading.aim import aims, by_eight
from siting.heading.compass import FIRST_YEAR, LAST_YEAR, declination
from siting.heading.heading_scores import Surroundings, judge
from siting.heading.limits import closed_to_view
from siting.heading.line_crossing import Lines, border_lines
from siting.heading.sun import SunTrack, sun_track
from siting.settings.protocol import CameraRules
from siting.settings.protocol_heading import HeadingRules, SunRules
from siting.spot_parts import Aim
from siting.types import BoolArray, Candidate, Feature, Land, Remark

COMPASS_DAY = dt.date(2027, 7, 2)
"""Day of the declination where no days are given: the middle of the model's years."""


def find_aims(
    candidates: Sequence[Candidate],
    *,
    land: Land,
    layers: Layers,
    camera: CameraRules,
    heading: HeadingRules,
    sun: SunRules,
    survey: tuple[str, dt.date | None, dt.date | None],
    open_ground: BoolArray | None = None,
) -> tuple[tuple[Aim, ...], tuple[Remark, ...]]:
    """The aim of each candidate, in their order, and what was taken for granted.

    Parameters
    ----------
    candidates : sequence of Candidate
    land : Land
    layers : the layers of this land (woods, fields, valley lines)
    camera, heading, sun : the protocol's tables of these names
    survey : (time zone, first day, last day); "" and None where not given
    open_ground : (rows, cols) bool, True where a camera may stand; None = everywhere

    Raises
    ------
    SitingError
        E-TIME-01, E-TIME-02; see `siting.heading.sun.sun_track`.
    """
    if not candidates:
        return (), ()
    # A spot stands for its whole cell: what drew it there may lie as far away as a cell is wide.
    reach = max(heading.line_reach_m, land.grid.cell_size_m)
    heading = heading.model_copy(update={"line_reach_m": reach})
    place = [(c.easting, c.northing) for c in candidates]
    easting, northing = (np.array(values) for values in zip(*place, strict=True))
    lon, lat = (float(np.mean(v)) for v in land.grid.to_lonlat.transform(*_middle(land)))
    track, remarks = _track(lon, lat, survey)
    around = surroundings(land, layers, track=track, reach_m=heading.line_reach_m)
    served = [serves(layers.features, *spot, reach_m=heading.target_reach_m) for spot in place]
    judged = judge(
        easting,
        northing,
        around=around,
        camera=camera,
        heading=heading,
        sun=sun,
        targets=np.array([(f.easting, f.northing) if f else (np.nan, np.nan) for f in served]),
    )
    if not known_to_metres(land, finest_m=heading.finest_claim_m):
        judged = by_eight(judged)
    day = survey[1] or COMPASS_DAY
    compass = declination(lat, lon, day=day, altitude_m=_altitude(land))
    found = aims(
        judged,
        track=track,
        compass=compass,
        zone_m=camera.zone_m,
        second_turn_deg=heading.second_turn_deg,
        targets=[f.words if f else "" for f in served],
        side_open=_far_side(place, served, grid=land.grid, open_ground=open_ground),
    )
    if survey[1] is None:
        years = {"day": COMPASS_DAY.isoformat(), "first": FIRST_YEAR, "last": LAST_YEAR}
        remarks = (*remarks, Remark("A-COMPASS-01", years))
    if compass.east_deg is None:
        remarks = (*remarks, Remark("W-COMPASS-01", {"trouble": compass.trouble}))
    return found, remarks


def known_to_metres(land: Land, *, finest_m: float) -> bool:
    """Whether ground and lines are known finely enough to tell a heading in degrees.

    Elevations no wider than `finest_m`, and edges drawn from cover cells of twice that at most:
    over the 3 to 10 m to an edge a wider cell turns its bearing by more than an eighth.
    """
    return land.dem_cell_m <= finest_m and land.cover_cell_m <= 2.0 * finest_m


def _far_side(
    place: Sequence[tuple[float, float]],
    served: Sequence[Feature | None],
    *,
    grid: Grid,
    open_ground: BoolArray | None,
) -> Callable[[int, float], bool]:
    """Whether the place from which a heading shows the feature, as far from it, is open ground.

    Headings are from true north; `place` and features are on the grid, whose north may be turned.
    """
    turned_deg = grid.convergence_deg

    def free(i: int, heading_deg: float) -> bool:
        feature = served[i]
        if feature is None or open_ground is None:
            return True
        away = float(np.hypot(feature.easting - place[i][0], feature.northing - place[i][1]))
        on_grid = np.radians(heading_deg - turned_deg)
        east = feature.easting - away * np.sin(on_grid)
        north = feature.northing - away * np.cos(on_grid)
        row = int((grid.top - north) // grid.cell_size_m)
        col = int((east - grid.left) // grid.cell_size_m)
        within = 0 <= row < open_ground.shape[0] and 0 <= col < open_ground.shape[1]
        return within and bool(open_ground[row, col])

    return free


def surroundings(land: Land, layers: Layers, *, track: SunTrack, reach_m: float) -> Surroundings:
    """What the cameras of a parcel look at."""
    grid = land.grid
    shapes = [*land.shapes("roads"), *land.shapes("buildings")]
    far = None
    if land.far_dem is not None and land.far_grid is not None:
        far = Ground(land.far_dem, land.far_grid)
    inside = burn([land.parcel_shape], grid=grid)
    return Surroundings(
        ground=Ground(land.dem, grid),
        far=far,
        track=track,
        role=layers.role,
        inside=inside,
        people=burn(shapes, grid=grid, all_touched=True),
        closed=closed_to_view(land, role=layers.role, inside=inside),
        canopy_m=land.canopy_m,
        lines=followed_lines(land, layers, reach_m=reach_m),
        convergence_deg=grid.convergence_deg,
        dem_cell_m=max(land.dem_cell_m, grid.cell_size_m),
    )


def followed_lines(land: Land, layers: Layers, *, reach_m: float) -> tuple[Lines, ...]:
    """What animals follow past a place, the surest first: trails, streams and banks, edges."""
    lines: list[Lines] = []
    if "trails" in land.vectors:
        trails = land.vectors["trails"]
        lines.append(Lines("trail", list(trails.geometry[trails["use"] != "busy"])))
    if "water" in land.vectors:
        water = land.shapes("water")
        lines.append(Lines("stream", [g for g in water if g.geom_type.endswith("LineString")]))
        lines.append(Lines("bank", [g for g in water if g.geom_type.endswith("Polygon")]))
    # A cell of land cover is no finer than its file: lines drawn from cells are smoothed over that.
    drawn = partial(
        border_lines,
        grid=land.grid,
        smooth_m=land.cover_cell_m,
        within=land.parcel_shape.buffer(reach_m).bounds,
    )
    half = max(10.0, 1.5 * land.cover_cell_m)
    pond = burn(ponds_of_cells(land, layers.role), grid=land.grid)
    shore = Lines("bank", drawn(pond, ~pond), half)
    open_ground = layers.fields | layers.opening
    lines += [shore] if shore.geometries else []
    lines.append(Lines("valley line", layers.valley_lines, land.dem_cell_m * 2))
    lines.append(Lines("forest edge", drawn(layers.woods, open_ground), half))
    return tuple(lines)


def _middle(land: Land) -> tuple[float, float]:
    centre = land.parcel_shape.centroid
    return float(centre.x), float(centre.y)


def _altitude(land: Land) -> float:
    mean = float(np.nanmean(land.dem)) if np.isfinite(land.dem).any() else 0.0
    return min(max(mean, -1000.0), 9000.0)


def _track(
    lon: float, lat: float, survey: tuple[str, dt.date | None, dt.date | None]
) -> tuple[SunTrack, tuple[Remark, ...]]:
    """The sun over the days of the survey, and what was assumed of clock and days."""
    zone, first, last = survey
    remarks: list[Remark] = []
    if not zone:
        hours = round(lon / 15.0)
        zone = f"Etc/GMT{-hours:+d}" if hours else "Etc/GMT"
        remarks.append(Remark("A-TIME-01", {"zone": zone}))
    if first is None and last is None:
        remarks.append(Remark("A-TIME-02"))
    track = sun_track(lat, lon, first_day=first, last_day=last, time_zone=zone)
    return track, tuple(remarks)
