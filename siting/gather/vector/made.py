"""The vector layers of a region: from an extract or its folder, and from a mapping, in one file."""

from __future__ import annotations

import datetime as dt
import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
from rasterio.features import rasterize

from siting.errors import SitingError
from siting.gather.network.stac import Box
from siting.gather.vector import layers, mapping, osm
from siting.gather.vector.cover_tags import COVER, cover_of
from siting.grid import Grid
from siting.lengths import percent
from siting.read.crs.projection import WGS84, project
from siting.types import Note
from siting.words.office import gather as words

_LEAST, _WARNED = 0.60, 0.95


@dataclass(frozen=True)
class VectorsMade:
    """layers.gpkg as bytes; for each source what it told, and the keys of inputs.toml."""

    content: bytes
    sources: tuple[Mapping[str, Any], ...]
    notes: tuple[Note, ...]


def osm_facts(head_date: str, origin: str, frames: Mapping[str, Any]) -> dict[str, Any]:
    """What sources.json tells of OpenStreetMap data."""
    return {
        "title": "OpenStreetMap",
        "publisher": "OpenStreetMap contributors",
        "items": [{"id": origin, "datetime": head_date}],
        "licence": osm.LICENCE,
        "licence_url": osm.LICENCE_URL,
        "attribution": osm.ATTRIBUTION,
        "short": osm.SHORT,
        "changed": "cut to the region, tags mapped to classes; layers.gpkg is a database under "
        "ODbL 1.0",
        "layers": [name for name in sorted(frames) if name not in layers.EXTRA],
    }


def make(
    extract: str,
    mapping_file: str,
    boxes: Sequence[Box],
    *,
    hunting_no_go: bool,
    cover_land: Grid | None,
    now: dt.datetime,
) -> VectorsMade:
    """The layers of a region.

    Parameters
    ----------
    extract : an .osm.pbf file, a folder made from one, or ""
    mapping_file : a mapping, or ""
    boxes : west, south, east, north in degrees; none takes all of the extract
    cover_land : Grid of the land, when the areas of the extract are to be its land cover
    """
    frames: dict[str, gpd.GeoDataFrame] = {}
    told: list[dict[str, Any]] = []
    notes: list[Note] = []
    if extract:
        found, facts, more = _from_osm(extract, boxes, hunting_no_go=hunting_no_go, now=now)
        frames, notes = found, [*notes, *more]
        told.append(facts)
    by_hand: list[str] = []
    if mapping_file:
        rules = mapping.load_mapping(Path(mapping_file))
        mapped, left_out = mapping.read(rules, Path(mapping_file).parent, boxes)
        notes += left_out
        # Said, not removed: which of the two is the better one nobody here can know.
        notes += _twins(frames, mapped)
        told.append(mapping.facts(rules, mapped))
        title = told[-1]["title"]
        frames = layers.merged(frames, {n: layers.tidy(f, source=title) for n, f in mapped.items()})
        by_hand = list(mapped)
    known = {*(layers.ALWAYS if extract else ()), *by_hand}
    names = layers.named(frames, known=tuple(known))
    for one in told:
        # Only what stands in the inputs file needs its line.
        one["layers"] = [name for name in one["layers"] if name in names]
    told[0]["vectors"] = {name: f"{layers.FILE}::{name}" for name in names}
    if cover_land is not None:
        notes += _cover(frames, cover_land)
        told[0]["inputs_cover"] = {
            "file": f"{layers.FILE}::cover",
            "column": "role",
            "values": {name: name for name in COVER},
        }
    lines = " | ".join(f"{one['attribution']} ({one['licence']})" for one in told)
    content = layers.geopackage(frames, attribution=lines)
    return VectorsMade(content, tuple(told), tuple(notes))


def _from_osm(
    extract: str, boxes: Sequence[Box], *, hunting_no_go: bool, now: dt.datetime
) -> tuple[dict[str, gpd.GeoDataFrame], dict[str, Any], list[Note]]:
    path = Path(extract)
    if path.is_dir():
        frames = layers.window(path, boxes)
        facts, notes = _earlier(path)
        return frames, {**facts, "layers": sorted(set(frames) - set(layers.EXTRA))}, notes
    found = osm.read(path, boxes, hunting_no_go=hunting_no_go, now=now)
    every = {**found.layers.frames, "cover": cover_of(found.areas)}
    frames = {n: layers.tidy(f, source="OpenStreetMap") for n, f in every.items()}
    date = found.head.date.date().isoformat() if found.head.date else ""
    return frames, osm_facts(date, found.head.origin or path.name, frames), list(found.notes)


def _earlier(folder: Path) -> tuple[dict[str, Any], list[Note]]:
    """What the folder's own sources.json tells of its layers."""
    try:
        record = json.loads((folder / "sources.json").read_text(encoding="utf-8"))
        entry = next(e for e in record["sources"] if e["file"] == layers.FILE)
        keep = ("title", "publisher", "items", "licence", "licence_url", "attribution", "short")
        facts = {key: entry[key] for key in (*keep, "changed")}
        return facts, [Note(*note) for note in entry["notes"]]
    except (OSError, ValueError, KeyError, TypeError, StopIteration):
        raise SitingError(
            "E-FILE-02",
            f"{folder} has no sources.json that describes its {layers.FILE}.",
            rule="A folder given with --osm is one that siting gather --osm has made.",
            cure="Make it again from the extract (.osm.pbf).",
        ) from None


def _twins(
    first: Mapping[str, gpd.GeoDataFrame], second: Mapping[str, gpd.GeoDataFrame]
) -> list[Note]:
    counts = {
        name: mapping.count_twins(first[name], second[name])
        for name in ("roads", "trails")
        if name in first and name in second
    }
    return [words.twins(name, count) for name, count in counts.items() if count]


def _cover(frames: Mapping[str, gpd.GeoDataFrame], land: Grid) -> list[Note]:
    """How much of the land the areas cover; E-COVER-02 under 60 %."""
    frame = frames.get("cover")
    # Burnt, not summed: areas of volunteers overlap.
    burnt = np.zeros(land.shape, dtype=np.uint8)
    if frame is not None and len(frame):
        shapes = [project(g, WGS84, land.crs, file="cover") for g in np.asarray(frame.geometry)]
        rasterize(shapes, out=burnt, transform=land.transform, default_value=1)
    share = float((burnt > 0).mean())
    if share < _LEAST:
        raise SitingError(
            "E-COVER-02",
            f"The areas of the extract leave {percent(1 - share)} of the land unknown.",
            rule="Areas must cover at least 60 % of the land to stand for its land cover.",
            cure="Take a raster of land cover: a recipe's, or --land-cover.",
        )
    return [words.part_only("land cover", share)] if share < _WARNED else []
