"""The tables of an office file, made once; a GeoPackage that any desktop GIS opens."""

from __future__ import annotations

import sqlite3
from collections.abc import Container
from dataclasses import dataclass

from siting.desk.storage.blob import envelope_of, from_blob

SCHEMA = 2
VERSION_TABLE = "office_version"
APPLICATION_ID = 0x47504B47  # "GPKG"
_GPKG_VERSION = 10200
# Names of places begin with it, and stand in lists and on small pages.
_LONGEST_PARCEL_ID = 60

LAYERS: dict[str, tuple[str, ...]] = {
    "parcel": ("area",),
    "feeders": ("point",),
    "livestock": ("area",),
    "trails": ("line",),
    "crossings": ("point",),
    "water": ("line", "area", "point"),
    "roads": ("line",),
    "buildings": ("point", "area"),
    "no_go": ("area",),
    "way_in": ("point",),
}
"""Layers that are drawn for a sign-up, each with the kinds of shape that it takes."""


@dataclass(frozen=True)
class Table:
    """One table: its own columns beside those that every row has, and whether it has shapes."""

    name: str
    columns: tuple[str, ...]
    shapes: bool = False


_ROW = "fid INTEGER PRIMARY KEY AUTOINCREMENT, uid TEXT NOT NULL UNIQUE, rev INTEGER NOT NULL"
_TIMES = "made_at TEXT NOT NULL, changed_at TEXT NOT NULL, gone_at TEXT"
FEATURE_COLUMNS = (
    "signup_uid TEXT NOT NULL",
    "name TEXT NOT NULL DEFAULT ''",
    "use TEXT NOT NULL DEFAULT ''",
    "class TEXT NOT NULL DEFAULT ''",
    "reason TEXT NOT NULL DEFAULT ''",
    "said_by TEXT NOT NULL DEFAULT ''",
    "said_on TEXT NOT NULL DEFAULT ''",
    "via TEXT NOT NULL DEFAULT 'office'",
)
TABLES = (
    Table(
        "signup",
        (
            "label TEXT NOT NULL",
            "cell TEXT NOT NULL DEFAULT ''",
            "priority REAL",
            "contact_ref TEXT NOT NULL DEFAULT ''",
            "note TEXT NOT NULL DEFAULT ''",
            "set_aside_why TEXT NOT NULL DEFAULT ''",
            "land_rev INTEGER NOT NULL DEFAULT 0",
            "parcel_id TEXT NOT NULL DEFAULT ''",
            "said_rev INTEGER NOT NULL DEFAULT 0",
        ),
        shapes=True,
    ),
    *(Table(name, FEATURE_COLUMNS, shapes=True) for name in LAYERS),
    Table("answer", ("signup_uid TEXT NOT NULL", "layer TEXT NOT NULL", "state TEXT NOT NULL")),
    Table(
        "run",
        (
            "signup_uid TEXT NOT NULL",
            "land_rev INTEGER NOT NULL",
            "state TEXT NOT NULL",
            "code TEXT NOT NULL DEFAULT ''",
            "message TEXT NOT NULL DEFAULT ''",
            "summary TEXT NOT NULL DEFAULT ''",
            "seconds REAL",
            "said_rev INTEGER NOT NULL DEFAULT 0",
            "named TEXT NOT NULL DEFAULT ''",
            "row TEXT NOT NULL DEFAULT ''",
        ),
    ),
    Table(
        "decision",
        (
            "signup_uid TEXT NOT NULL",
            "run_uid TEXT NOT NULL",
            "rank INTEGER NOT NULL",
            "kind TEXT NOT NULL",
            "why TEXT NOT NULL DEFAULT ''",
            "spot_id TEXT NOT NULL DEFAULT ''",
        ),
        shapes=True,
    ),
    Table(
        "received",
        (
            "signup_uid TEXT NOT NULL DEFAULT ''",
            "name TEXT NOT NULL",
            "sha256 TEXT NOT NULL",
            "kind TEXT NOT NULL",
            "state TEXT NOT NULL",
            "found TEXT NOT NULL DEFAULT ''",
        ),
    ),
    # What was decided and done at places, as files of decisions: the desk's own and those received.
    Table("said", ("signup_uid TEXT NOT NULL", "received_uid TEXT NOT NULL", "text TEXT NOT NULL")),
    # What these come to, so that a list of thousands need not read them all.
    Table(
        "camera",
        (
            "signup_uid TEXT NOT NULL",
            "state TEXT NOT NULL",
            "since TEXT NOT NULL",
            "last_on TEXT NOT NULL",
        ),
    ),
    Table(
        "handover",
        (
            "signup_uid TEXT NOT NULL",
            "spot_id TEXT NOT NULL DEFAULT ''",
            "letter TEXT NOT NULL DEFAULT ''",
            "sha256 TEXT NOT NULL DEFAULT ''",
            "sent_on TEXT NOT NULL DEFAULT ''",
        ),
    ),
)
# Its numbers put changes in order: a clock may be set back.
_CHANGE = (
    "CREATE TABLE change (number INTEGER PRIMARY KEY AUTOINCREMENT, at TEXT NOT NULL, "
    "what TEXT NOT NULL, uid TEXT NOT NULL, before TEXT, after TEXT)"
)
_GPKG = (
    "CREATE TABLE gpkg_spatial_ref_sys (srs_name TEXT NOT NULL, srs_id INTEGER PRIMARY KEY, "
    "organization TEXT NOT NULL, organization_coordsys_id INTEGER NOT NULL, "
    "definition TEXT NOT NULL, description TEXT)",
    "CREATE TABLE gpkg_contents (table_name TEXT PRIMARY KEY, data_type TEXT NOT NULL, "
    "identifier TEXT UNIQUE, description TEXT DEFAULT '', last_change DATETIME NOT NULL, "
    "min_x DOUBLE, min_y DOUBLE, max_x DOUBLE, max_y DOUBLE, srs_id INTEGER)",
    "CREATE TABLE gpkg_geometry_columns (table_name TEXT PRIMARY KEY, column_name TEXT NOT NULL, "
    "geometry_type_name TEXT NOT NULL, srs_id INTEGER NOT NULL, z TINYINT NOT NULL, "
    "m TINYINT NOT NULL)",
)
_WGS84 = (
    'GEOGCS["WGS 84",DATUM["WGS_1984",SPHEROID["WGS 84",6378137,298.257223563]],'
    'PRIMEM["Greenwich",0],UNIT["degree",0.0174532925199433],AUTHORITY["EPSG","4326"]]'
)
_SYSTEMS = (
    ("WGS 84 geodetic", 4326, "EPSG", 4326, _WGS84, "longitude/latitude"),
    ("Undefined cartesian", -1, "NONE", -1, "undefined", ""),
    ("Undefined geographic", 0, "NONE", 0, "undefined", ""),
)


def create(store: sqlite3.Connection, *, at: str) -> None:
    """Every table of a new office, inside the caller's transaction."""
    for line in (*_GPKG, _CHANGE):
        store.execute(line)
    store.executemany("INSERT INTO gpkg_spatial_ref_sys VALUES (?, ?, ?, ?, ?, ?)", _SYSTEMS)
    for table in TABLES:
        _create_table(store, table, at=at)
    store.execute(f"PRAGMA application_id = {APPLICATION_ID}")
    store.execute(f"PRAGMA user_version = {_GPKG_VERSION}")
    # The standard keeps its own version in user_version, so the office's has a table.
    store.execute(f"CREATE TABLE {VERSION_TABLE} (number INTEGER NOT NULL)")
    store.execute(f"INSERT INTO {VERSION_TABLE} VALUES ({SCHEMA})")


def _create_table(store: sqlite3.Connection, table: Table, *, at: str) -> None:
    shape = ["geom BLOB"] if table.shapes else []
    store.execute(
        f"CREATE TABLE {table.name} ({', '.join([_ROW, *shape, *table.columns, _TIMES])})"
    )
    # Tables without shapes are named as well, or desktop programs would not list them.
    kind, srs = ("features", 4326) if table.shapes else ("attributes", None)
    store.execute(
        "INSERT INTO gpkg_contents (table_name, data_type, identifier, last_change, srs_id) "
        "VALUES (?, ?, ?, ?, ?)",
        (table.name, kind, table.name, at, srs),
    )
    # No spatial index: its triggers call functions that SQLite itself lacks, and 5,000 rows need
    # none.
    if table.shapes:
        store.execute(
            "INSERT INTO gpkg_geometry_columns VALUES (?, 'geom', 'GEOMETRY', 4326, 0, 0)",
            (table.name,),
        )
    if any(column.startswith("signup_uid") for column in table.columns):
        store.execute(f"CREATE INDEX {table.name}_of ON {table.name} (signup_uid)")


def upgrade(store: sqlite3.Connection, *, at: str) -> None:
    """Tables and columns that an office file of an older version lacks, in one transaction."""
    for table in TABLES:
        has = {row["name"] for row in store.execute(f"PRAGMA table_info({table.name})")}
        if not has:
            _create_table(store, table, at=at)
            continue
        for column in table.columns:
            if column.split()[0] not in has:
                store.execute(f"ALTER TABLE {table.name} ADD COLUMN {column}")
    taken: set[str] = set()
    for row in store.execute("SELECT uid, label FROM signup ORDER BY fid").fetchall():
        name = new_parcel_id(row["label"], taken)
        taken.add(name)
        store.execute("UPDATE signup SET parcel_id = ? WHERE uid = ?", (name, row["uid"]))
    store.execute(f"UPDATE {VERSION_TABLE} SET number = {SCHEMA}")


def new_parcel_id(label: str, taken: Container[str]) -> str:
    """The name that files call a sign-up's land by: its label at first, and never changed later.

    Examples
    --------
    >>> new_parcel_id("Brook farm", {"Brook farm"})
    'Brook farm 2'
    """
    plain = "".join(c if c.isprintable() and c != "|" else " " for c in label)
    name = " ".join(plain.split())[:_LONGEST_PARCEL_ID].strip() or "Land"
    tried, number = name, 1
    while tried in taken:
        number += 1
        tried = f"{name} {number}"
    return tried


def add_functions(store: sqlite3.Connection) -> None:
    """Functions that a map program's spatial index would call on every change of a row."""

    def edge(number: int) -> object:
        return lambda blob: None if blob is None else envelope_of(blob)[number]

    for name, number in (("ST_MinX", 0), ("ST_MinY", 1), ("ST_MaxX", 2), ("ST_MaxY", 3)):
        store.create_function(name, 1, edge(number), deterministic=True)  # type: ignore[arg-type]
    store.create_function(
        "ST_IsEmpty",
        1,
        lambda blob: None if blob is None else int(from_blob(blob).is_empty),
        deterministic=True,
    )
