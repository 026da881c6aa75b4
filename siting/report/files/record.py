"""run.json: what went in, what it was done with, what was assumed, what came out."""

from __future__ import annotations

import datetime as dt
import platform
from collections.abc import Mapping
from typing import Any

import numpy as np
from pydantic import BaseModel

from siting import __version__
from siting.credits import Source
from siting.disk.files import canonical_json
from siting.disk.paths import told_paths
from siting.report.shared.credits import records
from siting.report.shared.facts import plain
from siting.report.shared.text import clean, clean_note
from siting.settings.inputs import Inputs
from siting.settings.protocol import Protocol
from siting.types import NoGo, Note, Result

FORMAT = 1
"""Raised when a field of run.json changes its meaning."""


def run_json(
    result: Result,
    *,
    protocol: Protocol,
    inputs: Inputs,
    outputs: Mapping[str, str],
    time: dt.datetime,
) -> str:
    """The record of one run; all of it but `time` is the same for the same inputs.

    Parameters
    ----------
    result : Result
    protocol : Protocol
    inputs : Inputs
    outputs : mapping from file name to its SHA-256
    time : datetime with a time zone, when the files were written
    """
    record = {
        "format": FORMAT,
        # By this word a later run knows what the folder holds (destination.kind_of).
        "kind": "score",
        "time": time.astimezone(dt.UTC).isoformat(timespec="seconds"),
        "versions": versions(),
        "parcel": _parcel(result),
        "inputs": {
            "settings": plain(told_paths(inputs.model_dump(mode="json"), inputs.folder)),
            "files": [_source(source) for source in result.land.sources],
        },
        "protocol": {
            "name": clean(protocol.name),
            "values": plain(protocol.model_dump(mode="json")),
            # Among all the values above, those that the survey decided itself.
            "changed": changed(protocol),
        },
        "grid": _grid(result),
        "coverage": {name: plain(share) for name, share in result.land.coverage.items()},
        "counts": counts(result),
        "assumptions": _notes(result.notes, "assumption"),
        "warnings": _notes(result.notes, "warning"),
        "sources": records(result.land.credits),
        "outputs": dict(outputs),
    }
    return canonical_json(record) + "\n"


def public_json(
    result: Result,
    *,
    protocol: Protocol,
    outputs: Mapping[str, str],
    time: dt.datetime,
    decimals: int,
) -> str:
    """The record of files that may be passed on: nothing of the inputs, the parcel or the grid."""
    record = {
        "format": FORMAT,
        "kind": "public",
        "time": time.astimezone(dt.UTC).isoformat(timespec="seconds"),
        "versions": versions(),
        # Without it a reader would take the rounded place for the exact one.
        "places": f"rounded to {decimals} decimals of a degree",
        "protocol": {"name": clean(protocol.name), "changed": changed(protocol)},
        "spots": len(result.spots),
        "sources": records(result.land.credits),
        "outputs": dict(outputs),
    }
    return canonical_json(record) + "\n"


def versions() -> dict[str, str]:
    """Of the program and of the libraries that can change a number."""
    import pyproj
    import rasterio
    import scipy
    import shapely

    return {
        "siting": __version__,
        "python": platform.python_version(),
        "gdal": rasterio.__gdal_version__,
        "proj": pyproj.proj_version_str,
        "geos": shapely.geos_version_string,
        "numpy": np.__version__,
        "scipy": scipy.__version__,
    }


def changed(protocol: Protocol) -> dict[str, dict[str, Any]]:
    """Every number of the protocol that differs from the one that ships, by its dotted key."""
    ours, shipped = _flat(protocol), _flat(Protocol())
    return {
        key: {"value": plain(value), "default": plain(shipped[key])}
        for key, value in ours.items()
        if value != shipped[key]
    }


def _flat(section: BaseModel, path: str = "") -> dict[str, Any]:
    out: dict[str, Any] = {}
    for name in type(section).model_fields:
        value = getattr(section, name)
        key = f"{path}{name}"
        if isinstance(value, BaseModel):
            out |= _flat(value, f"{key}.")
        else:
            out[key] = value
    return out


def counts(result: Result) -> dict[str, Any]:
    """How much ground there was, what shut it out, and how many spots were found."""
    inside = (result.no_go & NoGo.OUTSIDE.value) == 0
    return {
        "cells": int(result.no_go.size),
        "parcel_cells": int(inside.sum()),
        "open_cells": int((result.no_go == 0).sum()),
        "usable_share": plain(result.usable_share),
        "no_go_cells": {
            str(bit.name).lower(): int((((result.no_go & bit.value) != 0) & inside).sum())
            for bit in NoGo
            # Counted is inside the parcel alone, where this reason never holds.
            if bit is not NoGo.OUTSIDE
        },
        "spots": len(result.spots),
        "features": len(result.features),
    }


def _parcel(result: Result) -> dict[str, Any]:
    parcel = result.land.parcel
    return {
        "id": clean(parcel.id),
        "label": clean(parcel.label),
        "survey_cell": clean(parcel.cell),
        "priority": plain(parcel.priority),
        "crs": parcel.crs,
        "area_m2": round(float(result.land.parcel_shape.area), 1),
    }


def _grid(result: Result) -> dict[str, Any]:
    grid = result.land.grid
    return {
        "crs": grid.crs,
        "left": grid.left,
        "top": grid.top,
        "cell_size_m": grid.cell_size_m,
        "rows": grid.n_rows,
        "cols": grid.n_cols,
        "dem_cell_m": plain(result.land.dem_cell_m),
        "cover_cell_m": plain(result.land.cover_cell_m),
    }


def _source(source: Source) -> dict[str, Any]:
    return {
        "role": source.role,
        "file": clean(source.file),
        "sha256": source.sha256,
        "facts": plain(dict(source.facts)),
        "attribution": clean(source.attribution),
    }


def _notes(notes: tuple[Note, ...], level: str) -> list[dict[str, str]]:
    """Notes of one level, each once, in the order in which they arose."""
    # Not a set, which has no order: the same notes must be the same bytes.
    kept = dict.fromkeys(
        (note.code, clean_note(note.text)) for note in notes if note.level == level
    )
    return [{"code": code, "text": text} for code, text in kept]
