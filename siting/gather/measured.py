"""Elevations and vegetation of a region from point clouds: kept, or measured anew."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Sequence
from pathlib import Path

import numpy as np

from siting.disk.files import (
    file_state,
)
from siting.gather import record
from siting.gather.ask import Ask
from siting.gather.parts import Part, files_in, kept_part, sha256_of
from siting.gather.raster.plan import CONTEXT_M
from siting.gather.raster.written import tiff
from siting.gather.record import Entry


def measured_of(
    ask: Ask, folder: Path, old: Sequence[Entry], progress: Callable[[str], None], when: dt.datetime
) -> list[Part]:
    """Elevations and vegetation from point clouds: kept, or measured anew."""
    if not ask.lidar:
        return []
    files = [p for path in ask.lidar for p in files_in(path)]
    # By size and time and not by their bytes: point clouds have gigabytes.
    states = [[Path(p).name, list(file_state(p) or ())] for p in files]
    key = record.key_of("lidar", states, ask.land.key(ask.margin_m), ask.margin_m)
    known = record.kept(folder, [e for e in old if e.layer in ("dem", "canopy")], key)
    if known:
        return [kept_part(entry) for entry in known]
    progress("reading the point cloud")
    # Triangles and trees take a second to load, and few regions have a point cloud.
    from siting.gather.raster import lidar

    # As far as scoring reads around the land, whatever margin was asked for.
    wide = ask.land.grid(max(ask.margin_m, CONTEXT_M))
    found = lidar.measure(ask.lidar, wide, progress=progress)
    title = ", ".join(Path(p).name for p in files)[:200]
    line = "file given by the user, licence not stated"
    time = when.astimezone(dt.UTC).isoformat(timespec="seconds")
    parts = []
    for name, surface in (("dem", found.dem), ("canopy", found.canopy)):
        if surface is None:
            continue
        content = tiff(
            surface.values, np.isfinite(surface.values), crs=found.crs,
            transform=surface.transform, nodata=float("nan"), unit="m", source=title,
            attribution=line,
        )  # fmt: skip
        # Made from ground points: it is the ground, and nobody need be asked.
        table = {"file": f"{name}.tif"} | ({"surface": "no"} if name == "dem" else {})
        facts = {
            "title": title, "publisher": "the user", "licence": "not stated", "attribution": line,
            "changed": "points made into a raster", "layers": [name], "inputs": table,
        }  # fmt: skip
        notes = found.notes if name == "dem" else ()
        told = tuple((n.code, n.level, n.text) for n in notes)
        entry = Entry(f"{name}.tif", name, key, facts, sha256_of(content), time, told)
        parts.append(Part(entry, content, notes))
    return parts
