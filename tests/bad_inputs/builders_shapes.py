"""Faults of outlines."""

from __future__ import annotations

import json
import sqlite3
import struct
from collections.abc import Callable
from typing import Any

import numpy as np
import pyogrio
import shapely
from affine import Affine
from pyproj import Transformer
from shapely import LineString, MultiPoint, MultiPolygon, Point, Polygon, box
from shapely.geometry.base import BaseGeometry as Geometry

from tests.bad_inputs.builders_crs import warped
from tests.bad_inputs.land import Land, builder, clean, frame, geojson, to_lonlat


def _at(land: Land, *points: tuple[float, float]) -> list[tuple[float, float]]:
    """Points by metres east and south of the land's north-west corner, on its map."""
    return [(land.left + east, land.top - south) for east, south in points]


def _square(land: Land, west: float, north: float, east: float, south: float) -> Polygon:
    return box(land.left + west, land.top - south, land.left + east, land.top - north)


def bow_tie(land: Land) -> Geometry:
    return Polygon(_at(land, (50, 50), (250, 250), (250, 50), (50, 250)))


def uneven_bow_tie(land: Land) -> Geometry:
    return Polygon(_at(land, (50, 50), (250, 120), (250, 50), (50, 250)))


def small_crossing(land: Land) -> Geometry:
    """The last corner overshoots by a metre or two, as with a shaking hand."""
    return Polygon(_at(land, (50, 50), (250, 50), (250, 250), (50, 250), (51, 48), (48, 49)))


def spike(land: Land) -> Geometry:
    return Polygon(_at(land, (50, 50), (250, 50), (250, 250), (150, 250), (150, 290), (150, 250),
                       (50, 250)))  # fmt: skip


def touching_ring(land: Land) -> Geometry:
    """Two triangles that meet in one corner, drawn in one line."""
    return Polygon(_at(land, (50, 50), (250, 50), (150, 150), (250, 250), (50, 250), (150, 150)))


def hole_drawn_by_the_ring(land: Land) -> Geometry:
    """A lake left out by running in and out at one corner."""
    return Polygon(_at(land, (50, 50), (250, 50), (250, 250), (50, 250), (50, 50), (100, 150),
                       (150, 200), (200, 150), (150, 100), (100, 150)))  # fmt: skip


def hole_is_shell(land: Land) -> Geometry:
    ring = land.outline.exterior.coords
    return Polygon(ring, [ring])


def hole_outside(land: Land) -> Geometry:
    return Polygon(land.outline.exterior.coords, [_square(land, 260, 60, 290, 200).exterior.coords])


def hole_across(land: Land) -> Geometry:
    return Polygon(land.outline.exterior.coords, [_square(land, 200, 60, 290, 200).exterior.coords])


def overlapping_parts(land: Land) -> Geometry:
    return MultiPolygon([_square(land, 50, 50, 180, 250), _square(land, 120, 50, 250, 250)])


def parts_with_common_side(land: Land) -> Geometry:
    return MultiPolygon([_square(land, 50, 50, 150, 250), _square(land, 150, 50, 250, 250)])


def in_holding(land: Land) -> Geometry:
    return Polygon(
        land.outline.exterior.coords, [_square(land, 120, 120, 180, 180).exterior.coords]
    )


def double_points(land: Land) -> Geometry:
    return Polygon(np.repeat(shapely.get_coordinates(land.outline), 3, axis=0))


def line_of_three(land: Land) -> Geometry:
    return Polygon(_at(land, (50, 50), (150, 150), (250, 250)))


def sliver(land: Land) -> Geometry:
    return _square(land, 50, 150.2, 250, 151.2)


def two_hundred_parts(land: Land) -> Geometry:
    return MultiPolygon(
        [
            _square(land, 50 + 14 * (n % 15), 50 + 14 * (n // 15), 60 + 14 * (n % 15),
                    60 + 14 * (n // 15))
            for n in range(200)
        ]
    )  # fmt: skip


def collection(land: Land) -> Geometry:
    fence = LineString(_at(land, (50, 50), (280, 280)))
    return shapely.GeometryCollection([land.outline, fence, Point(*_at(land, (10, 10)))])


def million_corners(land: Land) -> Geometry:
    """An outline traced from a picture: a wavy circle of a million corners."""
    turn = np.linspace(0, 2 * np.pi, 1_000_000, endpoint=False)
    reach = 90 + 2 * np.sin(400 * turn)
    middle = land.outline.centroid
    return Polygon(
        np.column_stack([middle.x + reach * np.cos(turn), middle.y + reach * np.sin(turn)])
    )


def with_heights(land: Land) -> Geometry:
    return shapely.force_3d(land.outline, 250.0)


SHAPES: dict[str, Callable[[Land], Any]] = {
    "bow-tie": bow_tie,
    "uneven bow-tie": uneven_bow_tie,
    "small crossing": small_crossing,
    "spike": spike,
    "touching ring": touching_ring,
    "hole drawn by the ring": hole_drawn_by_the_ring,
    "hole is shell": hole_is_shell,
    "hole outside": hole_outside,
    "hole across": hole_across,
    "overlapping parts": overlapping_parts,
    "parts with a common side": parts_with_common_side,
    "in-holding": in_holding,
    "double points": double_points,
    "line of three": line_of_three,
    "sliver": sliver,
    "two hundred parts": two_hundred_parts,
    "collection": collection,
    "million corners": million_corners,
    "heights": with_heights,
    "line": lambda land: LineString(land.outline.exterior.coords),
    "point": lambda land: land.outline.centroid,
    "points": lambda land: MultiPoint(shapely.get_coordinates(land.outline)),
    "empty": lambda land: Polygon(),
    "a hand wide": lambda land: land.outline.centroid.buffer(0.05, quad_segs=1),
    "a country": lambda land: land.outline.buffer(160_000),
}


@builder
def shape(land: Land, kind: str) -> Land:
    """One of SHAPES as the parcel, in a GeoPackage."""
    outline = SHAPES[kind](land)
    pyogrio.write_dataframe(frame(outline, crs=land.crs), land.folder / "shape.gpkg")
    if isinstance(outline, Geometry) and outline.area > 0:
        land.outline = shapely.make_valid(
            shapely.force_2d(outline), method="structure", keep_collapsed=False
        )
        if kind == "collection":
            land.outline = _square(land, 50, 50, 250, 250)
    return land.set("parcel.file", "shape.gpkg")


@builder
def shape_json(land: Land, kind: str) -> Land:
    """Coordinates that only text can hold."""
    ring = [list(p) for p in to_lonlat(land.outline).exterior.coords]
    rings = {
        "swapped": [[lat, lon] for lon, lat in ring],
        "latitude 95": [[lon, lat + 52] for lon, lat in ring],
        "infinite": [[1e999, lat] for _, lat in ring],
        "not closed": ring[:-1],
        "two corners": ring[:2],
        "words": [["west", "north"]] * 4,
        "map metres": [list(p) for p in land.outline.exterior.coords],
    }
    geojson(land.folder / "text.geojson", {"type": "Polygon", "coordinates": [rings[kind]]})
    return land.set("parcel.file", "text.geojson")


@builder
def shape_road(land: Land, _: str) -> Land:
    """A road over the land whose last corner a damaged file has put beyond all maps."""
    west, south, _, _ = land.outline.bounds
    road = LineString([(west, south), (west + 200.0, south), (1e200, south + 50.0)])
    pyogrio.write_dataframe(frame(road, **{"class": ["minor"]}), land.folder / "roads.gpkg")
    return land.set("layers.roads", "roads.gpkg")


@builder
def shape_null(land: Land, _: str) -> Land:
    """A feature without a shape."""
    geojson(land.folder / "null.geojson", None)
    return land.set("parcel.file", "null.geojson")


@builder
def shape_known_within(land: Land, kind: str) -> Land:
    """A stream that was mapped within something: half of the parcel, or no area at all."""
    line = LineString(_at(land, (100, 0), (100, 300)))
    frame(line).to_file(land.folder / "brook.gpkg", layer="brook")
    half = _square(land, -50, -50, 150, 350)
    frame(half if kind == "half" else line).to_file(land.folder / "within.gpkg", layer="within")
    return land.set("layers.water", {"file": "brook.gpkg", "known_within": "within.gpkg::within"})


@builder
def shape_empty_layer(land: Land, _: str) -> Land:
    whole = {"type": "FeatureCollection", "features": []}
    (land.folder / "none.geojson").write_text(json.dumps(whole))
    return land.set("parcel.file", "none.geojson")


@builder
def shape_twice(land: Land, asked: str) -> Land:
    """The same parcel twice, with and without identifiers: "" or the one asked for."""
    ids = [{"id": "A7"}, {"id": "B2"}] if asked else ()
    both = [to_lonlat(land.outline)] * 2
    geojson(land.folder / "twice.geojson", *both, properties=ids)
    land.set("parcel.file", "twice.geojson")
    return land.set("parcel.id", asked) if asked else land


def _write_by_hand(land: Land, name: str, shape: bytes) -> Land:
    """A GeoPackage whose one shape is these bytes, which no library here would write."""
    path = land.folder / f"{name}.gpkg"
    pyogrio.write_dataframe(frame(land.outline), path, geometry_type="Unknown")
    header = b"GP\x00\x01" + struct.pack("<i", 32617)
    with sqlite3.connect(path) as store:
        names = store.execute("select name from sqlite_master where type = 'trigger'").fetchall()
        for (trigger,) in names:
            store.execute(f'drop trigger "{trigger}"')
        store.execute(f"update {name} set geom = ?", (header + shape,))
    store.close()
    return land.set("parcel.file", path.name)


@builder
def shape_curved(land: Land, _: str) -> Land:
    """A curved outline: a circle of two arcs."""
    middle, reach = land.outline.centroid, 95.0
    west, east = middle.x - reach, middle.x + reach
    arcs = [(west, middle.y), (middle.x, middle.y + reach), (east, middle.y),
            (middle.x, middle.y - reach), (west, middle.y)]  # fmt: skip
    curve = struct.pack("<BII", 1, 8, len(arcs)) + b"".join(struct.pack("<dd", *p) for p in arcs)
    land.outline = middle.buffer(reach)
    return _write_by_hand(land, "curved", struct.pack("<BII", 1, 10, 1) + curve)


@builder
def shape_measured(land: Land, _: str) -> Land:
    """An outline with a height and a measure at every corner."""
    corners = shapely.get_coordinates(land.outline)
    ring = b"".join(struct.pack("<dddd", *corner, 250.0, 7.0) for corner in corners)
    return _write_by_hand(land, "measured", struct.pack("<BIII", 1, 3003, 1, len(corners)) + ring)


@builder
def shape_at_180(land: Land, how: str) -> Land:
    """Land across the 180th meridian, its outline drawn in one of several ways."""
    east, north = Transformer.from_crs("EPSG:4326", "EPSG:32701", always_xy=True).transform(
        180, -17
    )
    land = clean(land.folder, crs="EPSG:32701", left=round(east) - 150.0, top=round(north) + 150.0)
    over = shapely.transform(
        to_lonlat(land.outline, land.crs), lambda p: np.column_stack([p[:, 0] % 360.0, p[:, 1]])
    )
    if how == "split":
        halves = [
            over.intersection(box(179, -18, 180, -16)),
            over.intersection(box(180, -18, 181, -16)),
        ]
        halves[1] = shapely.transform(halves[1], lambda p: p - [360.0, 0.0])
        outline: Any = MultiPolygon(halves)
    elif how == "beyond 180":
        outline = over
    else:
        outline = to_lonlat(land.outline, land.crs)
    geojson(land.folder / "far.geojson", outline)
    land.set("parcel.file", "far.geojson")
    if how == "with a layer":
        pond = to_lonlat(land.outline.centroid.buffer(20), land.crs)
        geojson(land.folder / "pond.geojson", pond, Point(10.0, 50.0), Point(-179.9, 60.0))
        land.set("layers.no_go", "pond.geojson")
    if how == "DEM in degrees":
        _tile_up_to_180(land)
    return land


def _tile_up_to_180(land: Land) -> None:
    """A DEM in degrees that ends at 180, as tiles of the world do."""
    size, n = 4e-5, 100
    lon, lat = np.meshgrid(180 - size * (n - np.arange(n) - 0.5), -16.998 - size * np.arange(n))
    change = Transformer.from_crs("EPSG:4326", land.crs, always_xy=True)
    x, y = change.transform(lon, lat)
    place = Affine(size, 0, 180 - size * n, 0, -size, -16.998 + size / 2)
    values = np.asarray(land.height_m(x - land.left, land.top - y), dtype=np.float32)
    land.dem(values, crs="EPSG:4326", transform=place)


@builder
def shape_at_pole(land: Land, how: str) -> Land:
    """Land where no zone of the common system reaches."""
    lat = {"north": 85.5, "south": -82.0}[how]
    crs = f"+proj=aeqd +lat_0={lat} +lon_0=20 +datum=WGS84 +units=m"
    land = clean(land.folder, crs=crs, left=-150.0, top=150.0)
    warped(land, "EPSG:3413" if lat > 0 else "EPSG:3031", cell=5)
    return land.parcel(land.outline)


@builder
def point_and_radius(land: Land, text: str) -> Land:
    """A point in the middle (or "LON,LAT") and a radius: "RADIUS" or "LON,LAT RADIUS"."""
    place, _, radius = text.rpartition(" ")
    middle = to_lonlat(land.outline.centroid)
    lon, lat = (float(v) for v in place.split(",")) if place else (middle.x, middle.y)
    land.outline = land.outline.centroid.buffer(float(radius))
    land.inputs["parcel"] = {"point": [lon, lat], "radius_m": float(radius)}
    return land
