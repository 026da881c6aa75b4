"""The journal of a batch: what is done already, readable after any crash.

One line of JSON to an event, each with a checksum, only ever appended. A line that was cut short
or damaged fails its checksum and is dropped; later lines of the same kind and name win.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from siting.disk.files import append_line

NAME = "journal.jsonl"
Entry = dict[str, Any]


def line_of(entry: Mapping[str, Any]) -> str:
    """An entry as one line of the journal, without its line feed.

    Examples
    --------
    >>> line_of({"kind": "done", "id": "P01"})
    '{"check":"52dd6953c3940959","entry":{"id":"P01","kind":"done"}}'
    """
    text = _plain(entry)
    return f'{{"check":"{_check(text)}","entry":{text}}}'


def entry_of(line: bytes | str) -> Entry | None:
    """The entry of a line; None when the line is cut short, damaged or no line of a journal."""
    try:
        whole = json.loads(line)
        entry = whole["entry"]
        sound = isinstance(entry, dict) and whole["check"] == _check(_plain(entry))
    except (ValueError, KeyError, TypeError, RecursionError):
        return None
    return entry if sound else None


def _plain(entry: Mapping[str, Any]) -> str:
    # allow_nan=False: NaN is not JSON, and a line with it could not be read back everywhere.
    return json.dumps(
        entry, sort_keys=True, ensure_ascii=True, allow_nan=False, separators=(",", ":")
    )


def _check(text: str) -> str:
    # Against damage, not against people: 64 bits are plenty.
    return hashlib.sha256(text.encode("ascii")).hexdigest()[:16]


class Journal:
    """The journal of one output folder.

    Parameters
    ----------
    folder : Path
        Existing folder; the journal is the file `journal.jsonl` in it.

    Attributes
    ----------
    dropped : int
        Lines that failed their checksum when the journal was opened.
    """

    def __init__(self, folder: Path) -> None:
        self.path = folder / NAME
        self.dropped = 0
        self._last: dict[tuple[str, str], Entry] = {}
        data = self.path.read_bytes() if self.path.exists() else b""
        for line in data.split(b"\n"):
            if line:
                self._keep(entry_of(line))
        if data and not data.endswith(b"\n"):
            # What a crash cut short is closed, so that the next entry begins a line of its own.
            append_line(self.path, "")

    def _keep(self, entry: Entry | None) -> None:
        if entry is None or not {"kind", "name"} <= entry.keys():
            self.dropped += 1
        else:
            self._last[str(entry["kind"]), str(entry["name"])] = entry

    def get(self, kind: str, name: str) -> Entry | None:
        """The last entry of this kind and name, or None."""
        return self._last.get((kind, name))

    def add(self, kind: str, name: str, **values: Any) -> Entry:
        """Append an entry and wait until it is on disk.

        Raises
        ------
        ResourceError
            E-DISK-01 when it cannot be written.
        """
        entry = {"kind": kind, "name": name, **values}
        append_line(self.path, line_of(entry))
        # As it would be read back, so that a resumed run sees exactly what this one sees.
        kept: Entry = json.loads(_plain(entry))
        self._keep(kept)
        return kept
