"""The spots as tables: GeoJSON and CSV, and how any table of ours is written."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable, Mapping, Sequence
from typing import Any

import numpy as np
import shapely
from numpy.typing import NDArray

from siting.disk.files import canonical_json
from siting.grid import Grid
from siting.report.files import columns
from siting.report.files.columns import SpotRow
from siting.report.shared.credits import one_line
from siting.report.shared.facts import SpotFacts, plain
from siting.report.shared.lonlat import DECIMALS, points_bbox
from siting.spot_parts import Extent
from siting.types import Result

# A cell that begins so is taken for a formula by spreadsheet programs.
_FORMULA = ("=", "+", "-", "@", "\t", "\r")


def geojson(result: Result, facts: Iterable[SpotFacts]) -> str:
    """The spots as an RFC 7946 FeatureCollection of points, best first."""
    return canonical_json(collection_of(result, facts)) + "\n"


def collection_of(result: Result, facts: Iterable[SpotFacts]) -> dict[str, Any]:
    """The same as plain values."""
    known = list(facts)
    features = [_feature(SpotRow(result.land.parcel, fact)) for fact in known]
    points = [feature["geometry"]["coordinates"] for feature in features]
    features += [
        _extent(fact, fact.spot.extent, result.land.grid) for fact in known if fact.spot.extent
    ]
    collection: dict[str, Any] = {"type": "FeatureCollection", "features": features}
    if points:
        lon, lat = zip(*points, strict=True)
        collection["bbox"] = points_bbox(lon, lat)
    if result.land.credits:
        collection["attribution"] = one_line(result.land.credits)
    return collection


def _feature(row: SpotRow) -> dict[str, Any]:
    """A spot with what has several values as lists and objects."""
    properties = {
        column.name: column.get(row) for column in columns.COLUMNS if not column.table_only
    }
    properties["memberships"] = plain(dict(row.spot.memberships))
    properties["measures"] = plain(dict(row.spot.measures))
    return {
        "type": "Feature",
        "id": row.fact.id,
        "geometry": {"type": "Point", "coordinates": [row.fact.lon, row.fact.lat]},
        "properties": properties,
    }


def _extent(fact: SpotFacts, extent: Extent, grid: Grid) -> dict[str, Any]:
    """The stretch or area of a spot, a feature of its own after the points."""

    def moved(xy: NDArray[np.float64]) -> NDArray[np.float64]:
        return np.column_stack(grid.to_lonlat.transform(xy[:, 0], xy[:, 1])).round(DECIMALS)

    # RFC 7946, 3.1.6: outer rings run counter-clockwise, holes clockwise.
    outline = shapely.orient_polygons(shapely.transform(extent.shape, moved))
    return {
        "type": "Feature",
        "id": f"{fact.id}-{extent.kind}",
        "geometry": plain(shapely.geometry.mapping(outline)),
        "properties": {"spot_id": fact.id, "what": extent.kind, "along": extent.along},
    }


def spots_csv(result: Result, facts: Iterable[SpotFacts]) -> str:
    """One row to a spot; the columns are the same for every parcel and protocol."""
    rows = [SpotRow(result.land.parcel, fact) for fact in facts]
    cells = [{column.name: column.cell(row) for column in columns.COLUMNS} for row in rows]
    return table([column.name for column in columns.COLUMNS], cells)


def table(columns: Sequence[str], rows: Iterable[Mapping[str, Any]]) -> str:
    """Rows as CSV (RFC 4180, UTF-8): an empty cell is "not known", no cell is a formula."""
    stream = io.StringIO()
    writer = csv.writer(stream, lineterminator="\r\n")
    writer.writerow(columns)
    writer.writerows([[cell(row.get(name)) for name in columns] for row in rows])
    return stream.getvalue()


def cell(value: Any) -> str:
    """One value as the text of a table's cell.

    Text that a spreadsheet would run as a formula gets an apostrophe before it; numbers stay.

    Examples
    --------
    >>> cell("=1+2"), cell("-80"), cell(-80.5), cell(True), cell(None)
    ("'=1+2", "'-80", '-80.5', 'true', '')
    """
    if value is None:
        return ""
    # Before the numbers: to Python a bool is an int, and repr would write True.
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, int | float):
        # The shortest digits that are read back as the same number.
        return repr(value)
    text = str(value)
    return f"'{text}" if text.startswith(_FORMULA) else text
