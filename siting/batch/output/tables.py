"""What a batch writes beside the parcels' own folders: tables, and a GeoPackage of all parcels."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import geopandas as gpd
import numpy as np
import shapely
from shapely.geometry.base import BaseGeometry as Geometry

from siting.batch.output.columns import (
    ASSIGNMENTS,
    FAILURES,
    PARCELS,
    ChoiceRow,
    ParcelRow,
)
from siting.batch.rows import FailedParcel, ScoredParcel, comparable_scores
from siting.batch.survey.assign import Assignment, CellChoice
from siting.credits import Credit
from siting.disk.files import built_by
from siting.disk.layer_file import write_layers
from siting.report.files.columns import Column, typed
from siting.report.files.tables import table
from siting.report.shared.credits import one_line

CAMERA, RESERVE = "camera", "reserve"
_CRS = "EPSG:4326"
# About 1 cm, finer than any outline is known.
_COORDINATE_DEG = 1e-7


@dataclass(frozen=True)
class Batch:
    """All that is known after a batch; what its tables and its overview are written from.

    Parameters
    ----------
    rows : the scored parcels, in the order of their file
    failures : the parcels that could not be scored
    shapes : outline of each parcel by its identifier, degrees (lon, lat); None where there is none
    pages : folder of a parcel's pages below the batch's folder, by the parcel's identifier
    assignment : Assignment or None
    notes : sentences about the whole run
    states : what was last reported of a parcel and on which day, by its identifier, such as
        ("camera up", "2027-04-03")
    credits : publishers whose lines must stand on what is made of their data
    """

    rows: Sequence[ScoredParcel]
    failures: Sequence[FailedParcel]
    shapes: Mapping[str, Geometry | None]
    pages: Mapping[str, str]
    assignment: Assignment | None = None
    notes: Sequence[str] = field(default_factory=tuple)
    states: Mapping[str, tuple[str, str]] = field(default_factory=dict)
    credits: Sequence[Credit] = ()


def roles(assignment: Assignment | None) -> dict[str, str]:
    """What each parcel is proposed for: "camera", "reserve 1" ..., by its identifier."""
    out: dict[str, str] = {}
    for choice in assignment.cells if assignment else ():
        if choice.chosen is not None:
            out[choice.chosen.parcel] = CAMERA
        for number, option in enumerate(choice.reserves, start=1):
            out[option.parcel] = f"{RESERVE} {number}"
    return out


def parcels_csv(batch: Batch) -> str:
    """One row per scored parcel."""
    return _written(PARCELS, parcel_rows(batch))


def parcel_rows(batch: Batch) -> list[ParcelRow]:
    """What the rows of `PARCELS` are made from, one per scored parcel."""
    role = roles(batch.assignment)
    return [
        ParcelRow(
            row,
            role.get(row["parcel_id"], ""),
            batch.pages.get(row["parcel_id"], ""),
            batch.states.get(row["parcel_id"], ("", "")),
            comparable,
        )
        for row, comparable in zip(batch.rows, comparable_scores(batch.rows), strict=True)
    ]


def failures_csv(batch: Batch) -> str:
    """One row per parcel that could not be scored, with the code of the error."""
    return _written(FAILURES, batch.failures)


def assignments_csv(batch: Batch) -> str:
    """One row per camera and per reserve, cell by cell, with the reason."""
    cells = batch.assignment.cells if batch.assignment else ()
    return _written(ASSIGNMENTS, [row for choice in cells for row in _choice_rows(choice, batch)])


def _choice_rows(choice: CellChoice, batch: Batch) -> list[ChoiceRow]:
    named = [(CAMERA if choice.chosen else "none", choice.chosen)]
    named += [(f"{RESERVE} {n}", option) for n, option in enumerate(choice.reserves, start=1)]
    return [
        ChoiceRow(
            choice, role, option, batch.pages.get(option.parcel, "") if option else "", n == 0
        )
        for n, (role, option) in enumerate(named)
    ]


def _written(columns: Sequence[Column[Any]], sources: Sequence[Any]) -> str:
    cells = [{column.name: column.cell(source) for column in columns} for source in sources]
    return table([column.name for column in columns], cells)


def parcels_gpkg(batch: Batch) -> bytes:
    """The layers parcels (areas), best_spots (points) and failures (areas), in WGS 84."""
    best = [row for row in parcel_rows(batch) if row.best]
    points = [shapely.Point(s["lon_deg"], s["lat_deg"]) for row in best if (s := row.best)]
    layers = {
        "parcels": parcels_frame(batch),
        "best_spots": _frame(PARCELS, best, points),
        "failures": _frame(FAILURES, batch.failures, _outlines(batch, batch.failures)),
    }
    kinds = {"parcels": "MultiPolygon", "best_spots": "Point", "failures": "MultiPolygon"}
    line = one_line(batch.credits)
    return built_by(
        "parcels.gpkg", lambda path: write_layers(path, layers, kinds=kinds, attribution=line)
    )


def parcels_frame(batch: Batch) -> gpd.GeoDataFrame:
    """`PARCELS` of each scored parcel with its outline, in WGS 84 (lon, lat)."""
    return _frame(PARCELS, parcel_rows(batch), _outlines(batch, batch.rows))


def _areas(shape: Geometry | None) -> Geometry | None:
    """The areas of an outline, repaired, as one multipolygon; None where nothing can be drawn."""
    if shape is None or shape.is_empty or not np.isfinite(shapely.bounds(shape)).all():
        return None
    sound = shape if shape.is_valid else shapely.make_valid(shape, method="structure")
    # Repairing may leave lines and points, and a layer of areas holds neither.
    parts = [p for p in shapely.get_parts(sound) if isinstance(p, shapely.Polygon)]
    areas = shapely.MultiPolygon(parts)
    return shapely.set_precision(areas, _COORDINATE_DEG, mode="pointwise") if parts else None


def _outlines(
    batch: Batch, rows: Sequence[ScoredParcel] | Sequence[FailedParcel]
) -> list[Geometry | None]:
    return [_areas(batch.shapes.get(row["parcel_id"])) for row in rows]


def _frame(
    columns: Sequence[Column[Any]], sources: Sequence[Any], shapes: Sequence[Geometry | None]
) -> gpd.GeoDataFrame:
    data = {c.name: typed(c, [c.cell(source) for source in sources]) for c in columns}
    return gpd.GeoDataFrame(data, geometry=gpd.GeoSeries(list(shapes), crs=_CRS), crs=_CRS)
