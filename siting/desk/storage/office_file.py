"""The office file as SQLite: opening, copying, and acts that happen whole or not at all.

Only Python's sqlite3 touches the file in this process. A wheel of another library carries a SQLite
of its own, and two of them in one process do not see each other's locks: rows that were saved get
lost.
"""

from __future__ import annotations

import json
import secrets
import sqlite3
import threading
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from siting.desk.storage.clock import now_text
from siting.desk.storage.schema import (
    SCHEMA,
    VERSION_TABLE,
    add_functions,
    create,
    upgrade,
)
from siting.disk.files import make_folder
from siting.errors import ResourceError, SitingError

FILE = "office.gpkg"
BACKUPS = "backup"
_WAIT_MS = 5000
_UNREAD = "read"


class OfficeFile:
    """An open office file.

    Raises
    ------
    SitingError
        E-DESK-01 when the file is not an office file or of a newer version.
    ResourceError
        E-DISK-01 when it cannot be opened or written.
    """

    def __init__(self, folder: Path) -> None:
        self.path = folder / FILE
        # The runner and the saves share one connection, and it can be in one transaction only.
        self._alone = threading.RLock()
        self._looking = threading.RLock()
        with _failures_of(self.path):
            self._db = _connected(self.path)
            # A write-ahead log would be a second file: a folder copied without it would lose rows.
            self._db.execute("PRAGMA journal_mode = DELETE")
            # A row that the page called saved must survive a power cut.
            self._db.execute("PRAGMA synchronous = FULL")
            add_functions(self._db)
            self._open()
            # Reading has a connection of its own: it does not wait for a save that waits for a map
            # program, and sees nothing that is not kept yet.
            self._seen = _connected(self.path)
            self._seen.execute("PRAGMA query_only = ON")

    def _open(self) -> None:
        tables = {row["name"] for row in self._db.execute("SELECT name FROM sqlite_master")}
        if not tables:
            with self._act("made", "office"):
                create(self._db, at=now_text())
            return
        known = VERSION_TABLE in tables
        query = f"SELECT number FROM {VERSION_TABLE}"
        version = self._db.execute(query).fetchone()["number"] if known else 0
        if 0 < version < SCHEMA:
            self._upgrade(version)
            return
        if version != SCHEMA:
            raise SitingError(
                "E-DESK-01",
                f"{self.path} has version {version}.",
                rule=f"This program works on office files of version {SCHEMA}.",
                cure="Update siting, or name another folder with -o.",
            )

    def _upgrade(self, version: int) -> None:
        make_folder(self.path.parent / BACKUPS)
        kept = self.path.parent / BACKUPS / f"office-version-{version}.gpkg"
        if not kept.exists():
            # What the older program can still open, should anybody need to go back to it.
            self.copy_to(kept)
        with self._act("upgraded", "office", version, SCHEMA):
            upgrade(self._db, at=now_text())

    def close(self) -> None:
        """End the connections."""
        self._seen.close()
        self._db.close()

    def copy_to(self, target: Path) -> None:
        """A copy of one moment, also while somebody writes."""
        with self._alone, _failures_of(target):
            # A copy of the file itself could catch it between two writes.
            self._db.execute("VACUUM INTO ?", (str(target),))

    # --- reading -----------------------------------------------------------------------------

    def _rows(self, query: str, values: Sequence[Any] = ()) -> list[sqlite3.Row]:
        """All rows at once: one that is half read would keep every save waiting."""
        with self._looking, _failures_of(self.path, _UNREAD):
            return self._seen.execute(query, values).fetchall()

    def _row(self, query: str, values: Sequence[Any] = ()) -> sqlite3.Row | None:
        return next(iter(self._rows(query, values)), None)

    @contextmanager
    def _moment(self) -> Iterator[None]:
        """What is read within is of one moment, with no save in between."""
        with self._looking, _failures_of(self.path, _UNREAD):
            self._seen.execute("BEGIN")
            try:
                yield
            finally:
                self._seen.execute("COMMIT")

    # --- one act, whole or not at all --------------------------------------------------------

    @contextmanager
    def _act(self, what: str, uid: str, before: Any = None, after: Any = None) -> Iterator[None]:
        """A transaction that also writes one line of the record of changes."""
        with self._alone, _failures_of(self.path):
            # Takes the write lock at once: begun as a reader, it could be refused in the middle.
            self._db.execute("BEGIN IMMEDIATE")
            try:
                yield
                self._db.execute(
                    "INSERT INTO change (at, what, uid, before, after) VALUES (?, ?, ?, ?, ?)",
                    (now_text(), what, uid, _json(before), _json(after)),
                )
                self._db.execute("COMMIT")
            except BaseException:
                self._db.execute("ROLLBACK")
                raise

    def _insert(self, table: str, values: Mapping[str, Any]) -> str:
        uid = secrets.token_hex(8)
        at = now_text()
        row = {"uid": uid, "rev": 1, "made_at": at, "changed_at": at, **values}
        names = ", ".join(row)
        marks = ", ".join("?" for _ in row)
        self._db.execute(f"INSERT INTO {table} ({names}) VALUES ({marks})", tuple(row.values()))
        return str(row["uid"])


def _connected(path: Path) -> sqlite3.Connection:
    # Transactions are begun by hand (isolation_level=None), and the runner, the saves and the pages
    # have threads of their own (check_same_thread=False).
    made = sqlite3.connect(
        path, timeout=_WAIT_MS / 1000, isolation_level=None, check_same_thread=False
    )
    made.row_factory = sqlite3.Row
    return made


def _json(value: Any) -> str | None:
    return None if value is None else json.dumps(value, sort_keys=True, separators=(",", ":"))


@contextmanager
def _failures_of(path: Path, what: str = "written") -> Iterator[None]:
    """SQLite's failures as errors of this program, with what to do."""
    try:
        yield
    except sqlite3.OperationalError as error:
        locked = "locked" in str(error)
        raise ResourceError(
            "E-LOCK-01" if locked else "E-DISK-01",
            f"{path} cannot be {what}: {error}.",
            rule="A change is kept whole or not at all; nothing was changed.",
            cure="Close the map program that is editing the file."
            if locked
            else "Free some space, or check the folder's permissions.",
        ) from error
    except sqlite3.DatabaseError as error:
        raise SitingError(
            "E-DESK-01",
            f"{path} is not an office file: {error}.",
            rule="An office file is a GeoPackage that the desk made.",
            cure="Name another folder with -o, or bring back a copy from its backup folder.",
        ) from error
