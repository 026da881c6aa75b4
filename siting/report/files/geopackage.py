"""The spots and what lies around them as a GeoPackage for a desktop map program."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from shapely.geometry.base import BaseGeometry as Geometry

from siting.disk.files import built_by
from siting.disk.layer_file import write_layers
from siting.report.files import columns
from siting.report.files.columns import Column, SpotRow, named, typed
from siting.report.shared import drawing
from siting.report.shared.credits import one_line
from siting.report.shared.facts import SpotFacts
from siting.report.shared.text import clean
from siting.settings.protocol_ground import NoGoRules
from siting.types import NoGo, Result
from siting.words.spot.no_go import REASONS, rule_text


def geopackage(result: Result, facts: Sequence[SpotFacts], *, set_backs: NoGoRules) -> bytes:
    """The layers spots, search_areas, walks, no_go and parcel, in the grid's coordinate system."""
    layers = {
        "spots": _spots(result, facts),
        "search_areas": _search_areas(result, facts),
        "walks": _walks(result, facts),
        "no_go": _no_go(result, set_backs),
        "parcel": _parcel(result),
    }
    line = one_line(result.land.credits)
    return built_by(
        "spots.gpkg", lambda path: write_layers(path, layers, kinds=_KINDS, attribution=line)
    )


_KINDS = {
    "spots": "Point",
    "search_areas": "MultiPolygon",
    "walks": "LineString",
    "no_go": "MultiPolygon",
    "parcel": "MultiPolygon",
}


def _frame(columns: dict[str, Any], shapes: Sequence[Geometry], *, crs: str) -> gpd.GeoDataFrame:
    return gpd.GeoDataFrame(columns, geometry=gpd.GeoSeries(list(shapes), crs=crs), crs=crs)


def _spots(result: Result, facts: Sequence[SpotFacts]) -> gpd.GeoDataFrame:
    points = [shapely.Point(fact.spot.easting, fact.spot.northing) for fact in facts]
    return _frame(_values(result, facts, columns.COLUMNS), points, crs=result.land.grid.crs)


def _values(
    result: Result, facts: Sequence[SpotFacts], shown: Sequence[Column[SpotRow]]
) -> dict[str, Any]:
    """Columns of the table of spots, each with the type that its row promises."""
    rows = [SpotRow(result.land.parcel, fact) for fact in facts]
    return {column.name: typed(column, [column.cell(row) for row in rows]) for column in shown}


def _search_areas(result: Result, facts: Sequence[SpotFacts]) -> gpd.GeoDataFrame:
    areas = [
        fact.spot.extent.ground
        if fact.spot.extent
        else shapely.Point(fact.spot.easting, fact.spot.northing).buffer(fact.search_radius_m)
        for fact in facts
    ]
    # An area may lie in two parts, on both sides of a stream: every row has the layer's own type.
    circles = [_many(area) for area in areas]
    known = named(columns.COLUMNS)
    shown = [known[name] for name in ("rank", "spot_id", "search_radius_m")]
    return _frame(_values(result, facts, shown), circles, crs=result.land.grid.crs)


def _many(area: Geometry) -> shapely.MultiPolygon:
    return shapely.MultiPolygon(
        [part for part in shapely.get_parts(area) if isinstance(part, shapely.Polygon)]
    )


def _walks(result: Result, facts: Sequence[SpotFacts]) -> gpd.GeoDataFrame:
    walked = [fact for fact in facts if fact.walk is not None]
    shown = [
        # By name, so that a new column of the walk comes along.
        c
        for c in columns.COLUMNS
        if c.name in ("rank", "spot_id") or c.name.startswith("walk_")
    ]
    lines = [fact.walk.line for fact in walked if fact.walk is not None]
    return _frame(_values(result, walked, shown), lines, crs=result.land.grid.crs)


def _no_go(result: Result, set_backs: NoGoRules) -> gpd.GeoDataFrame:
    """One row to a reason: all ground inside the parcel where no camera may stand for it."""
    bits: list[NoGo] = []
    areas: list[Geometry] = []
    shown = [bit for bit in NoGo if bit is not NoGo.OUTSIDE]
    for bit, found in drawing.zone_areas(result.no_go, shown, grid=result.land.grid):
        parts = [area for area in found if isinstance(area, shapely.Polygon)]
        # One row per reason, not per piece: a map program then lists them by name.
        bits.append(bit)
        areas.append(shapely.MultiPolygon(parts))
    columns = {
        "reason": pd.array([REASONS[bit].label for bit in bits], dtype="string"),
        "rule": pd.array([rule_text(bit, set_backs) for bit in bits], dtype="string"),
        "bit": pd.array([bit.value for bit in bits], dtype="Int64"),
        "area_m2": np.array([float(shapely.area(area)) for area in areas], dtype=np.float64),
    }
    return _frame(columns, areas, crs=result.land.grid.crs)


def _parcel(result: Result) -> gpd.GeoDataFrame:
    parcel = result.land.parcel
    shape = result.land.parcel_shape
    columns = {
        "parcel_id": pd.array([clean(parcel.id)], dtype="string"),
        "parcel_label": pd.array([clean(parcel.label)], dtype="string"),
        "survey_cell": pd.array([clean(parcel.cell)], dtype="string"),
        "area_ha": np.array([shapely.area(shape) / 1e4]),
    }
    return _frame(columns, [_many(shape)], crs=result.land.grid.crs)
