"""Time and memory have a bound, whatever a file holds: seconds are those of the processor."""

from __future__ import annotations

import sqlite3
import time

import numpy as np
import pytest
import rasterio
import shapely

from siting.errors import SitingError
from siting.read.vector.effort import check_effort
from tests.bad_inputs.land import LEFT, TOP, Land, clean, frame
from tests.bad_inputs.runner import run

ENDLESS = "with recursive n(i) as (select 1 union all select i + 1 from n) select "
VIEWS = {
    "rows without end": f"{ENDLESS} i as fid, (select geom from base) as geom from n",
    "a column without end": f"select fid, geom, ({ENDLESS} count(*) from n) as id from base",
    "a value of a gigabyte": "select fid, geom, zeroblob(900000000) as id from base",
    "a function of nobody's": "select fid, own_thing(geom) as geom, id from base",
}


def view(land: Land, question: str) -> Land:
    """A layer of water that is a view, told to be a layer as map programs tell it."""
    path = land.folder / "w.gpkg"
    frame(land.outline.boundary, id=["a"]).to_file(path, layer="base")
    with sqlite3.connect(path) as base:
        base.execute(f"create view v as {question}")
        for table in ("gpkg_contents", "gpkg_geometry_columns"):
            names = [row[1] for row in base.execute(f"pragma table_info({table})")]
            kept = ", ".join("'v'" if n in ("table_name", "identifier") else n for n in names)
            base.execute(f"insert into {table} select {kept} from {table} limit 1")
    base.close()
    return land.set("layers.water", "w.gpkg::v")


@pytest.mark.slow
@pytest.mark.parametrize("question", VIEWS.values(), ids=VIEWS)
def test_a_view_that_would_hang_or_swell_ends_with_a_code(question, tmp_path):
    found = run(view(clean(tmp_path), question), "check")
    assert found.status == 3
    assert "E-FILE-06" in found.out
    assert found.seconds < 20.0


def test_a_plain_view_is_read_as_any_layer(tmp_path):
    found = run(view(clean(tmp_path), "select fid, geom, id from base"), "score")
    assert found.status == 0, found.err
    assert len(found.result.land.vectors["water"]) == 1


def star(corners: int) -> shapely.Polygon:
    """A ring whose pieces each run across thousands of others."""
    angle = np.linspace(0.0, 2 * np.pi, corners)
    radius = 90 + 5 * np.random.default_rng(1).random(corners)
    radius[-1] = radius[0]
    x, y = LEFT + 150 + radius * np.cos(angle), TOP - 150 + radius * np.sin(angle)
    return shapely.Polygon(np.column_stack([x, y]))


@pytest.mark.parametrize("layer", ["parcel.file", "layers.water"])
def test_a_giant_jagged_shape_ends_with_a_code(layer, tmp_path):
    frame(star(300_000), id=["a"]).to_file(tmp_path / "star.gpkg")
    found = run(clean(tmp_path).set(layer, "star.gpkg"), "check")
    assert found.status == 3
    assert "E-FILE-06" in found.out
    assert found.seconds < 15.0


def test_long_shapes_of_ordinary_kind_are_no_effort():
    angle = np.linspace(0.0, 40 * np.pi, 200_000)
    coast = np.column_stack([angle * 1000, 500 * np.sin(angle)])
    check_effort([shapely.LineString(coast)], what="coast")


@pytest.mark.slow
def test_a_parcel_with_twenty_thousand_holes_takes_seconds_and_not_minutes(tmp_path):
    """11.5 s of processor time were measured on a machine with much else to do; 20 s is room."""
    land = clean(tmp_path)
    side = 142
    at = 51.0 + np.arange(side) * 1.38
    holes = [shapely.box(x, y, x + 0.5, y + 0.5) for x in LEFT + at for y in TOP - 250 + at - 50]
    shape = shapely.Polygon(land.outline.exterior, [hole.exterior for hole in holes])
    assert len(shape.interiors) > 20_000
    frame(shape, id=["a"]).to_file(tmp_path / "holes.gpkg")
    land.set("parcel.file", "holes.gpkg")
    run(clean(tmp_path), "score")  # what is compiled on first use is not counted
    found = run(land, "score")
    assert found.status == 0, found.err
    assert found.seconds < 20.0


def test_effort_of_a_shape_without_a_shape_is_none():
    check_effort(np.array([None, shapely.Point()], dtype=object), what="x")


def test_too_many_corners_say_how_many():
    line = shapely.LineString(np.column_stack([np.arange(6e6), np.zeros(6_000_000)]))
    begin = time.process_time()
    with pytest.raises(SitingError, match="6,000,000 corners"):
        check_effort([line], what="x")
    assert time.process_time() - begin < 5.0


def test_tiles_that_are_a_view_are_refused(tmp_path):
    """A raster in a GeoPackage whose cells would be worked out at every reading."""
    land = clean(tmp_path)
    with rasterio.open(tmp_path / "dem.tif") as source:
        profile = {**source.profile, "driver": "GPKG", "raster_table": "height"}
        profile = {k: v for k, v in profile.items() if k not in ("tiled", "interleave")}
        with rasterio.open(tmp_path / "dem.gpkg", "w", **profile) as out:
            out.write(source.read())
    land.set("dem.file", "dem.gpkg")
    assert run(land, "check").status == 0
    with sqlite3.connect(tmp_path / "dem.gpkg") as base:
        base.execute("alter table height rename to kept")
        base.execute("create view height as select * from kept")
    base.close()
    found = run(land, "check")
    assert found.status == 3
    assert "E-FILE-04" in found.out
