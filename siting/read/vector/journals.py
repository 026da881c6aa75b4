"""GeoPackages with a journal beside them: read without touching either file.

SQLite in the mode "write-ahead log" keeps the newest changes in a second file (-wal). Whoever opens
the pair to read moves the changes over and deletes the log, under the hands of the program that
wrote it. So the pair is copied, settled in the copy, and read from memory.
"""

from __future__ import annotations

import sqlite3
from pathlib import Path

from siting.disk.files import file_state, private_copies
from siting.errors import SitingError
from siting.read.vector.layer_cache import Kept

_MOST_BYTES = 500_000_000
# Bytes 18 and 19 of the head: how the file is written and read; 2 is the write-ahead log.
# https://www.sqlite.org/fileformat2.html#file_format_version_numbers
_MODE, _LOG, _PLAIN = slice(18, 20), b"\x02", b"\x01\x01"
_KEPT = Kept(most=2)


def is_written_ahead(path: str) -> bool:
    """Whether a file is an SQLite database in the mode "write-ahead log"."""
    if not path.lower().endswith(".gpkg"):
        return False
    try:
        with Path(path).open("rb") as stream:
            head = stream.read(20)
    except OSError:
        return False
    return head.startswith(b"SQLite format 3\0") and _LOG in head[_MODE]


def settled(path: str, *, key: str) -> bytes:
    """The bytes of a GeoPackage with all that stands in its journal, the files left as they are.

    Raises
    ------
    SitingError
        E-FILE-06 above 500 MB, E-FILE-02 when it is damaged, E-CHANGED-01 when another program
        writes to it at this moment.
    """
    return _KEPT.get((path, _state(path)), lambda: _settled(Path(path), key))


def _state(path: str) -> tuple[object, ...]:
    return file_state(path), file_state(path + "-wal")


def _settled(path: Path, key: str) -> bytes:
    log = Path(f"{path}-wal")
    size = sum(p.stat().st_size for p in (path, log) if p.exists())
    if size > _MOST_BYTES:
        raise SitingError(
            "E-FILE-06",
            f"{path} ({key}) has a journal beside it and {size / 1e6:,.0f} MB.",
            rule=f"A GeoPackage that another program keeps open may have "
            f"{_MOST_BYTES / 1e6:,.0f} MB.",
            cure="Close the program that has it open, or export the layer to a new file.",
        )
    before = _state(str(path))
    with private_copies((path, log)) as folder:
        if _state(str(path)) != before:
            raise SitingError(
                "E-CHANGED-01",
                f"{path} ({key}) changed while it was being read.",
                rule="All layers must come from the same moment.",
                cure="Wait until the other program has saved it and run again.",
            )
        try:
            base = sqlite3.connect(folder / path.name)
            try:
                base.execute("pragma wal_checkpoint(truncate)")
                data = bytearray(base.serialize())
            finally:
                base.close()
        except sqlite3.Error as error:
            raise SitingError(
                "E-FILE-02",
                f"{path} ({key}) cannot be read: {error}.",
                rule="A GeoPackage and the journal beside it must be complete.",
                cure="Close the program that has it open and copy the file again.",
            ) from error
    # The copy in memory has no log beside it: the library must not look for one.
    data[_MODE] = _PLAIN
    return bytes(data)
