"""Files that come back, read in the worker: visits, sketches, or plain outlines."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from siting.decisions.model import FORMAT, DecisionsFile
from siting.desk.uploads import shapes_in
from siting.errors import SitingError
from siting.read.vector.decision_files import read_decisions

_MARKS = (b'"siting decisions ', b'"siting visited ')
_HEAD = 4096
# The most that one office's season comes to, many times over.
_MOST_BYTES = 10_000_000


def returned_in(file: Path, name: str) -> dict[str, Any]:
    """What a returned file holds: {"kind": "visits", "files": [...]}, else as `shapes_in` says.

    Each of `files` is a file of decisions about one parcel, as JSON values.

    Raises
    ------
    SitingError
        E-VISIT-01 with every faulty record, and what `shapes_in` raises.
    """
    try:
        return _visits_in(file, name) if _says_visits(file) else shapes_in(file, name)
    except SitingError as error:
        raise _named(error, file, name) from error


def _visits_in(file: Path, name: str) -> dict[str, Any]:
    if file.stat().st_size > _MOST_BYTES:
        raise SitingError(
            "E-DESK-03",
            f"{name} has more than {_MOST_BYTES:,} bytes.",
            rule="A file of visits holds at most 10,000 records.",
            cure="Drop the files of the volunteers one by one.",
        )
    read = read_decisions(file)
    return {"kind": "visits", "files": [one.model_dump(mode="json") for one in by_parcel(read)]}


def by_parcel(file: DecisionsFile) -> list[DecisionsFile]:
    """The file as one for each parcel it speaks of, by their names; no record is lost."""
    parcels = sorted({record.parcel or file.parcel for record in file.records})
    return [
        DecisionsFile(
            format=FORMAT,
            parcel=parcel,
            device=file.device,
            saved=file.saved,
            records=tuple(r for r in file.records if (r.parcel or file.parcel) == parcel),
        )
        for parcel in parcels
    ]


def _says_visits(file: Path) -> bool:
    """By its first lines: phones rename what they send."""
    with file.open("rb") as stream:
        head = stream.read(_HEAD)
    if any(mark in head for mark in _MARKS):
        return True
    # A table of visits has these two columns at least; an outline is never a table.
    first = head.lstrip(b"\xef\xbb\xbf").split(b"\n", 1)[0].strip().split(b",")
    return {b"state"} <= {cell.strip(b' "') for cell in first}


def _named(error: SitingError, file: Path, name: str) -> SitingError:
    """The same failure under the name that the file had when it was dropped."""
    what = error.what.replace(str(file), name).replace(file.name, name)
    return SitingError(error.code, what, rule=error.rule, cure=error.cure)
