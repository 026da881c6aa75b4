"""When a parcel is done: fingerprints of everything its result depends on."""

from __future__ import annotations

import hashlib
import importlib.metadata
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any

import shapely

from siting import __version__
from siting.files import canonical_json, text_hash
from siting.settings.inputs import Inputs
from siting.settings.protocol import Protocol
from siting.types import Parcel

# Larger files are not read whole: their size, time and evenly spread pieces stand for them.
_WHOLE_BYTES = 4_000_000_000
_PIECES = 256
_PIECE_BYTES = 1_000_000
# Libraries whose arithmetic a result depends on.
_LIBRARIES = ("numpy", "scipy", "rasterio", "shapely", "pyproj", "scikit-image", "pvlib")


def input_files(inputs: Inputs) -> tuple[Path, ...]:
    """Every local file the inputs name but the parcels' own, with the files that belong to it.

    A raster's `.aux.xml` or world file and a shapefile's `.dbf` count: they change what is read.
    """
    names = [f.partition("::")[0] for spec in inputs.rasters().values() for f in spec.files]
    names += [layer.file for _, layer in inputs.layers.files()]
    names += [inputs.survey.visited] if inputs.survey.visited else []
    legend = inputs.land_cover.legend if inputs.land_cover else ""
    names += [legend] if legend.lower().endswith(".csv") else []
    out: dict[Path, None] = {}
    for name in names:
        path = inputs.folder / name
        if path.is_dir():
            out.update(dict.fromkeys(sorted(p for p in path.rglob("*") if p.is_file())))
        elif path.is_file():
            out[path] = None
            out.update(dict.fromkeys(_belonging(path)))
    return tuple(out)


def _belonging(path: Path) -> Iterator[Path]:
    start = path.stem + "."
    for other in sorted(path.parent.iterdir()):
        if other != path and other.name.startswith(start) and other.is_file():
            yield other


def state_of(path: Path) -> str:
    """Size and time of change of a file, as text: a quick sign that it is still the same."""
    status = path.stat()
    return f"{status.st_size} {status.st_mtime_ns}"


def file_print(path: Path) -> str:
    """A fingerprint of a file's bytes; of 256 pieces, the size and the time above 4 GB."""
    size = path.stat().st_size
    digest = hashlib.sha256()
    with path.open("rb") as stream:
        if size <= _WHOLE_BYTES:
            return hashlib.file_digest(stream, "sha256").hexdigest()
        digest.update(state_of(path).encode())
        for piece in range(_PIECES):
            stream.seek(piece * (size - _PIECE_BYTES) // (_PIECES - 1))
            digest.update(stream.read(_PIECE_BYTES))
    return "pieces-" + digest.hexdigest()


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
        "inputs": inputs.model_dump(mode="json", exclude={"parcel"}),
        "protocol": protocol.model_dump(mode="json"),
        "files": dict(files),
        "program": program,
    }
    return text_hash(canonical_json(given))


def parcel_print(parcel: Parcel, shared: str) -> str:
    """The fingerprint that decides whether a parcel is done: its own facts and the shared ones."""
    shape = "" if parcel.geometry is None else shapely.to_wkb(parcel.geometry, hex=True)
    facts = (parcel.id, parcel.label, parcel.cell, repr(parcel.priority), parcel.crs, shape, shared)
    return text_hash("\0".join(facts))
