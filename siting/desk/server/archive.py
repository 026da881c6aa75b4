"""The archive that the desk makes for a volunteer."""

from __future__ import annotations

import json
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from siting.desk.back.package import zipped
from siting.words.office.desk import AT_RANDOM, HAND_OVER

# No tables and no record: a volunteer needs what is opened, printed or sent to a GPS.
_FOR_VOLUNTEER = ("map.html", "field_sheet.html", "spots.gpx", "random_places.gpx")


def archive_of(
    folder: Path, name: str, decision: Mapping[str, Any] | None, *, letter: str = ""
) -> bytes:
    """The files for a volunteer as one zip; the same files give the same bytes.

    Parameters
    ----------
    folder : Path
        A finished run.
    name : str
        Of the folder in the archive.
    decision : the decision on the sign-up, whose spot is named first, or None
    letter : as it was edited, or ""
    """
    files = {
        file: (folder / file).read_bytes() for file in _FOR_VOLUNTEER if (folder / file).exists()
    }
    chosen = _first(decision)
    files["READ-ME.txt"] = f"{name}\n\n{chosen}{HAND_OVER}\n{_credits(folder)}".encode()
    if letter:
        files["LETTER.txt"] = letter.encode()
    return zipped(files, name)


def _first(decision: Mapping[str, Any] | None) -> str:
    """Where to go first, as a line; "" where nothing was decided."""
    if decision is None:
        return ""
    if decision["kind"] == "random":
        return AT_RANDOM
    return f"Go to spot {decision['rank']} first.\n"


def _credits(folder: Path) -> str:
    """The lines of the publishers whose data the files were made of."""
    record = json.loads((folder / "run.json").read_text(encoding="utf-8"))
    lines = [one["attribution"] for one in record["sources"]]
    return "\nMaps from:\n" + "".join(f"{line}\n" for line in lines) if lines else ""
