"""When a parcel is done: fingerprints of everything its result depends on."""

from __future__ import annotations

import hashlib
import importlib.metadata
import time
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import shapely

from siting import __version__
from siting.disk.files import State, canonical_json, file_hash, file_state, text_hash
from siting.errors import SitingError
from siting.read.vector.decision_files import Decisions
from siting.settings.inputs import Inputs
from siting.settings.protocol import Protocol
from siting.types import Parcel

NO_DECISIONS = Decisions()
# A file changed within so much of being read may change again without its times telling.
_UNSETTLED_NS = 2_000_000_000
# Libraries whose arithmetic a result depends on.
_LIBRARIES = ("numpy", "scipy", "rasterio", "shapely", "pyproj", "scikit-image", "pvlib")


def named(path: Path, folder: Path) -> str:
    """How a file is called in records: relative to the inputs file, or a plain name and a mark.

    Records are passed on, so no path of the machine is in them; the mark tells two files of one
    name apart.
    """
    whole, home = path.absolute(), folder.absolute()
    if whole.is_relative_to(home):
        return whole.relative_to(home).as_posix()
    return f"{path.name}~{text_hash(str(whole))[:8]}"


def file_fingerprint(path: Path) -> tuple[str, State | None]:
    """A fingerprint of all bytes of a file, and the state it may be known again by.

    The state is None where the file changed during the reading or just before it: then it must be
    read again next time.

    Raises
    ------
    SitingError
        E-CHANGED-01 when the file changed while it was read.
    """
    before = file_state(path)
    digest = file_hash(path)
    if before is None or file_state(path) != before:
        raise SitingError(
            "E-CHANGED-01",
            f"{path} changed while it was being read.",
            rule="All layers must come from the same moment.",
            cure="Wait until copying or downloading has finished, then run again.",
        )
    settled = time.time_ns() - max(before[1], before[3]) > _UNSETTLED_NS
    return digest, before if settled else None


def program_print() -> str:
    """A fingerprint of this program's code and of the libraries it computes with."""
    digest = hashlib.sha256(__version__.encode())
    root = Path(__file__).parents[1]
    # What Python and numba compile stands in __pycache__ and comes and goes.
    for path in sorted(p for p in root.rglob("*") if p.is_file() and "__pycache__" not in p.parts):
        digest.update(path.relative_to(root).as_posix().encode() + b"\0" + path.read_bytes())
    for name in _LIBRARIES:
        digest.update(f"{name} {importlib.metadata.version(name)}\n".encode())
    return digest.hexdigest()


def settings_print(
    inputs: Inputs, protocol: Protocol, *, files: Mapping[str, str], program: str
) -> str:
    """A fingerprint of all that the parcels of a batch share.

    Parameters
    ----------
    inputs, protocol : as read
    files : mapping from file to its fingerprint
    program : see `program_print`
    """
    given: dict[str, Any] = {
        # What was decided counts parcel by parcel (`parcel_print`): here it would make every parcel
        # due again whenever one volunteer sends a file.
        "inputs": inputs.model_dump(
            mode="json", exclude={"parcel": True, "survey": {"visited", "places"}}
        ),
        "protocol": protocol.model_dump(mode="json"),
        "files": dict(files),
        "program": program,
    }
    return text_hash(canonical_json(given))


def parcel_print(parcel: Parcel, shared: str, decisions: Decisions = NO_DECISIONS) -> str:
    """The fingerprint that decides whether a parcel is done: its own facts and the shared ones.

    Of the files of decisions only what they say of this parcel counts: the file that one volunteer
    sends changes nothing for the others.
    """
    shape = "" if parcel.geometry is None else shapely.to_wkb(parcel.geometry, hex=True)
    facts = (parcel.id, parcel.label, parcel.cell, repr(parcel.priority), parcel.crs, shape, shared)
    decided = "\0".join(record.model_dump_json() for record in decisions.records)
    return text_hash("\0".join((*facts, decided)))
