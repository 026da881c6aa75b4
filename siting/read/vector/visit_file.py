"""The door in for what volunteers hand back: places visited, chosen or ruled out."""

from __future__ import annotations

import csv
import io
import json
import math
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import shapely
from shapely import Point
from shapely.geometry.base import BaseGeometry as Geometry

from siting.decisions.model import FORMAT as DECISIONS
from siting.decisions.model import DecisionsFile, Record
from siting.errors import SitingError
from siting.files import file_hash
from siting.grid import Grid
from siting.read.input_files import read_text
from siting.read.projection import WGS84, project
from siting.types import Note, Source

FORMAT = "siting visited 1"
_AS_VISIT = {
    "proposed": "",
    "camera up": "chosen",
    "checked": "chosen",
    "moved": "chosen",
    "taken down": "visited",
}
STATES = ("", "visited", "chosen", "ruled out")
_RADIUS_M = 15.0
_MOST_RADIUS_M = 500.0


@dataclass(frozen=True)
class Visit:
    """One place that somebody went to: degrees WGS 84, how far around it counts, and what of it."""

    lon: float
    lat: float
    radius_m: float
    state: str
    reason: str


def read_visits(path: Path) -> tuple[Visit, ...]:
    """The places of a file that the map page saved, JSON or CSV.

    Raises
    ------
    SitingError
        E-FILE-... when it cannot be read, E-VISIT-01 with every faulty row.
    """
    text = read_text(path, key="survey.visited")
    rows = _json_rows(path, text) if text.lstrip().startswith("{") else _csv_rows(path, text)
    visits: list[Visit] = []
    faults: list[str] = []
    for number, row in enumerate(rows, start=1):
        try:
            visits.append(_visit(row))
        except (ValueError, TypeError, KeyError, OverflowError) as error:
            faults.append(f"place {number}: {error}")
    if faults:
        raise SitingError(
            "E-VISIT-01",
            f"{path}: {'; '.join(faults[:10])}.",
            rule=f"Each place has lat, lon and state ({', '.join(s for s in STATES if s)}).",
            cure="Use the file as the map page saved it, or correct the rows listed.",
        )
    return tuple(visits)


def ruled_out(
    path: Path, *, grid: Grid
) -> tuple[tuple[tuple[Geometry, float], ...], Source, tuple[Note, ...]]:
    """Places ruled out that lie on a grid, each with the radius that counts.

    Returns
    -------
    (places, source, notes) : places are (point in the grid's coordinate system, radius in metres)
    """
    visits = read_visits(path)
    places: list[tuple[Geometry, float]] = []
    for visit in visits:
        if visit.state == "ruled out":
            spot = project(Point(visit.lon, visit.lat), WGS84, grid.crs, file=path.name)
            row, col = grid.rowcol(*shapely.get_coordinates(spot)[0])
            if grid.contains(row, col):
                places.append((spot, visit.radius_m))
    text = (
        f"{path.name} lists {len(visits)} places; {len(places)} on this land are ruled out "
        "and will not be proposed again."
    )
    note = Note("A-VISIT-01", "assumption", text)
    source = Source("visited", path.name, file_hash(path), {"places": len(visits)})
    return tuple(places), source, (note,)


def _json_rows(path: Path, text: str) -> list[Mapping[str, Any]]:
    try:
        data = json.loads(text)
    except (ValueError, RecursionError) as error:
        raise _unreadable(path, f"it is no JSON: {error}") from error
    if data.get("format") == DECISIONS:
        return _decided(path, text)
    if data.get("format") != FORMAT or not isinstance(data.get("spots"), list):
        raise _unreadable(path, f"it does not say format {FORMAT!r}")
    return [row if isinstance(row, Mapping) else {} for row in data["spots"]]


def _decided(path: Path, text: str) -> list[Mapping[str, Any]]:
    """The last thing reported of each place, at the point that the page had shown."""
    try:
        found = DecisionsFile.model_validate_json(text)
    except ValueError as error:
        raise _unreadable(path, f"a report in it is damaged: {error}") from error
    last: dict[object, Record] = {}
    for record in found.records:
        last[record.location or (record.planned_lat, record.planned_lon)] = record
    return [_row(record.model_dump()) for record in last.values()]


def _row(record: Mapping[str, Any]) -> dict[str, Any]:
    """A report as a visit: where a camera stands, somebody has chosen."""
    planned = record.get("planned_lat") not in (None, "")
    state = record["state"] or ""
    return {
        "lat": record["planned_lat"] if planned else record["lat"],
        "lon": record["planned_lon"] if planned else record["lon"],
        "radius_m": record.get("radius_m"),
        "state": _AS_VISIT.get(state, state),
        "reason": record.get("reason"),
    }


def _csv_rows(path: Path, text: str) -> list[Mapping[str, Any]]:
    reader = csv.DictReader(io.StringIO(text))
    names = set(reader.fieldnames or ())
    if not {"lat", "lon", "state"} <= names:
        raise _unreadable(path, "it has no columns lat, lon and state")
    try:
        rows = list(reader)
    except csv.Error as error:
        raise _unreadable(path, f"it is not a plain table: {error}") from error
    if {"at", "planned_lat"} <= names:
        last = {row["location"] or (row["planned_lat"], row["planned_lon"]): row for row in rows}
        return [_row(row) for row in last.values()]
    return list(rows)


def _visit(row: Mapping[str, Any]) -> Visit:
    lon, lat = float(row["lon"]), float(row["lat"])
    if not (math.isfinite(lon) and math.isfinite(lat) and abs(lon) <= 180 and abs(lat) <= 90):
        raise ValueError(f"longitude {lon:g}, latitude {lat:g} is no place on Earth")
    state = str(row["state"] or "")
    if state not in STATES:
        raise ValueError(f"state {state!r} is not known")
    radius_m = float(row.get("radius_m") or _RADIUS_M)
    if not 0 < radius_m <= _MOST_RADIUS_M:
        raise ValueError(f"radius_m {radius_m:g} is not within 0 to {_MOST_RADIUS_M:g}")
    return Visit(lon, lat, radius_m, state, str(row.get("reason") or "")[:500])


def _unreadable(path: Path, why: str) -> SitingError:
    return SitingError(
        "E-FILE-02",
        f"{path} (survey.visited) cannot be read: {why}.",
        rule="Use the visits file that the map page saves.",
        cure="Save it again from the page's list of visits.",
    )
