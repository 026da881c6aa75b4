"""layers.gpkg of a region: which layers go in, which the inputs file names, and windows of it.

An extract has no index, so it is read once; what comes of it is a GeoPackage, which has one. The
folder that holds it can be given in place of the extract, and a window is then cut in no time.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import pyogrio
import shapely

from siting.disk.files import built_by
from siting.errors import SitingError
from siting.gather.network.stac import Box
from siting.settings.given.tables import LAYER_NAMES

FILE = "layers.gpkg"
ALWAYS = ("water", "trails", "roads", "buildings")
"""Layers that an extract knows well enough for an empty one to mean "none here"."""
EXTRA = ("hunting", "protected", "cover")
"""Layers for people and for later: the inputs file does not name them."""
_ORDER = (*LAYER_NAMES, *EXTRA)
_TEXTS = ("name", "kind", "reason", "class", "use", "role", "source")


def tidy(frame: gpd.GeoDataFrame, *, source: str) -> gpd.GeoDataFrame:
    """A layer as it is written: known columns as text, rows in one order."""
    known = [name for name in _TEXTS if name in frame.columns and name != "source"]
    out = frame[[*known, "geometry"]].copy()
    for name in known:
        out[name] = out[name].fillna("").astype(str).str.slice(0, 200)
    # Beside each feature: layers of two sources are joined, and each line must stay tellable.
    out["source"] = source
    out = gpd.GeoDataFrame(out, geometry="geometry", crs=frame.crs).to_crs("EPSG:4326")
    shapes = np.asarray(out.geometry)
    keys = pd.DataFrame({name: out[name] for name in known})
    keys["shape"] = pd.Series(shapely.to_wkb(shapes), index=out.index, dtype=object)
    # By content: the same features give the same bytes in whatever order the reader brought them.
    order = keys.sort_values([*known, "shape"], kind="stable").index
    return out.loc[order].reset_index(drop=True)


def geopackage(frames: Mapping[str, gpd.GeoDataFrame], *, attribution: str) -> bytes:
    """The layers as a GeoPackage, the same bytes for the same layers."""
    from siting.disk.layer_file import write_layers

    every = {name: frames[name] for name in _ORDER if name in frames}
    kinds = dict.fromkeys(every, "Unknown")
    return built_by(
        FILE, lambda path: write_layers(path, every, kinds=kinds, attribution=attribution)
    )


def named(frames: Mapping[str, gpd.GeoDataFrame], *, known: Sequence[str] = ALWAYS) -> list[str]:
    """Layers that the inputs file names: those with something in them, and those that are known to
    be empty here.

    An empty layer of feeders, livestock or no-go from a map made by volunteers says nothing: it is
    left out, and scoring tells that it was not judged.
    """
    return [name for name in LAYER_NAMES if name in frames and (len(frames[name]) or name in known)]


def window(folder: Path, boxes: Sequence[Box]) -> dict[str, gpd.GeoDataFrame]:
    """The layers of an earlier folder that lie in boxes.

    Raises
    ------
    SitingError
        E-FILE-01 when the folder has no layers.
    """
    path = folder / FILE
    if not path.is_file():
        raise SitingError(
            "E-FILE-01",
            f"{folder} holds no {FILE}.",
            rule="A folder given with --osm is one that siting gather --osm has made.",
            cure="Give the extract itself (.osm.pbf), or the folder made from it.",
        )
    out = {}
    for name, _ in pyogrio.list_layers(path):
        parts = [pyogrio.read_dataframe(path, layer=name, bbox=box) for box in boxes]
        frame = pd.concat(parts, ignore_index=True) if len(parts) > 1 else parts[0]
        out[str(name)] = gpd.GeoDataFrame(frame, geometry="geometry", crs="EPSG:4326")
    return out


def merged(
    first: Mapping[str, gpd.GeoDataFrame], second: Mapping[str, gpd.GeoDataFrame]
) -> dict[str, gpd.GeoDataFrame]:
    """Layers of two sources together; each feature names its source."""
    out: dict[str, Any] = dict(first)
    for name, frame in second.items():
        if name in out:
            both = pd.concat([out[name], frame], ignore_index=True)
            out[name] = gpd.GeoDataFrame(both, geometry="geometry", crs="EPSG:4326")
        else:
            out[name] = frame
    return out
