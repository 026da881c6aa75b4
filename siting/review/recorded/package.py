"""Reading what the cameras recorded: Camera Trap Data Packages and plain tables.

A package is a folder or a zip with deployments.csv and observations.csv in the form of the Camera
Trap Data Package standard 1.0 (Bubnicki et al. 2023, doi 10.1002/rse2.374; from memory), with
media.csv where it is given. A plain table is one CSV file: deployment, place, start, end, counts.
"""

from __future__ import annotations

import math
import zipfile
import zlib
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

from siting.disk.files import file_hash
from siting.errors import SitingError
from siting.read.file_kinds import read_text
from siting.review.recorded.observations import observations
from siting.review.recorded.season import Deployment, Season
from siting.review.recorded.tables import (
    Row,
    by_id,
    degrees,
    instant,
    moved_notes,
    noted_headings,
    number_in,
    place_notes,
    rows_of,
    said_yes,
    yes_or_no,
)

# A small zip may unpack to more than the memory holds.
_MOST_BYTES = 500_000_000
# Our choice: a larger number is one in centimetres or feet.
_TALLEST_M = 5.0
# By the standard; media.csv is optional, and so is all that it holds.
_NEEDED = {
    "deployments": (
        "deploymentID", "latitude", "longitude", "deploymentStart", "deploymentEnd",
    ),
    "observations": (
        "deploymentID", "eventStart", "observationLevel", "observationType", "scientificName",
    ),
    "media": (),
}  # fmt: skip
# No camera has so many visits in a season: more is a slip of the pen.
_MOST_EVENTS = 1_000_000.0
_FROM_0, _TURN = (0.0, math.inf), (0.0, 360.0)
_DESCRIPTOR = "datapackage.json"
# Livestock, pets and people that packages list among the animals (trap of names).
TAME = {
    "homo sapiens", "bos taurus", "bos", "ovis aries", "ovis", "capra hircus", "equus caballus",
    "equus", "sus domesticus", "canis familiaris", "canis lupus familiaris", "felis catus",
    "gallus gallus domesticus",
}  # fmt: skip


def read_season(paths: Sequence[Path], *, time_zone: str = "") -> Season:
    """All packages and tables as one season.

    Parameters
    ----------
    paths : folders, zip files or CSV tables
    time_zone : IANA name for a plain table whose times carry no offset

    Raises
    ------
    SitingError
        E-FILE-01, E-FILE-02, E-TABLE-01, E-TIME-01, E-UNIT-02, E-PACK-01, E-DEPLOY-01,
        E-PLACE-01, E-CRS-07.
    """
    seasons = [_read_one(path, time_zone) for path in paths]
    return seasons[0] if len(seasons) == 1 else _joined(seasons, [path.stem for path in paths])


def _read_one(path: Path, time_zone: str) -> Season:
    if path.suffix.lower() == ".csv" and path.is_file():
        return _plain_table(path, time_zone)
    # A package is often named by its descriptor, which lies among its tables.
    if path.name == _DESCRIPTOR and path.is_file():
        path = path.parent
    tables, sources = _tables_of(path)
    return _package(tables, sources, path)


def _tables_of(path: Path) -> tuple[dict[str, list[Row]], dict[str, str]]:
    """Rows of the tables of a package by their name, and what was read with its fingerprint."""
    tables: dict[str, list[Row]] = {}
    if path.is_dir():
        sources = {}
        for name, needed in _NEEDED.items():
            file = path / f"{name}.csv"
            if file.exists():
                tables[name] = rows_of(read_text(file, key="package"), file.name, needed)
                sources[f"{path.name}/{file.name}"] = file_hash(file)
    else:
        tables, sources = _zipped(path), {path.name: file_hash(path)} if path.exists() else {}
    for name in ("deployments", "observations"):
        if name not in tables:
            raise SitingError(
                "E-FILE-01",
                f"{path} holds no {name}.csv.",
                rule="A Camera Trap Data Package has deployments.csv and observations.csv.",
                cure="Name the package's folder or zip, or a plain table (.csv).",
            )
    return tables, sources


def _zipped(path: Path) -> dict[str, list[Row]]:
    tables: dict[str, list[Row]] = {}
    found: dict[str, str] = {}
    try:
        with zipfile.ZipFile(path) as archive:
            for entry in archive.infolist():
                # A zip often holds the package in a folder.
                file = entry.filename.rpartition("/")[2]
                name = file.removesuffix(".csv")
                if file == name or name not in _NEEDED:
                    continue
                _check_single(path, found, name, entry.filename)
                if entry.file_size > _MOST_BYTES:
                    raise SitingError(
                        "E-FILE-06",
                        f"{entry.filename} in {path.name} unpacks to {entry.file_size:,} bytes.",
                        rule=f"A table of a package has at most {_MOST_BYTES:,} bytes.",
                        cure="Hand over the season in several packages.",
                    )
                # Spreadsheets write a byte-order mark, which would become part of the first
                # column's name.
                text = archive.read(entry).decode("utf-8-sig")
                tables[name] = rows_of(text, entry.filename, _NEEDED[name])
    except FileNotFoundError as error:
        raise SitingError(
            "E-FILE-01",
            f"There is no package {path}.",
            rule="A review needs what the cameras recorded.",
            cure="Check the name and folder.",
        ) from error
    except (
        zipfile.BadZipFile, zlib.error, EOFError, OSError, UnicodeDecodeError, RuntimeError,
    ) as error:  # fmt: skip
        raise SitingError(
            "E-FILE-02",
            f"{path} cannot be read as a package: {error}.",
            rule="A package is a folder or a zip of CSV tables in UTF-8.",
            cure="Export it again.",
        ) from error
    return tables


def _check_single(path: Path, found: dict[str, str], name: str, file: str) -> None:
    """E-PACK-02 for a second table of a name: which one is meant is not guessed."""
    if name in found:
        raise SitingError(
            "E-PACK-02",
            f"{path.name} holds {found[name]} and {file}.",
            rule="An archive holds one package.",
            cure="Unpack it, and name the folders one by one: several packages are one season.",
        )
    found[name] = file


def _package(tables: Mapping[str, list[Row]], sources: Mapping[str, str], path: Path) -> Season:
    rows = tables["deployments"]
    # Row 1 is the heading, so that a message names the row that a spreadsheet shows.
    deployments = [_deployment(row, number) for number, row in enumerate(rows, start=2)]
    known = by_id(deployments, path.name)
    notes = (*place_notes(deployments), *moved_notes(deployments))
    media = tables.get("media", [])
    seen, more = observations(tables["observations"], media, known)
    # Pictures without an observation show that a camera worked, too.
    for row in media:
        time = instant(row.get("timestamp", ""), where="media.csv, timestamp")
        seen.latest(row.get("deploymentID", ""), time)
    headings, heading_notes = noted_headings(known)
    return Season(
        deployments=headings,
        records=tuple(seen.records),
        last_picture=seen.last,
        blanks={key: tuple(times) for key, times in seen.blanks.items()},
        open_share=seen.open_share,
        notes=(*notes, *more, *heading_notes),
        sources=dict(sources),
    )


def _deployment(row: Row, number: int) -> Deployment:
    where = f"deployments.csv, row {number}"
    uncertainty = number_in(row, "coordinateUncertainty", where=where, within=_FROM_0)
    return Deployment(
        id=row.get("deploymentID", ""),
        lon=degrees(row, "longitude", where),
        lat=degrees(row, "latitude", where),
        start=instant(row.get("deploymentStart", ""), where=f"{where}, deploymentStart"),
        end=instant(row.get("deploymentEnd", ""), where=f"{where}, deploymentEnd"),
        place_id=row.get("locationID", ""),
        camera_id=row.get("cameraID", ""),
        # The standard allows no 0: it stands for an uncertainty that is not known.
        uncertainty_m=uncertainty or None,
        height_m=_height(row, "cameraHeight", where),
        heading_deg=number_in(row, "cameraHeading", where=where, within=_TURN),
        # Before version 1.0 the cell named the kind of bait.
        baited=said_yes(row.get("baitUse", "")) or "bait" in _tags(row),
        comment=row.get("deploymentComments", ""),
        model=row.get("cameraModel", ""),
        delay_s=number_in(row, "cameraDelay", where=where, within=_FROM_0) or 0.0,
        clock_doubtful=said_yes(row.get("timestampIssues", "")),
        at_random="random" in _tags(row),
    )


def _height(row: Row, column: str, where: str) -> float | None:
    """Metres of the lens above the ground; E-UNIT-02 for what no lens stands at."""
    height = number_in(row, column, where=where)
    if height is not None and not 0 <= height <= _TALLEST_M:
        raise SitingError(
            "E-UNIT-02",
            f"{where}: {column} = {height:g}.",
            rule=f"Heights are metres above the ground, from 0 to {_TALLEST_M:g}.",
            cure="Divide centimetres by 100, or multiply feet by 0.3048.",
        )
    return height


def _tags(row: Row) -> set[str]:
    """Tags of a deployment, parted by commas or pipes; of "place:random" the value counts, too."""
    tags = row.get("deploymentTags", "").replace("|", ",").lower().split(",")
    return {word.strip() for tag in tags for word in (tag, tag.rpartition(":")[2])}


_TABLE_COLUMNS = ("deployment", "longitude", "latitude", "start", "end")


def _plain_table(path: Path, time_zone: str) -> Season:
    """One CSV row per deployment; every column `events_<species>`, or `events`, holds counts."""
    rows = rows_of(read_text(path, key="review"), path.name)
    names = list(rows[0]) if rows else []
    missing = [c for c in _TABLE_COLUMNS if c not in names]
    event_columns = [c for c in names if c == "events" or c.startswith("events_")]
    if missing or not event_columns:
        raise SitingError(
            "E-TABLE-01",
            f"{path.name} has the columns {', '.join(names) or 'of an empty file'}.",
            rule=f"A plain table has {', '.join(_TABLE_COLUMNS)} and events or events_<species>.",
            cure="Rename the columns, or use a Camera Trap Data Package.",
        )
    if "events" in event_columns and len(event_columns) > 1:
        raise SitingError(
            "E-TABLE-01",
            f"{path.name} has the column events and others: {', '.join(event_columns[:6])}.",
            rule="Events are given as one sum or by species; both would count twice.",
            cure="Remove the column events, or those of the species.",
        )
    zone = ZoneInfo(time_zone) if time_zone else None
    deployments, counts = [], {}
    for number, row in enumerate(rows, start=2):
        where = f"{path.name}, row {number}"
        deployments.append(_table_row(row, where, zone))
        for column in event_columns:
            value = number_in(row, column, where=where, within=(0.0, _MOST_EVENTS)) or 0.0
            counts[row["deployment"], column.removeprefix("events_")] = value
    known = by_id(deployments, path.name)
    headings, notes = noted_headings(known)
    return Season(
        deployments=headings,
        counts=counts,
        notes=(*place_notes(deployments), *moved_notes(deployments), *notes),
        sources={path.name: file_hash(path)},
    )


def _table_row(row: Row, where: str, zone: ZoneInfo | None) -> Deployment:
    return Deployment(
        id=row["deployment"],
        lon=degrees(row, "longitude", where),
        lat=degrees(row, "latitude", where),
        start=instant(row["start"], where=f"{where}, start", zone=zone),
        end=instant(row["end"], where=f"{where}, end", zone=zone),
        place_id=row.get("place", ""),
        uncertainty_m=number_in(row, "uncertainty_m", where=where, within=_FROM_0) or None,
        height_m=_height(row, "height_m", where),
        heading_deg=number_in(row, "heading_deg", where=where, within=_TURN),
        comment=row.get("comment", ""),
        at_random=yes_or_no(row, "random", where=where),
    )


def _joined(seasons: Sequence[Season], names: Sequence[str]) -> Season:
    """Several packages as one; equal deployments are one, unlike ones of one name are an error."""
    deployments: dict[str, Deployment] = {}
    for season, name in zip(seasons, names, strict=True):
        for key, one in season.deployments.items():
            if deployments.get(key, one) != one:
                raise SitingError(
                    "E-PACK-01",
                    f"{name}: the deployment {key} has another place or other dates than in an "
                    "earlier package.",
                    rule="A deployment of one identifier is the same in all packages.",
                    cure="Rename one of them, or review the newer package alone.",
                )
            deployments[key] = one
    # Packages that overlap hold the same records.
    records = tuple(dict.fromkeys(r for s in seasons for r in s.records))
    return Season(
        deployments=deployments,
        records=records,
        counts=_merged(seasons, lambda s: s.counts),
        last_picture=_merged(seasons, lambda s: s.last_picture),
        blanks=_merged(seasons, lambda s: s.blanks),
        open_share=_merged(seasons, lambda s: s.open_share),
        notes=tuple({(n.code, n.text): n for s in seasons for n in s.notes}.values()),
        sources=_merged(seasons, lambda s: s.sources),
    )


def _merged(seasons: Sequence[Season], of: Callable[[Season], Mapping[Any, Any]]) -> dict[Any, Any]:
    return {key: value for season in seasons for key, value in of(season).items()}
