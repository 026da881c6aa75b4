"""What a batch writes beside the parcels' own folders: tables, and a GeoPackage of all parcels."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from shapely.geometry.base import BaseGeometry as Geometry

from siting.batch.survey.assign import Assignment, CellChoice
from siting.batch.survey.assign_program import Option
from siting.files import built_by
from siting.report.files.geopackage import write_layers
from siting.report.files.tables import table
from siting.report.shared.facts import SEPARATOR
from siting.report.shared.text import clean

Row = Mapping[str, Any]
CAMERA, RESERVE = "camera", "reserve"
_CRS = "EPSG:4326"
_COORDINATE_DEG = 1e-7


@dataclass(frozen=True)
class Batch:
    """All that is known after a batch; what its tables and its overview are written from.

    Parameters
    ----------
    rows : one mapping to a scored parcel (see `siting.batch.jobs.parcel_row`), in the file's order
    failures : mappings with parcel_id, parcel_label, survey_cell, code and message
    shapes : outline of each parcel by its identifier, degrees (lon, lat); None where there is none
    pages : folder of a parcel's pages below the batch's folder, by the parcel's identifier
    assignment : Assignment or None
    notes : sentences about the whole run
    """

    rows: Sequence[Row]
    failures: Sequence[Row]
    shapes: Mapping[str, Geometry | None]
    pages: Mapping[str, str]
    assignment: Assignment | None = None
    notes: Sequence[str] = field(default_factory=tuple)


PARCEL_COLUMNS = (
    "parcel_id",
    "parcel_label",
    "survey_cell",
    "priority",
    "role",
    "best_score",
    "spots",
    "firm_spots",
    "usable_share",
    "area_ha",
    "problem",
    "limit",
    "limit_share",
    "best_where",
    "best_kind",
    "best_lon_deg",
    "best_lat_deg",
    "best_heading_true_deg",
    "best_walk_there_min",
    "lon_deg",
    "lat_deg",
    "sentence",
    "cautions",
    "warnings",
    "page",
)
FAILURE_COLUMNS = ("parcel_id", "parcel_label", "survey_cell", "code", "message")
ASSIGNMENT_COLUMNS = (
    "survey_cell",
    "role",
    "parcel_id",
    "spot",
    "score",
    "kind",
    "lon_deg",
    "lat_deg",
    "reason",
    "traded",
    "page",
)


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
    """One row to a scored parcel."""
    return table(PARCEL_COLUMNS, parcel_records(batch))


def parcel_records(batch: Batch) -> list[dict[str, Any]]:
    """The values of `PARCEL_COLUMNS` for each scored parcel."""
    role = roles(batch.assignment)
    return [_record(row, batch.pages, role) for row in batch.rows]


def _record(row: Row, pages: Mapping[str, str], role: Mapping[str, str]) -> dict[str, Any]:
    top = row["top"][0] if row["top"] else {}
    names = ("where", "kind", "lon_deg", "lat_deg", "heading_true_deg", "walk_there_min")
    texts = ("parcel_id", "parcel_label", "survey_cell", "limit", "sentence")
    joined = {n: SEPARATOR.join(clean(t) for t in row[n]) for n in ("cautions", "warnings")}
    page = pages.get(row["parcel_id"], "")
    return {
        **{name: row[name] for name in PARCEL_COLUMNS if name in row},
        **{name: clean(row[name]) for name in texts},
        **{f"best_{name}": top.get(name) for name in names},
        **joined,
        "role": role.get(row["parcel_id"], ""),
        "page": f"{page}/map.html" if page else "",
    }


def failures_csv(batch: Batch) -> str:
    """One row to a parcel that could not be scored, with the code of the error."""
    cleaned = [{name: clean(row[name]) for name in FAILURE_COLUMNS} for row in batch.failures]
    return table(FAILURE_COLUMNS, cleaned)


def assignments_csv(batch: Batch) -> str:
    """One row to a camera and to each reserve, cell by cell, with the reason."""
    cells = batch.assignment.cells if batch.assignment else ()
    return table(ASSIGNMENT_COLUMNS, [r for c in cells for r in _choice_rows(c, batch.pages)])


def _choice_rows(choice: CellChoice, pages: Mapping[str, str]) -> list[dict[str, Any]]:
    first = _option_row(choice.cell, CAMERA if choice.chosen else "none", choice.chosen, pages)
    first |= {"reason": clean(choice.reason), "traded": clean(choice.traded)}
    reserves = [
        _option_row(choice.cell, f"{RESERVE} {n}", option, pages)
        for n, option in enumerate(choice.reserves, start=1)
    ]
    return [first, *reserves]


def _option_row(
    cell: str, role: str, option: Option | None, pages: Mapping[str, str]
) -> dict[str, Any]:
    row: dict[str, Any] = {"survey_cell": clean(cell), "role": role}
    if option is None:
        return row
    page = pages.get(option.parcel, "")
    return row | {
        "parcel_id": clean(option.parcel),
        "spot": option.spot,
        "score": option.score,
        "kind": option.kind,
        "lon_deg": option.lon,
        "lat_deg": option.lat,
        "page": f"{page}/map.html" if page else "",
    }


_WHOLE = {"spots", "firm_spots", "best_heading_true_deg", "best_walk_there_min"}
_DECIMAL = {
    "priority", "best_score", "usable_share", "area_ha", "limit_share", "best_lon_deg",
    "best_lat_deg", "lon_deg", "lat_deg",
}  # fmt: skip


def parcels_gpkg(batch: Batch) -> bytes:
    """The layers parcels (areas), best_spots (points) and failures (areas), in WGS 84."""
    records = parcel_records(batch)
    best = [record for record in records if record["best_lon_deg"] is not None]
    points = [shapely.Point(r["best_lon_deg"], r["best_lat_deg"]) for r in best]
    failed = [({name: clean(row[name]) for name in FAILURE_COLUMNS}, _areas(
        batch.shapes.get(row["parcel_id"]))) for row in batch.failures]  # fmt: skip
    layers = {
        "parcels": parcels_frame(batch),
        "best_spots": _frame(best, points, PARCEL_COLUMNS),
        "failures": _frame([r for r, _ in failed], [s for _, s in failed], FAILURE_COLUMNS),
    }
    kinds = {"parcels": "MultiPolygon", "best_spots": "Point", "failures": "MultiPolygon"}
    return built_by("parcels.gpkg", lambda path: write_layers(path, layers, kinds=kinds))


def parcels_frame(batch: Batch) -> gpd.GeoDataFrame:
    """`PARCEL_COLUMNS` of each scored parcel with its outline, in WGS 84 (lon, lat)."""
    areas = [_areas(batch.shapes.get(row["parcel_id"])) for row in batch.rows]
    return _frame(parcel_records(batch), areas, PARCEL_COLUMNS)


def _areas(shape: Geometry | None) -> Geometry | None:
    """The areas of an outline, mended, as one multipolygon."""
    if shape is None or shape.is_empty or not np.isfinite(shapely.bounds(shape)).all():
        return None
    sound = shape if shape.is_valid else shapely.make_valid(shape, method="structure")
    parts = [p for p in shapely.get_parts(sound) if isinstance(p, shapely.Polygon)]
    areas = shapely.MultiPolygon(parts)
    return shapely.set_precision(areas, _COORDINATE_DEG, mode="pointwise") if parts else None


def _frame(
    records: Sequence[Row], shapes: Sequence[Geometry | None], columns: Sequence[str]
) -> gpd.GeoDataFrame:
    data = {name: _typed(name, [record[name] for record in records]) for name in columns}
    return gpd.GeoDataFrame(data, geometry=gpd.GeoSeries(list(shapes), crs=_CRS), crs=_CRS)


def _typed(name: str, values: list[Any]) -> Any:
    if name in _WHOLE:
        return pd.array(values, dtype="Int64")
    if name in _DECIMAL:
        return np.array([np.nan if v is None else v for v in values], dtype=np.float64)
    return pd.array(values, dtype="string")
