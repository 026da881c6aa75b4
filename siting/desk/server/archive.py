"""The archive that the desk makes for a volunteer."""

from __future__ import annotations

import io
import json
import zipfile
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from siting.words.office.desk import HAND_OVER

# No tables and no record: a volunteer needs what is opened, printed or sent to a GPS.
_FOR_VOLUNTEER = ("map.html", "field_sheet.html", "spots.gpx")


def archive_of(folder: Path, name: str, decision: Mapping[str, Any] | None) -> bytes:
    """The files for a volunteer as one zip; the same files give the same bytes.

    Parameters
    ----------
    folder : Path
        A finished run.
    name : str
        Of the folder in the archive.
    decision : the decision on the sign-up, whose spot is named first, or None
    """
    stream = io.BytesIO()
    chosen = "" if decision is None else f"Go to spot {decision['rank']} first.\n"
    # The time of each entry is fixed: the day an archive was made is not part of it.
    with zipfile.ZipFile(stream, "w", zipfile.ZIP_DEFLATED) as archive:
        entries = [(file, (folder / file).read_bytes()) for file in _FOR_VOLUNTEER]
        words = f"{name}\n\n{chosen}{HAND_OVER}\n{_credits(folder)}"
        entries.append(("READ-ME.txt", words.encode()))
        for file, content in entries:
            entry = zipfile.ZipInfo(f"{name}/{file}", (1980, 1, 1, 0, 0, 0))
            entry.compress_type = zipfile.ZIP_DEFLATED
            archive.writestr(entry, content)
    return stream.getvalue()


def _credits(folder: Path) -> str:
    """The lines of the publishers whose data the files were made of."""
    record = json.loads((folder / "run.json").read_text(encoding="utf-8"))
    lines = [one["attribution"] for one in record["sources"]]
    return "\nMaps from:\n" + "".join(f"{line}\n" for line in lines) if lines else ""
