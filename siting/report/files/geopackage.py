"""The spots and what lies around them as a GeoPackage for a desktop map program."""

from __future__ import annotations

import contextlib
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from shapely.geometry.base import BaseGeometry as Geometry

from siting.errors import ResourceError
from siting.files import built_by
from siting.report.files.tables import COLUMNS, table_row
from siting.report.shared import drawing, zones
from siting.report.shared.facts import SpotFacts
from siting.report.shared.text import clean
from siting.settings.protocol import NoGoRules
from siting.types import NoGo, Result

# Version 1.2 is read by map programs of ten years; nothing newer is needed.
_VERSION = "1.2"
# GeoPackage keeps the time of the last change; a fixed one keeps equal results equal.
_FIXED_TIME = "2000-01-01T00:00:00.000Z"
_WHOLE_NUMBERS = {
    "rank",
    "utm_easting_m",
    "utm_northing_m",
    "search_radius_m",
    "heading_true_deg",
    "heading_magnetic_deg",
    "second_heading_true_deg",
    "second_heading_magnetic_deg",
    "skyline_known_m",
    "walk_length_m",
    "walk_climb_m",
    "walk_unknown_crossings",
}
_TEXTS = {
    "spot_id",
    "parcel_id",
    "parcel_label",
    "survey_cell",
    "name",
    "kind",
    "utm_zone",
    "stability",
    "compass_model",
    "low_sun_when",
    "lens",
    "habitat",
    "walk_start",
    "heading_why",
    "why",
    "pulled_down",
    "check",
    "cautions",
}


def geopackage(result: Result, facts: Sequence[SpotFacts], *, set_backs: NoGoRules) -> bytes:
    """The layers spots, search_areas, walks, no_go and parcel, in the grid's coordinate system."""
    layers = {
        "spots": _spots(result, facts),
        "search_areas": _search_areas(result, facts),
        "walks": _walks(result, facts),
        "no_go": _no_go(result, set_backs),
        "parcel": _parcel(result),
    }
    return built_by("spots.gpkg", lambda path: write_layers(path, layers, kinds=_KINDS))


def write_layers(
    path: Path, layers: Mapping[str, gpd.GeoDataFrame], *, kinds: Mapping[str, str]
) -> None:
    """Write frames as the layers of a new GeoPackage, the same bytes for the same frames.

    `kinds` gives the geometry type of each layer by its name.
    """
    import pyogrio

    with _fixed_time():
        for number, (name, frame) in enumerate(layers.items()):
            try:
                pyogrio.write_dataframe(
                    frame,
                    path,
                    layer=name,
                    driver="GPKG",
                    append=number > 0,
                    dataset_options={"VERSION": _VERSION} if number == 0 else None,
                    geometry_type=kinds[name],
                )
            except pyogrio.errors.DataSourceError as error:
                raise ResourceError(
                    "E-DISK-01",
                    f"Cannot build {path.name}: {error}.",
                    rule="A result is written whole or not at all.",
                    cure="Free some space in the folder for temporary files.",
                ) from error


_KINDS = {
    "spots": "Point",
    "search_areas": "Polygon",
    "walks": "LineString",
    "no_go": "MultiPolygon",
    "parcel": "MultiPolygon",
}


@contextlib.contextmanager
def _fixed_time() -> Iterator[None]:
    import pyogrio

    # The file is built in a temporary folder and flushed as a whole later: no need to do it twice.
    options = {"OGR_CURRENT_DATE": _FIXED_TIME, "OGR_SQLITE_SYNCHRONOUS": "OFF"}
    before = {name: pyogrio.get_gdal_config_option(name) for name in options}
    pyogrio.set_gdal_config_options(options)
    try:
        yield
    finally:
        pyogrio.set_gdal_config_options(before)


def _frame(columns: dict[str, Any], shapes: Sequence[Geometry], *, crs: str) -> gpd.GeoDataFrame:
    return gpd.GeoDataFrame(columns, geometry=gpd.GeoSeries(list(shapes), crs=crs), crs=crs)


def _spots(result: Result, facts: Sequence[SpotFacts]) -> gpd.GeoDataFrame:
    rows = [table_row(result, fact) for fact in facts]
    columns = {name: _typed(name, [row[name] for row in rows]) for name in COLUMNS}
    points = [shapely.Point(fact.spot.easting, fact.spot.northing) for fact in facts]
    return _frame(columns, points, crs=result.land.grid.crs)


def _typed(name: str, values: list[Any]) -> Any:
    """A column with the type that its name promises, whatever this parcel's values are."""
    if name in _TEXTS:
        return pd.array(values, dtype="string")
    if name in _WHOLE_NUMBERS:
        return pd.array(values, dtype="Int64")
    return np.array([np.nan if value is None else value for value in values], dtype=np.float64)


def _search_areas(result: Result, facts: Sequence[SpotFacts]) -> gpd.GeoDataFrame:
    circles = [
        shapely.Point(fact.spot.easting, fact.spot.northing).buffer(fact.search_radius_m)
        for fact in facts
    ]
    columns = {
        "rank": _typed("rank", [fact.spot.rank for fact in facts]),
        "spot_id": _typed("spot_id", [fact.id for fact in facts]),
        "search_radius_m": _typed("search_radius_m", [fact.search_radius_m for fact in facts]),
    }
    return _frame(columns, circles, crs=result.land.grid.crs)


def _walks(result: Result, facts: Sequence[SpotFacts]) -> gpd.GeoDataFrame:
    walked = [fact for fact in facts if fact.walk is not None]
    rows = [table_row(result, fact) for fact in walked]
    names = ("rank", "spot_id", *(name for name in COLUMNS if name.startswith("walk_")))
    columns = {name: _typed(name, [row[name] for row in rows]) for name in names}
    lines = [fact.walk.line for fact in walked if fact.walk is not None]
    return _frame(columns, lines, crs=result.land.grid.crs)


def _no_go(result: Result, set_backs: NoGoRules) -> gpd.GeoDataFrame:
    """One row to a reason: all ground inside the parcel where no camera may stand for it."""
    words: list[zones.Rule] = []
    bits: list[NoGo] = []
    areas: list[Geometry] = []
    rules = zones.rules(set_backs)
    told = [bit for bit in rules if bit is not NoGo.OUTSIDE]
    for bit, found in drawing.zone_areas(result.no_go, told, grid=result.land.grid):
        parts = [area for area in found if isinstance(area, shapely.Polygon)]
        bits.append(bit)
        words.append(rules[bit])
        areas.append(shapely.MultiPolygon(parts))
    columns = {
        "reason": pd.array([rule.label for rule in words], dtype="string"),
        "rule": pd.array([rule.text for rule in words], dtype="string"),
        "bit": pd.array([bit.value for bit in bits], dtype="Int64"),
        "area_m2": np.array([float(shapely.area(area)) for area in areas], dtype=np.float64),
    }
    return _frame(columns, areas, crs=result.land.grid.crs)


def _parcel(result: Result) -> gpd.GeoDataFrame:
    parcel = result.land.parcel
    shape = result.land.parcel_shape
    parts = [part for part in shapely.get_parts(shape) if isinstance(part, shapely.Polygon)]
    columns = {
        "parcel_id": pd.array([clean(parcel.id)], dtype="string"),
        "parcel_label": pd.array([clean(parcel.label)], dtype="string"),
        "survey_cell": pd.array([clean(parcel.cell)], dtype="string"),
        "area_ha": np.array([shapely.area(shape) / 1e4]),
    }
    return _frame(columns, [shapely.MultiPolygon(parts)], crs=result.land.grid.crs)
