"""A small invented result, made without reading a file, for the tests of the reports."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import Any

import geopandas as gpd
import numpy as np
from shapely import LineString, Point, box

from siting.credits import Source
from siting.grid import Grid
from siting.settings.protocol import WalkRules
from siting.spot_parts import Aim, HeadingFacts, HeadingWords, PlaceStability
from siting.types import CoverRole, Feature, Land, NoGo, Note, Parcel, Result, Scores, Spot
from siting.walk.route import find_start, find_walks

CRS = "EPSG:32617"
LEFT, TOP = 540000.0, 4820600.0
GRID = Grid(CRS, LEFT, TOP, 5.0, 120, 120)
PARCEL = box(540100, 4820100, 540500, 4820500)


def frame(*shapes: Any, crs: str = CRS, **columns: Any) -> gpd.GeoDataFrame:
    """A layer of these shapes."""
    return gpd.GeoDataFrame(columns, geometry=list(shapes), crs=crs)


def layers() -> dict[str, gpd.GeoDataFrame]:
    """A brook with a log over it, a pond, a trail, a road, a house, a feeder, cows, a gate."""
    brook = LineString([(540300, 4820600), (540310, 4820300), (540290, 4820000)])
    return {
        "water": frame(brook, Point(540160, 4820440).buffer(20), kind=["stream", "pond"]),
        "trails": frame(
            LineString([(540110, 4820200), (540309, 4820280), (540480, 4820300)]), use=["game"]
        ),
        "crossings": frame(Point(540309, 4820280), kind=["log"]),
        "roads": frame(LineString([(540000, 4820060), (540600, 4820060)]), **{"class": ["minor"]}),
        "buildings": frame(box(540420, 4820110, 540435, 4820125), kind=["house"]),
        "feeders": frame(Point(540440, 4820140), kind=["bird feeder"]),
        "livestock": frame(box(540400, 4820380, 540500, 4820490), kind=["cow pasture"]),
        "way_in": frame(Point(540200, 4820062), name=["Farm gate"]),
    }


def dem(grid: Grid = GRID) -> np.ndarray:
    """Gentle ground that rises to the north, with a knoll."""
    row, col = np.mgrid[0 : grid.n_rows, 0 : grid.n_cols]
    easting, northing = grid.xy(row, col)
    knoll = 8 * np.exp(-((easting - 540200) ** 2 + (northing - 4820350) ** 2) / (2 * 60.0**2))
    return (300 + 0.03 * (northing - 4820000) + knoll).astype(np.float32)


def fake_land(
    *,
    grid: Grid = GRID,
    height: np.ndarray | None = None,
    vectors: Mapping[str, gpd.GeoDataFrame] | None = None,
    parcel_shape: Any = PARCEL,
    role: np.ndarray | None = None,
    label: str = "Hollow farm",
    parcel_id: str = "P01",
) -> Land:
    """What was read of the invented parcel."""
    if role is None:
        role = np.full(grid.shape, CoverRole.GRASS, dtype=np.int8)
        role[:, : grid.n_cols // 2] = CoverRole.TREE
    code = np.where(role == CoverRole.TREE, 41, 71).astype(np.int32)
    return Land(
        grid=grid,
        parcel=Parcel(parcel_id, label, parcel_shape, grid.crs, cell="C1", priority=1.0),
        parcel_shape=parcel_shape,
        dem=dem(grid) if height is None else height.astype(np.float32),
        cover_code=code,
        role=role,
        canopy_m=None,
        vectors=layers() if vectors is None else vectors,
        dem_cell_m=5.0,
        cover_cell_m=10.0,
        coverage={"dem": 1.0, "land_cover": 1.0},
        notes=(Note("A-DEM-01", "assumption", "Elevations are taken to be metres."),),
        sources=(Source("dem", "dem.tif", "0" * 64, {"cell_m": 5.0, "crs": CRS}),),
        class_names={41: "Deciduous forest", 71: "Grassland"},
    )


PLACES = (
    (540297.5, 4820277.5, "crossing", "log over the brook"),
    (540192.5, 4820302.5, "funnel", "saddle between two knolls"),
    (540352.5, 4820202.5, "edge", "edge of wood and field"),
    (540442.5, 4820297.5, "trail", "game trail"),
)


def fake_facts(heading_deg: float, **changes: Any) -> HeadingFacts:
    """One heading on open ground with nothing to say of it, unless changed."""
    facts = HeadingFacts(
        heading_deg=heading_deg,
        sun_minutes=0.0,
        sun_by_hour=np.zeros(24),
        least_sun_minutes=0.0,
        flat_minutes=0.0,
        sun_never_up=False,
        clear_m=12.0,
        zone_m=15.0,
        line="",
        crossing_deg=float("nan"),
        met_m=float("nan"),
        target="",
        target_turn_deg=float("nan"),
        target_m=float("nan"),
        neighbour_share=0.0,
        people_m=float("inf"),
        rise_deg=1.0,
        tilt_deg=0.0,
        brush_share=0.0,
        water_share=0.0,
        reach_m=2000.0,
    )
    return replace(facts, **changes)


def fake_aim(heading_deg: float = 340.0, second_deg: float = 160.0, **changes: Any) -> Aim:
    """A heading as the program would choose it."""
    aim = Aim(
        best=fake_facts(heading_deg),
        second=fake_facts(second_deg),
        score=0.9,
        second_score=0.6,
        magnetic_heading_deg=349.4,
        second_magnetic_deg=169.4,
        declination_deg=-9.4,
        compass_model="WMM2025",
        compass_day="2027-04-01",
        compass_trouble="",
        scores=np.full(72, 0.5),
        parts={"sun": np.full(72, 0.5)},
        sun_minutes=np.zeros(72),
    )
    return replace(aim, **changes)


FACES_NORTH = HeadingWords(
    lens="lens 0.45 m (1.5 ft) above the ground; level, or tilted slightly down",
    reason="faces north, no low sun in the frame",
    second_reason="faces south, low midday sun in the frame",
    notes=("the skyline is known for 2 km only",),
)
FIRM = PlaceStability(0.7, 0.95, 3, 500, "firm")


def with_details(result: Result) -> Result:
    """The result with a heading and a walk for every spot, as a whole run has them."""
    places = [(spot.easting, spot.northing) for spot in result.spots]
    start = find_start(result.land, toward=places[0])
    walks = (
        [None] * len(places)
        if start is None
        else find_walks(result.land, start=start, targets=places, rules=WalkRules())
    )
    spots = [
        replace(spot, aim=fake_aim(), heading_words=FACES_NORTH, walk=walk, stability=FIRM)
        for spot, walk in zip(result.spots, walks, strict=True)
    ]
    return replace(result, spots=tuple(spots))


def fake_spot(rank: int, *, land: Land, **changes: Any) -> Spot:
    """One spot of the invented result."""
    easting, northing, kind, name = PLACES[rank - 1]
    row, col = (int(v) for v in land.grid.rowcol(easting, northing))
    lon, lat = land.grid.to_lonlat.transform(easting, northing)
    spot = Spot(
        rank=rank,
        row=row,
        col=col,
        easting=easting,
        northing=northing,
        lon=lon,
        lat=lat,
        elevation_m=float(land.dem[row, col]),
        score=0.9 - 0.1 * rank,
        site_score=0.88 - 0.1 * rank,
        attraction=0.8,
        conditions=0.7,
        memberships={"trail": 0.9, "water": 0.5, "flat": 0.95},
        measures={"trail_m": 6.0, "water_m": 12.0, "slope_deg": 3.2},
        why=(f"A {name} brings animals past.", "The ground is near flat."),
        pulled_down=("The view is partly blocked by trees.",),
        check=("Is there fresh sign (tracks, droppings)?", "Is the log firm?"),
        cautions=(),
        search_radius_m=15.0,
        kind=kind,
        name=name,
    )
    return replace(spot, **changes)


def fake_result(**land_changes: Any) -> Result:
    """All that is known of the invented parcel after a run."""
    land = fake_land(**land_changes)
    shape = land.grid.shape
    row, col = np.mgrid[0 : shape[0], 0 : shape[1]]
    total = ((np.sin(row / 9.0) * np.cos(col / 11.0) + 1) / 2).astype(np.float32)
    no_go = np.zeros(shape, dtype=np.uint16)
    easting, northing = land.grid.xy(row, col)
    left, bottom, right, top = PARCEL.bounds
    outside = (easting < left) | (easting > right) | (northing < bottom) | (northing > top)
    no_go[outside] |= NoGo.OUTSIDE.value
    no_go[(easting > 540390) & (northing > 4820370) & ~outside] |= NoGo.LIVESTOCK.value
    no_go[np.hypot(easting - 540440, northing - 4820140) < 50] |= NoGo.FEEDER.value
    total[0, :5] = np.nan
    names = ("trail", "water", "flat")
    return Result(
        land=land,
        layers={"slope_deg": np.full(shape, 3.2, dtype=np.float32)},
        scores=Scores(
            memberships=dict.fromkeys(names, total),
            attraction=total,
            conditions=total,
            total=total,
            weights=dict.fromkeys(names, 1.0),
        ),
        no_go=no_go,
        spots=tuple(fake_spot(rank, land=land) for rank in (1, 2, 3, 4)),
        features=(Feature("crossing", 540309.0, 4820280.0, 1.0, "log over the brook"),),
        valley_lines=(),
        notes=(Note("W-COVER-01", "warning", "The land cover is coarser than the grid."),),
        usable_share=0.71,
    )
