"""From land as read to aims: frames, lines, notes; and the far elevations behind the skyline."""

from __future__ import annotations

import datetime as dt
import math
from dataclasses import replace
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import pytest
import rasterio
from pyproj import Geod, Transformer
from rasterio.enums import Resampling
from shapely import LineString, Polygon, box

from siting.grid import Grid
from siting.ground.layers import GroundLayers, build_ground
from siting.heading.choose import (
    COMPASS_DAY,
    _far_side,
    choose_headings,
    followed_lines,
    lookout,
    surroundings,
)
from siting.heading.line_crossing import border_lines
from siting.heading.sun import sun_track
from siting.read.raster import far_dem
from siting.read.raster.far_dem import far_grid, read_far
from siting.scoring.search import HeadingEffect, find_places
from siting.settings.given.rasters import DemInput
from siting.settings.protocol import Protocol
from siting.types import Candidate, CoverRole, Feature, Land
from siting.words.notes import notes_of
from tests.fake_result import CRS, GRID, fake_land

NO_SURVEY = ("", None, None)
SURVEY = ("Etc/GMT+6", dt.date(2027, 4, 1), dt.date(2027, 11, 30))


PROTOCOL = Protocol()


def layers_of(land: Land) -> GroundLayers:
    return build_ground(
        land,
        cover=PROTOCOL.cover,
        camera=PROTOCOL.camera,
        drainage=PROTOCOL.drainage,
        disturbance=PROTOCOL.disturbance,
        brush_m=(PROTOCOL.heading.brush_least_m, PROTOCOL.heading.brush_most_m),
    )


def aims_of(land: Land, *, survey: tuple[Any, Any, Any] = SURVEY) -> tuple[Any, Any]:
    protocol, layers = PROTOCOL, layers_of(land)
    centre = land.parcel_shape.centroid
    row, col = (int(v) for v in land.grid.rowcol(centre.x, centre.y))
    view = lookout(
        land,
        layers,
        camera=protocol.camera,
        heading=protocol.heading,
        sun=protocol.sun,
        survey=survey,
    )
    return choose_headings(
        [Candidate(row, col, float(centre.x), float(centre.y), 0.5, 1)], view=view
    )


def codes(notes: Any) -> list[str]:
    return [note.code for note in notes]


def test_one_aim_for_each_candidate_and_none_for_none() -> None:
    found, notes = aims_of(fake_land())
    assert len(found) == 1
    assert found[0].heading_deg % 5 == 0
    assert codes(notes) == []
    assert choose_headings((), view=None) == ((), ())  # type: ignore[arg-type]


def test_what_was_taken_for_granted_is_told() -> None:
    found, notes = aims_of(fake_land(), survey=NO_SURVEY)
    assert codes(notes) == ["A-TIME-01", "A-TIME-02", "A-COMPASS-01"]
    assert found[0].compass_day == COMPASS_DAY.isoformat()
    # The invented parcel lies at about 81 degrees west in zone 17.
    assert "Etc/GMT+5" in notes_of(notes)[0].text


def test_out_of_the_magnetic_models_years() -> None:
    days = ("UTC", dt.date(2031, 4, 1), dt.date(2031, 5, 1))
    found, notes = aims_of(fake_land(), survey=days)
    assert codes(notes) == ["W-COMPASS-01"]
    assert (
        notes_of(notes)[0].text
        == "No compass heading: the magnetic model only covers 2025 to 2029."
    )
    assert found[0].magnetic_heading_deg is None


def test_the_house_the_road_and_the_parcel_are_seen() -> None:
    house = box(540300, 4820320, 540310, 4820330)
    road = LineString([(540200, 4820200), (540400, 4820200)])
    vectors = {
        "buildings": gpd.GeoDataFrame(geometry=[house], crs=CRS),
        "roads": gpd.GeoDataFrame({"class": ["minor"]}, geometry=[road], crs=CRS),
    }
    land = fake_land(vectors=vectors)
    layers = layers_of(land)
    track = sun_track(43.5, -81.0, time_zone="Etc/GMT+5")
    around = surroundings(land, layers, track=track, reach_m=15.0)
    on_house, on_road, on_grass = (540305, 4820325), (540300, 4820200), (540350, 4820260)
    for place, seen in ((on_house, True), (on_road, True), (on_grass, False)):
        assert around.people[land.grid.rowcol(*place)] == seen
    assert around.inside.sum() * GRID.cell_size_m**2 == pytest.approx(
        land.parcel_shape.area, rel=0.05
    )


def test_lines_come_in_the_order_of_how_surely_animals_follow_them() -> None:
    line = LineString([(540200, 4820200), (540400, 4820200)])
    pond = Polygon([(540200, 4820300), (540240, 4820300), (540240, 4820340)])
    vectors = {
        "trails": gpd.GeoDataFrame({"use": ["game", "busy"]}, geometry=[line, line], crs=CRS),
        "water": gpd.GeoDataFrame(geometry=[line, pond], crs=CRS),
    }
    land = fake_land(vectors=vectors)
    layers = layers_of(land)
    lines = followed_lines(land, layers, reach_m=15.0)
    assert [group.kind for group in lines] == [
        "trail",
        "stream",
        "bank",
        "valley line",
        "forest edge",
    ]
    # A busy trail is no line to watch.
    assert [len(group.geometries) for group in lines[:3]] == [1, 1, 1]
    # The left half of the invented land is woods, the right half field: an edge runs north.
    edge = lines[-1].geometries
    assert edge
    middle = GRID.left + GRID.n_cols // 2 * GRID.cell_size_m
    assert all(abs(shape.centroid.x - middle) < GRID.cell_size_m for shape in edge)


def test_a_pond_and_an_opening_that_only_the_land_cover_knows_have_lines() -> None:
    role = np.full(GRID.shape, CoverRole.TREE, dtype=np.int8)
    role[30:50, 30:60] = CoverRole.WATER
    role[70:82, 40:52] = CoverRole.GRASS  # 0.36 ha: an opening, no field
    land = fake_land(vectors={}, role=role)
    found = {group.kind: group for group in followed_lines(land, layers_of(land), reach_m=15.0)}
    for kind, (row, col), shape in (
        ("bank", (40, 45), (20, 30)),
        ("forest edge", (76, 46), (12, 12)),
    ):
        east, north = GRID.left + col * 5.0, GRID.top - row * 5.0
        outline = box(
            east - shape[1] * 2.5, north - shape[0] * 2.5, east + shape[1] * 2.5,
            north + shape[0] * 2.5,
        ).exterior  # fmt: skip
        rings = found[kind].geometries
        assert rings
        # within one cell of the edge of the cells, but for the corners, which are rounded off
        away = [outline.hausdorff_distance(ring) for ring in rings]
        assert min(away) < 15.0
        assert max(ring.distance(outline) for ring in rings) < 5.0
    # where the layer has the pond, its own outline is the bank
    drawn = gpd.GeoDataFrame(geometry=[box(540150, 4820350, 540300, 4820450)], crs=CRS)
    land = fake_land(vectors={"water": drawn}, role=role)
    banks = [g for g in followed_lines(land, layers_of(land), reach_m=15.0) if g.kind == "bank"]
    assert [len(group.geometries) for group in banks] == [1]


def test_on_wide_cells_the_edge_a_cell_away_is_what_the_camera_looks_at() -> None:
    """A spot stands for its whole cell: at 30 m the edge it was chosen for may be 20 m off."""
    grid = Grid(CRS, GRID.left, GRID.top, 30.0, 40, 40)
    role = np.full(grid.shape, CoverRole.TREE, dtype=np.int8)
    role[:20] = CoverRole.PASTURE
    parcel = box(GRID.left + 60, GRID.top - 1140, GRID.left + 1140, GRID.top - 60)
    land = fake_land(
        grid=grid, vectors={}, role=role, parcel_shape=parcel, height=np.zeros(grid.shape)
    )
    land = replace(land, dem_cell_m=30.0, cover_cell_m=30.0)
    east = GRID.left + 615.0
    north_side, south_side = GRID.top - 580.0, GRID.top - 620.0  # the edge runs at -600
    view = lookout(
        land,
        layers_of(land),
        camera=PROTOCOL.camera,
        heading=PROTOCOL.heading.model_copy(update={"sun_weight": 0.0, "cover_weight": 0.0}),
        sun=PROTOCOL.sun,
        survey=SURVEY,
    )
    (looks_south, looks_north), _ = choose_headings(
        [Candidate(19, 20, east, north_side, 0.5, 1), Candidate(20, 20, east, south_side, 0.5, 1)],
        view=view,
    )
    assert math.cos(math.radians(looks_south.heading_deg)) < -0.3
    assert math.cos(math.radians(looks_north.heading_deg)) > 0.3
    assert looks_south.best.line == "forest edge"


@pytest.mark.parametrize("slope", [0.0, 0.5, 1.0, -2.0])
def test_a_border_of_cells_gets_a_smooth_line_of_the_right_bearing(slope: float) -> None:
    n, cell = 120, 2.0
    grid = Grid(CRS, 0.0, n * cell, cell, n, n)
    x, y = grid.xy(*np.mgrid[0:n, 0:n])
    # Woods below a straight line, drawn in cells of 10 m as a land-cover raster would.
    block = 10.0
    x, y = ((np.floor(v / block) + 0.5) * block for v in (x, y))
    woods = y < 120 + slope * (x - 120)
    lines = border_lines(woods, ~woods, grid=grid, smooth_m=block, within=(60, 60, 180, 180))
    points = np.vstack([np.array(line.coords) for line in lines])
    near = points[(np.abs(points - 120) < 50).all(axis=1)]
    fit = np.polyfit(near[:, 0], near[:, 1], 1)[0] if abs(slope) <= 1 else None
    if fit is not None:
        assert fit == pytest.approx(slope, abs=0.1)
    offset = np.abs(near[:, 1] - 120 - slope * (near[:, 0] - 120)) / math.hypot(1, slope)
    assert offset.max() < 0.8 * block


def test_no_border_no_line() -> None:
    cells = np.ones((50, 50), bool)
    grid = Grid(CRS, 0.0, 100.0, 2.0, 50, 50)
    look = {"grid": grid, "smooth_m": 10.0, "within": (20.0, 20.0, 80.0, 80.0)}
    assert border_lines(cells, ~cells, **look) == []
    assert border_lines(~cells, cells, **look) == []
    outside = {**look, "within": (1000.0, 1000.0, 1100.0, 1100.0)}
    assert border_lines(cells, ~cells, **outside) == []


@pytest.mark.parametrize(("crs", "meridian"), [("EPSG:32617", -81.0), ("EPSG:32733", 15.0)])
@pytest.mark.parametrize("easting", [250_000.0, 500_000.0, 750_000.0])
def test_grid_north_against_the_formula(crs: str, meridian: float, easting: float) -> None:
    """Meridian convergence of a transverse Mercator: tan g = tan(dlon) sin(lat)."""
    northing = 4_800_000.0 if crs == "EPSG:32617" else 6_200_000.0
    grid = Grid(crs, easting - 500, northing + 500, 10.0, 100, 100)
    lon, lat = grid.to_lonlat.transform(easting, northing)
    expected = math.degrees(
        math.atan(math.tan(math.radians(lon - meridian)) * math.sin(math.radians(lat)))
    )
    # Grid north bears east of true north to the east of the meridian in the north.
    assert grid.convergence_deg == pytest.approx(expected, abs=2e-3)


# --- far elevations -------------------------------------------------------------------------


def test_the_far_side_of_a_feature_is_looked_for_from_true_north() -> None:
    """On a map turned by some degrees the place is where a needle, not the grid, points back to."""
    lcc = "+proj=lcc +lat_1=43 +lat_2=44 +lat_0=43.5 +lon_0=-78 +datum=WGS84"
    x, y = Transformer.from_crs("EPSG:4326", lcc, always_xy=True).transform(-90.0, 43.5)
    grid = Grid(lcc, x - 100.0, y + 100.0, 2.0, 100, 100)
    log = Feature("log", x, y, 1.0, "log")
    # a camera that looks at the log along true north stands 28 m due south of it
    lon, lat, _ = Geod(ellps="WGS84").fwd(-90.0, 43.5, 180.0, 28.0)
    back = Transformer.from_crs("EPSG:4326", lcc, always_xy=True).transform(lon, lat)
    open_ground = np.zeros(grid.shape, dtype=bool)
    row, col = (int(v) for v in grid.rowcol(*back))
    open_ground[row - 1 : row + 2, col - 1 : col + 2] = True
    free = _far_side([(x + 28.0, y)], [log], grid=grid, open_ground=open_ground)
    assert abs(grid.convergence_deg) > 5.0
    assert free(0, 0.0)
    assert not free(0, 180.0)


def write_plane(path: Path, *, n: int = 400, cell: float = 5.0, overviews: bool = False) -> None:
    """z = 100 + 0.01 (east - left) + 0.02 (top - north), metres."""
    left, top = 540_000.0, 4_820_000.0
    grid = Grid(CRS, left, top, cell, n, n)
    x, y = grid.xy(*np.mgrid[0:n, 0:n])
    z = 100 + 0.01 * (x - left) + 0.02 * (top - y)
    profile = {
        "driver": "GTiff",
        "height": n,
        "width": n,
        "count": 1,
        "dtype": "float32",
        "crs": CRS,
        "transform": grid.transform,
        "nodata": -9999.0,
    }
    z[:60, :60] = -9999.0
    with rasterio.open(path, "w", **profile) as file:
        file.write(z.astype("f4"), 1)
        if overviews:
            file.build_overviews([2, 4], Resampling.average)


NEAR = Grid(CRS, 540_900.0, 4_819_100.0, 5.0, 40, 40)


@pytest.mark.parametrize("overviews", [False, True])
def test_far_elevations_of_a_plane(tmp_path: Path, overviews: bool) -> None:
    write_plane(tmp_path / "dem.tif", overviews=overviews)
    found = read_far(
        str(tmp_path / "dem.tif"), DemInput(file="dem.tif", z_unit="m"), NEAR, reach_m=3000.0
    )
    assert found is not None
    dem, grid, notes = found.dem, found.grid, found.notes
    assert grid == far_grid(NEAR, reach_m=3000.0)
    x, y = grid.xy(*np.mgrid[0 : grid.n_rows, 0 : grid.n_cols])
    expected = 100 + 0.01 * (x - 540_000) + 0.02 * (4_820_000 - y)
    known = np.isfinite(dem)
    # The file is 2 km x 2 km; the hole in its corner stays a hole.
    assert known.sum() * 900 == pytest.approx(2000**2 - 300**2, rel=0.07)
    assert not known[(x < 540_250) & (y > 4_819_750)].any()
    inside = known & (np.abs(x - 541_000) < 900) & (np.abs(y - 4_819_000) < 900)
    inside &= (x > 540_400) | (y < 4_819_600)
    # Means of six cells lie where they should; a shift by one cell of 5 m would be 0.05 m. From
    # the overviews six of ours are one and a half: the place is held within a tenth of a cell.
    assert np.abs(dem - expected)[inside].max() < (0.067 if overviews else 0.002)
    assert [note.code for note in notes] == ["A-SKYLINE-01"]


def test_feet_become_metres(tmp_path: Path) -> None:
    write_plane(tmp_path / "dem.tif")
    spec = DemInput(file="dem.tif", z_unit="ft")
    metres = read_far(
        str(tmp_path / "dem.tif"), DemInput(file="dem.tif", z_unit="m"), NEAR, reach_m=500.0
    )
    feet = read_far(str(tmp_path / "dem.tif"), spec, NEAR, reach_m=500.0)
    assert metres is not None
    assert feet is not None
    assert np.nanmax(np.abs(feet.dem / metres.dem - 0.3048)) < 1e-5


def test_a_file_without_overviews_is_read_over_a_smaller_circle(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(far_dem, "_MOST_CELLS", 10_000)
    write_plane(tmp_path / "bare.tif")
    write_plane(tmp_path / "rich.tif", overviews=True)
    reach = []
    for name in ("bare.tif", "rich.tif"):
        found = read_far(
            str(tmp_path / name), DemInput(file=name, z_unit="m"), NEAR, reach_m=3000.0
        )
        assert found is not None
        left, _, right, _ = found.grid.bounds
        reach.append((right - left - 200) / 2)
        assert ("would need a raster with overviews" in found.notes[0].text) == (reach[-1] < 2900)
    # 100 cells of 5 m less the 200 m of the grid, to both sides; overviews reach 4 times as far.
    assert reach[0] == pytest.approx(150, abs=31)
    assert reach[1] > 800


@pytest.mark.parametrize("strange", [32767.0, -32768.0, np.nan, np.inf])
def test_undeclared_no_data_makes_no_far_ridge(tmp_path: Path, strange: float) -> None:
    write_plane(tmp_path / "dem.tif")
    with rasterio.open(tmp_path / "dem.tif", "r+") as file:
        z = file.read(1)
        z[303:, :] = strange
        file.write(z, 1)
    found = read_far(
        str(tmp_path / "dem.tif"), DemInput(file="dem.tif", z_unit="m"), NEAR, reach_m=3000.0
    )
    assert found is not None
    known = found.dem[np.isfinite(found.dem)]
    assert known.size > 1000
    assert known.max() < 160


def test_nothing_asked_nothing_read(tmp_path: Path) -> None:
    assert read_far("nowhere.tif", DemInput(file="x"), NEAR, reach_m=0.0) is None


def test_far_elevations_reach_the_skyline() -> None:
    land = fake_land()
    wide = far_grid(land.grid, reach_m=6000.0)
    x, _ = wide.xy(*np.mgrid[0 : wide.n_rows, 0 : wide.n_cols])
    ridge = np.where(x > land.grid.bounds[2] + 3000, 900.0, float(np.nanmin(land.dem)))
    near, _ = aims_of(land)
    far, _ = aims_of(replace(land, far_dem=ridge.astype(np.float32), far_grid=wide))
    assert far[0].best.reach_m > 4000 > near[0].best.reach_m
    assert far[0].sun_minutes[18] < 0.8 * near[0].sun_minutes[18]


def test_places_of_the_search_can_be_aimed() -> None:
    """The real hand-over: what `find_places` gives is what `choose_headings` takes."""
    land = fake_land()
    index = np.random.default_rng(0).random(land.grid.shape).astype(np.float32)
    view = lookout(
        land,
        layers_of(land),
        camera=PROTOCOL.camera,
        heading=PROTOCOL.heading,
        sun=PROTOCOL.sun,
        survey=SURVEY,
    )
    places = find_places(
        index,
        np.ones(land.grid.shape, bool),
        grid=land.grid,
        look=view.quick_score,
        effect=HeadingEffect(-0.2, ((0, 0), (1, 1))),
        spacing_m=40.0,
        most=7,
        lowest=0.0001,
        most_looks=5000,
    )
    found, _ = choose_headings(places.candidates, view=view)
    assert len(found) == len(places.candidates) == 7
    # one skyline for a square of 8 m changes a heading's score by next to nothing
    easting, northing = (
        np.array(v) for v in zip(*((c.easting, c.northing) for c in places.candidates), strict=True)
    )
    np.testing.assert_allclose(
        view.quick_score(easting, northing), view.best_score(easting, northing), atol=0.02
    )
