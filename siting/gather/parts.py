"""One file of a region as it will be staged: made anew, or kept from an earlier run."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from siting.gather.record import Entry
from siting.types import Note


@dataclass
class Part:
    """One file of the region as it will be staged."""

    entry: Entry
    content: bytes | None
    notes: tuple[Note, ...]


def files_in(path: str) -> list[str]:
    # A folder counts by the files in it, so that a tile added to it makes the raster anew.
    place = Path(path)
    return sorted(str(p) for p in place.glob("*")) if place.is_dir() else [path]


def kept_part(entry: Entry) -> Part:
    """What an earlier run made; its warnings hold as they did."""
    return Part(entry, None, tuple(Note(*note) for note in entry.notes))


def sha256_of(content: bytes) -> str:
    import hashlib

    return hashlib.sha256(content).hexdigest()
