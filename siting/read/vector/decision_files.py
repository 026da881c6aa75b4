"""The door in for decisions: files that pages save and offices write, for one parcel or many."""

from __future__ import annotations

import csv
import io
import json
from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import shapely
from pydantic import ValidationError

from siting.credits import Source
from siting.decisions.history import newest_exports, point_of
from siting.decisions.model import FORMAT, DecisionsFile, Record
from siting.decisions.places import KnownPlace
from siting.disk.files import file_hash
from siting.errors import SitingError
from siting.read.crs.projection import WGS84, project
from siting.read.file_kinds import read_text
from siting.read.input_files import resolve
from siting.settings.inputs import Inputs
from siting.types import Note, Parcel

_KEY = "survey.visited"
_LISTS = ("cleared", "done")
_SEPARATOR = "|"
# A record this far from the land it names was made on another one.
_LONGEST_CELL = 1000
_STRAY_M = 1000.0
_OLD_FORMAT = "siting visited 1"
_PLACE_COLUMNS = {"spot_id", "lon_deg", "lat_deg", "search_radius_m", "parcel_id"}


@dataclass(frozen=True)
class Given:
    """One file of decisions: `named` where the user named it, not only the folder it lies in."""

    name: str
    sha256: str
    named: bool
    file: DecisionsFile

    def records_of(self, parcel: str) -> tuple[Record, ...]:
        """Its records of one parcel."""
        return tuple(r for r in self.file.records if (r.parcel or self.file.parcel) == parcel)

    @property
    def parcels(self) -> set[str]:
        """The parcels it speaks of; "" stands for a record that names none."""
        return {record.parcel or self.file.parcel for record in self.file.records}


@dataclass(frozen=True)
class Decisions:
    """All that is known of one parcel from files of decisions."""

    records: tuple[Record, ...] = ()
    known: tuple[KnownPlace, ...] = ()
    notes: tuple[Note, ...] = ()
    sources: tuple[Source, ...] = ()


def read_given(inputs: Inputs) -> tuple[Given, ...]:
    """Every file of decisions of the inputs; of one device and parcel the export saved last.

    Raises
    ------
    SitingError
        E-FILE-... when a file cannot be read, E-VISIT-01 with every faulty record.
    """
    found: list[Given] = []
    for named in inputs.survey.visited:
        path = Path(resolve(named, inputs.folder, allow_remote=False))
        paths = [path]
        if path.is_dir():
            # Sorted: which of two exports counts must not hang on how a folder lists them.
            paths = sorted(p for p in path.iterdir() if p.suffix.lower() in (".json", ".csv"))
            # A link to nothing or a pipe says what is wrong with it, and none is waited for.
            paths = [Path(resolve(str(p), path, allow_remote=False)) for p in paths]
            paths = [p for p in paths if p.is_file()]
        found += [Given(p.name, file_hash(p), not path.is_dir(), read_decisions(p)) for p in paths]
    return newest_of(found)


def newest_of(found: Sequence[Given]) -> tuple[Given, ...]:
    """Of one device and parcel the export saved last; a file without a device always counts."""
    exports = [
        (f"{g.file.parcel}|{g.file.device}" if g.file.device else "", g.file.saved) for g in found
    ]
    return tuple(found[n] for n in newest_exports(exports))


def check_parcels(given: Iterable[Given], parcels: Collection[str]) -> tuple[Note, ...]:
    """Refuse a file that was named and speaks of other parcels only; leave out those of a folder.

    Raises
    ------
    SitingError
        E-VISIT-02 with the parcels that the file speaks of.
    """
    notes = []
    for one in given:
        spoken = one.parcels
        if not spoken or "" in spoken or spoken & set(parcels):
            continue
        others = ", ".join(sorted(spoken)[:5])
        # A folder may hold the files of all parcels; a file that was named is meant for this one.
        if one.named:
            raise SitingError(
                "E-VISIT-02",
                f"{one.name} holds decisions about {others}, not about this land.",
                rule="Decisions are matched by the parcel's identifier.",
                cure="Name the file of this parcel, or the folder that holds the files of all.",
            )
        text = f"{one.name} was left out: it holds decisions about {others}, not about this land."
        notes.append(Note("W-VISIT-02", "warning", text))
    return tuple(notes)


def decisions_of(
    given: Sequence[Given], parcel: Parcel, *, known: Iterable[KnownPlace] = ()
) -> Decisions:
    """What the files say of one parcel.

    A record that names no parcel, in a file that names none, is about the parcel asked for.

    Raises
    ------
    SitingError
        E-VISIT-02 when a record lies far off the parcel it names.
    """
    from siting.decisions.history import deployed_places, deployments_of, in_order, places_of

    records: list[Record] = []
    sources: list[Source] = []
    for one in given:
        mine = (*one.records_of(parcel.id), *one.records_of(""))
        if mine:
            _check_near(mine, parcel, one.name)
            records += mine
            sources.append(Source("visited", one.name, one.sha256, {"records": len(mine)}))
    ordered = in_order(records)
    names = (*known, *places_of(ordered))
    # A camera that was moved stands at a place that no page has named: a re-run must know its name.
    stood = deployed_places(deployments_of(ordered, parcel=parcel.id, known=names))
    return Decisions(ordered, (*names, *stood), (), tuple(sources))


def _check_near(records: Iterable[Record], parcel: Parcel, name: str) -> None:
    if parcel.geometry is None:
        return
    lon, lat = shapely.get_coordinates(
        project(parcel.geometry.representative_point(), parcel.crs, WGS84, file=name)
    )[0]
    # Beyond the land itself: a phone's position may be off, and cameras stand outside outlines.
    reach_m = _STRAY_M + _extent_m(parcel)
    for record in records:
        point = point_of(record)
        if point is None:
            continue
        from siting.decisions.places import apart_m

        away_m = apart_m(*point, KnownPlace("", float(lon), float(lat), 0.0))
        if away_m > reach_m:
            raise SitingError(
                "E-VISIT-02",
                f"{name} speaks of a place {away_m / 1000:,.1f} km from parcel {parcel.id}.",
                rule="Decisions are about places on the parcel they name.",
                cure="Check that this file is of this survey and parcel.",
            )


def _extent_m(parcel: Parcel) -> float:
    shape = project(parcel.geometry, parcel.crs, WGS84, file="parcel")
    left, bottom, right, top = shapely.bounds(shape)
    return float(max(min(right - left, 360.0 - (right - left)), top - bottom)) * 111_320.0


def read_decisions(path: Path) -> DecisionsFile:
    """One file, JSON or CSV.

    Raises
    ------
    SitingError
        E-FILE-02 when it is none, E-VISIT-01 with every faulty record.
    """
    text = read_text(path, key=_KEY)
    data = _json(path, text) if text.lstrip().startswith("{") else _table(path, text)
    try:
        # Through JSON: tables hold text only, and this reading turns it into numbers by one rule.
        return DecisionsFile.model_validate_json(json.dumps(data))
    except ValidationError as error:
        raise _faulty(path, error) from error


def _json(path: Path, text: str) -> Mapping[str, Any]:
    try:
        data = json.loads(text)
    except (ValueError, RecursionError) as error:
        raise _unreadable(path, f"it is not JSON: {error}") from error
    if data.get("format") == _OLD_FORMAT and isinstance(data.get("spots"), list):
        return _from_old(data)
    if data.get("format") != FORMAT:
        raise _unreadable(path, f"it does not say format {FORMAT!r}")
    return dict(data)


def _from_old(data: Mapping[str, Any]) -> Mapping[str, Any]:
    """A file of the first map pages: marks without a date, reasons in words."""
    rows = [row for row in data["spots"] if isinstance(row, dict) and row.get("state")]
    return {
        "format": FORMAT,
        "parcel": str(data.get("parcel") or ""),
        "records": [
            {
                "state": row.get("state"), "at": "2000-01-01", "lat": row.get("lat"),
                "lon": row.get("lon"), "radius_m": row.get("radius_m"), "spot": row.get("spot"),
                "reason": "other" if row.get("state") == "ruled out" else None,
                "note": ". ".join(t for t in (row.get("reason"), row.get("note")) if t)[:500],
            }
            for row in rows
        ],
    }  # fmt: skip


def _table(path: Path, text: str) -> Mapping[str, Any]:
    """A CSV file with the fields of a record as columns."""
    try:
        rows = list(csv.DictReader(io.StringIO(text)))
    except csv.Error as error:
        raise _unreadable(path, f"it is not a table: {error}") from error
    if rows and "at" not in rows[0] and {"lat", "lon", "state"} <= rows[0].keys():
        return _from_old({"spots": [_row(row) for row in rows]})
    if not rows or not {"state", "at"} <= rows[0].keys():
        raise _unreadable(path, "it has no columns state and at, or no row")
    return {"format": FORMAT, "records": [_row(row) for row in rows]}


def _row(row: Mapping[str | None, Any]) -> dict[str, Any]:
    """One row of a table: empty cells are left out, lists part at |, an apostrophe guards text."""
    out: dict[str, Any] = {}
    for name, cell in row.items():
        if name is None or not isinstance(cell, str) or not cell.strip():
            continue
        value = cell.strip()
        # The guard that keeps a spreadsheet from running a cell as a formula.
        value = value[1:] if value[0] == "'" and value[1:2] in "=+-@" else value
        parts = [part.strip() for part in value.split(_SEPARATOR)]
        out[name] = parts if name in _LISTS else value
    return out


def _faulty(path: Path, error: ValidationError) -> SitingError:
    faults = []
    for fault in error.errors()[:10]:
        where = [str(part) for part in fault["loc"]]
        if where[:1] == ["records"] and len(where) > 1:
            where = [f"record {int(where[1]) + 1}", *where[2:]]
        faults.append(f"{' '.join(where)}: {fault['msg'].removeprefix('Value error, ')}")
    return SitingError(
        "E-VISIT-01",
        f"{path.name}: {'; '.join(faults)}.",
        rule="Every record follows docs/decisions.md.",
        cure="Use the file as the map page saved it, or correct the records named.",
    )


def _unreadable(path: Path, why: str) -> SitingError:
    return SitingError(
        "E-FILE-02",
        f"{path} ({_KEY}) cannot be read: {why}.",
        rule="Decisions come as the file that the map page saves, or as a table "
        "(docs/decisions.md).",
        cure="Save it again from the page.",
    )


def _known_place(row: Mapping[str, Any]) -> tuple[str, KnownPlace]:
    """The parcel and the place of one row; a ValueError where it is not on Earth."""
    # Cells beyond the last column stand under no name, as a list.
    cells = {name: (row[name] or "").removeprefix("'") for name in _PLACE_COLUMNS}
    # The table reader's own limit differs with what else the process has loaded.
    if max(map(len, cells.values())) > _LONGEST_CELL:
        raise ValueError(f"a cell is longer than {_LONGEST_CELL:,} characters")
    numbers = (cells["lon_deg"], cells["lat_deg"], cells["search_radius_m"])
    lon, lat, radius_m = map(float, numbers)
    if not (-180 <= lon <= 180 and -90 <= lat <= 90 and 0 <= radius_m <= _STRAY_M):
        raise ValueError(f"{', '.join(numbers)} is not a place with its search radius")
    return cells["parcel_id"], KnownPlace(cells["spot_id"], lon, lat, radius_m)


def read_places(path: Path) -> dict[str, tuple[KnownPlace, ...]]:
    """The places of a places.csv, by parcel.

    Raises
    ------
    SitingError
        E-FILE-02 when it is no such table.
    """
    out: dict[str, tuple[KnownPlace, ...]] = {}
    try:
        table = csv.DictReader(io.StringIO(read_text(path, key="survey.places")))
        if missing := sorted(_PLACE_COLUMNS - set(table.fieldnames or ())):
            raise ValueError(f"it has no column {', '.join(missing)}")
        for row in table:
            parcel, place = _known_place(row)
            out[parcel] = (*out.get(parcel, ()), place)
    except (csv.Error, ValueError) as error:
        raise SitingError(
            "E-FILE-02",
            f"{path} (survey.places) cannot be read: {error}.",
            rule="It is the places.csv that an earlier run wrote.",
            cure="Name that file, or leave the key out.",
        ) from error
    return out
