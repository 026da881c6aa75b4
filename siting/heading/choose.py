"""From the land as it was read to the aim of each candidate: the one call the main path makes."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import partial

import numpy as np

from siting.grid import FloatArray, Grid
from siting.ground.distance import cells_covered
from siting.ground.layers import GroundLayers as Layers
from siting.ground.shapes.feature_order import served_by
from siting.ground.shapes.mapped import ponds_of_cells
from siting.ground.view import ElevationGrid, Places, Skyline
from siting.heading.aim import aims, by_eight
from siting.heading.asked import Asked, asked_before, once
from siting.heading.compass import FIRST_YEAR, LAST_YEAR, declination
from siting.heading.heading_scores import judge, skyline_of
from siting.heading.judged import Headings, Surroundings
from siting.heading.limits import closed_to_view
from siting.heading.line_crossing import Lines, border_lines
from siting.heading.sun import SunTrack, sun_track
from siting.kernels.bands import of_parts
from siting.kernels.remembered import remembered
from siting.notes import Remark
from siting.settings.protocol import CameraRules
from siting.settings.protocol_heading import HeadingRules, SunRules
from siting.spot_parts import Aim
from siting.types import BoolArray, Candidate, Feature, Land

# Over so short a way only a skyline made by something very close changes; `quick_score` is for the
# search, and the places chosen get skylines of their own.
_SKY_M = 8.0
# The last digits of a sum depend on how many places are asked at once; a place's score must not.
_DECIMALS = 9

# Places whose headings are judged together: two such parts keep two processors busy.
_AT_ONCE = 48

COMPASS_DAY = dt.date(2027, 7, 2)
"""Day of the declination where no days are given: the middle of the model's years."""


@dataclass(frozen=True)
class Lookout:
    """The land as cameras see it: made once, asked of any places.

    `spans` is True where only eight directions can be told, not degrees; `track_remarks` say what
    was assumed of clock and days; `asked` keeps what was worked out for places asked of before.
    """

    land: Land
    around: Surroundings
    features: tuple[Feature, ...]
    camera: CameraRules
    heading: HeadingRules
    sun: SunRules
    spans: bool
    survey: tuple[str, dt.date | None, dt.date | None]
    track_remarks: tuple[Remark, ...]
    asked: Asked

    def judged(
        self, easting: FloatArray, northing: FloatArray, *, sky: Skyline | None = None
    ) -> Headings:
        """Every heading of places at (n,) eastings and northings, metres."""
        served = served_by(self.features, easting, northing, reach_m=self.heading.target_reach_m)
        targets = np.array([(f.easting, f.northing) if f else (np.nan, np.nan) for f in served])
        found = judge(
            easting,
            northing,
            around=self.around,
            camera=self.camera,
            heading=self.heading,
            sun=self.sun,
            targets=targets,
            sky=sky,
        )
        return by_eight(found) if self.spans else found

    def best_score(self, easting: FloatArray, northing: FloatArray) -> FloatArray:
        """Score of the best heading of each place, 0..1; 0 where none is open."""
        return once(self.asked.best, easting, northing, lambda east, north: self._best(east, north))

    def quick_score(self, easting: FloatArray, northing: FloatArray) -> FloatArray:
        """The same with one skyline for all places of a square of 8 m: it changes slowly."""

        def quick(east: FloatArray, north: FloatArray) -> FloatArray:
            sky = self._shared_sky(east, north)

            def best(part: slice) -> FloatArray:
                known = Skyline(sky.horizon_deg[part], sky.reach_m[part])
                return self._best(east[part], north[part], known)

            return np.concatenate(of_parts(best, len(east), size=_AT_ONCE))

        return once(self.asked.quick, easting, northing, quick)

    def _best(
        self, easting: FloatArray, northing: FloatArray, sky: Skyline | None = None
    ) -> FloatArray:
        sky = self._low_sky((easting, northing)) if sky is None else sky
        best = self.judged(easting, northing, sky=sky).score.max(axis=1)
        return np.asarray(np.round(best, _DECIMALS))

    def _low_sky(self, place: Places) -> Skyline:
        return skyline_of(place, self.around, self.camera, self.sun, low_sun_alone=True)

    def _shared_sky(self, easting: FloatArray, northing: FloatArray) -> Skyline:
        squares = [
            (int(e), int(n)) for e, n in zip(easting // _SKY_M, northing // _SKY_M, strict=True)
        ]
        # Sorted: the skylines of one call are worked out together, and sets have no order of their
        # own.
        skies = self.asked.skies
        new = sorted(set(squares) - skies.keys())
        if new:
            east, north = (np.array(axis) * _SKY_M + _SKY_M / 2 for axis in zip(*new, strict=True))

            def seen(part: slice) -> Skyline:
                return self._low_sky((east[part], north[part]))

            found = of_parts(seen, len(new), size=_AT_ONCE)
            pairs = (pair for sky in found for pair in zip(*sky, strict=True))
            skies.update(zip(new, pairs, strict=True))
        horizon, reach = (np.stack(part) for part in zip(*(skies[s] for s in squares), strict=True))
        return Skyline(horizon, reach)


def lookout(
    land: Land,
    layers: Layers,
    *,
    camera: CameraRules,
    heading: HeadingRules,
    sun: SunRules,
    survey: tuple[str, dt.date | None, dt.date | None],
    track: tuple[SunTrack, tuple[Remark, ...]] | None = None,
) -> Lookout:
    """What is needed to judge headings anywhere on a piece of land.

    Parameters
    ----------
    land : Land
    layers : the layers of this land (woods, fields, valley lines)
    camera, heading, sun : the protocol's tables of these names
    survey : (time zone, first day, last day); "" and None where not given
    track : what `sun_over` gives for this land and survey, where it is known; None works it out

    Raises
    ------
    SitingError
        E-TIME-01, E-TIME-02; see `siting.heading.sun.sun_track`.
    """
    # A spot stands for its whole cell: what drew it there may lie as far away as a cell is wide.
    reach = max(heading.line_reach_m, land.grid.cell_size_m)
    heading = heading.model_copy(update={"line_reach_m": reach})
    over, remarks = track if track is not None else sun_over(land, survey)
    around = surroundings(land, layers, track=over, reach_m=heading.line_reach_m)
    spans = not known_to_metres(land, finest_m=heading.finest_claim_m)
    return Lookout(
        land=land,
        around=around,
        features=layers.features,
        camera=camera,
        heading=heading,
        sun=sun,
        spans=spans,
        survey=survey,
        track_remarks=remarks,
        asked=asked_before(
            around, layers.features, camera=camera, heading=heading, sun=sun, spans=spans
        ),
    )


def choose_headings(
    candidates: Sequence[Candidate], *, view: Lookout, open_ground: BoolArray | None = None
) -> tuple[tuple[Aim, ...], tuple[Remark, ...]]:
    """The aim of each candidate, in their order, and what was taken for granted.

    `open_ground` is (rows, cols) bool, True where a camera may stand; None = everywhere.
    """
    if not candidates:
        return (), ()
    land, remarks, first_day = view.land, view.track_remarks, view.survey[1]
    place = [(c.easting, c.northing) for c in candidates]
    easting, northing = (np.array(values) for values in zip(*place, strict=True))
    served = served_by(view.features, easting, northing, reach_m=view.heading.target_reach_m)
    lon, lat = (float(np.mean(v)) for v in land.grid.to_lonlat.transform(*_middle(land)))
    day = first_day or COMPASS_DAY
    compass = declination(lat, lon, day=day, altitude_m=_altitude(land))
    found = aims(
        view.judged(easting, northing),
        track=view.around.track,
        compass=compass,
        zone_m=view.camera.zone_m,
        second_turn_deg=view.heading.second_turn_deg,
        targets=[f.words if f else "" for f in served],
        side_open=_far_side(place, served, grid=land.grid, open_ground=open_ground),
    )
    # The needle turns by some tenths of a degree a year: the card must say for which day it holds.
    if first_day is None:
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


@remembered("land", "layers")
def surroundings(land: Land, layers: Layers, *, track: SunTrack, reach_m: float) -> Surroundings:
    """What the cameras of a parcel look at.

    Parameters
    ----------
    land : Land
    layers : Ground, the layers of this land
    track : SunTrack of the survey's days at this place
    reach_m : float, how far from the parcel lines are looked for, metres
    """
    grid = land.grid
    shapes = [*land.shapes("roads"), *land.shapes("buildings")]
    far = None
    if land.far_dem is not None and land.far_grid is not None:
        far = ElevationGrid(land.far_dem, land.far_grid)
    inside = cells_covered([land.parcel_shape], grid=grid)
    return Surroundings(
        ground=ElevationGrid(land.dem, grid),
        far=far,
        track=track,
        role=layers.role,
        inside=inside,
        people=cells_covered(shapes, grid=grid, all_touched=True),
        closed=closed_to_view(land, role=layers.role, inside=inside),
        canopy_m=land.canopy_m,
        lines=followed_lines(land, layers, reach_m=reach_m),
        convergence_deg=grid.convergence_deg,
        dem_cell_m=max(land.dem_cell_m, grid.cell_size_m),
    )


@remembered("land", "layers")
def followed_lines(land: Land, layers: Layers, *, reach_m: float) -> tuple[Lines, ...]:
    """What animals follow past a place, the surest first: trails, streams and banks, edges.

    Parameters
    ----------
    land : Land
    layers : Ground, the layers of this land
    reach_m : float, lines farther than this outside the parcel's bounds are left out, metres
    """
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
    # Over less than a cell and a half a line drawn from cells shows only the steps of its cells.
    half = max(10.0, 1.5 * land.cover_cell_m)
    pond = cells_covered(ponds_of_cells(land, layers.role), grid=land.grid)
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
    # Within what the model takes; a height in the wrong unit must not stop the run here.
    return min(max(mean, -1000.0), 9000.0)


def sun_over(
    land: Land, survey: tuple[str, dt.date | None, dt.date | None]
) -> tuple[SunTrack, tuple[Remark, ...]]:
    """The sun over a land in the days of the survey, and what was assumed of clock and days.

    `survey` is (time zone, first day, last day), "" and None where not given. Raises SitingError
    E-TIME-01, E-TIME-02; see `siting.heading.sun.sun_track`.
    """
    lon, lat = (float(np.mean(v)) for v in land.grid.to_lonlat.transform(*_middle(land)))
    zone, first, last = survey
    remarks: list[Remark] = []
    if not zone:
        # Zones named Etc/GMT count westwards: eight hours behind is Etc/GMT+8.
        hours = round(lon / 15.0)
        zone = f"Etc/GMT{-hours:+d}" if hours else "Etc/GMT"
        remarks.append(Remark("A-TIME-01", {"zone": zone, "hours": hours}))
    if first is None and last is None:
        remarks.append(Remark("A-TIME-02"))
    track = sun_track(lat, lon, first_day=first, last_day=last, time_zone=zone)
    return track, tuple(remarks)
