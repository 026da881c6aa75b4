"""An OpenStreetMap extract by GDAL's own reader: once through, then never again."""

from __future__ import annotations

import contextlib
import datetime as dt
import warnings
from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from importlib import resources
from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
import pyogrio
import shapely
from pyogrio.errors import DataLayerError, DataSourceError, FeatureError

from siting.disk.layer_file import gdal_options
from siting.errors import SitingError
from siting.gather.network.stac import Box
from siting.gather.vector import pbf
from siting.gather.vector.tag_table import Layers
from siting.gather.vector.tags import ON_FOOT, layers_of
from siting.types import BoolArray, Note
from siting.words.office import gather as words

# Two years, our choice: in that time paths and houses change.
_OLD_DAYS = 730
ATTRIBUTION = "\u00a9 OpenStreetMap contributors, ODbL 1.0 (openstreetmap.org/copyright)"
SHORT = "\u00a9 OpenStreetMap contributors"
LICENCE, LICENCE_URL = "ODbL-1.0", "https://opendatacommons.org/licenses/odbl/1-0/"
_ROUTES = ("hiking", "foot", "bicycle", "mtb", "horse")
_COUNTED = {
    "natural": frozenset({"water", "wood"}),
    "landuse": frozenset({"forest", "reservoir", "basin"}),
}
# What makes a feature worth a row: all else is dropped by the reader.
_WHERE = {
    "points": "barrier IS NOT NULL OR ford IS NOT NULL OR natural = 'spring' OR "
    "amenity IS NOT NULL OR man_made IS NOT NULL OR tourism IS NOT NULL OR "
    "building IS NOT NULL OR hunting IS NOT NULL OR highway = 'trailhead'",
    "lines": "highway IS NOT NULL OR waterway IS NOT NULL OR barrier IS NOT NULL OR "
    "ford IS NOT NULL OR man_made IS NOT NULL",
}


@dataclass(frozen=True)
class Extract:
    """What an extract became: layers, what it says of itself, and what must be said.

    `areas` are the extract's areas in degrees (EPSG:4326), for the land cover.
    """

    layers: Layers
    areas: gpd.GeoDataFrame
    head: pbf.Header
    notes: tuple[Note, ...]


def read(
    path: Path, boxes: Sequence[Box], *, hunting_no_go: bool = False, now: dt.datetime
) -> Extract:
    """The layers of an extract that lie in the boxes, or all of it without boxes.

    Every table is one full pass, since the form has no index; so all that is needed is read here
    and the extract is not opened again. Routes are taken from their lists of ways: the reader would
    lay each of them out in a pass of its own.

    Raises
    ------
    SitingError
        E-OSM-01 when this build of GDAL lacks the reader, E-OSM-02 when the extract does not
        reach over the boxes, E-FILE-02 when it is broken.
    """
    _check_kind(path)
    head = pbf.header(path)
    _check_reach(path, head, boxes)
    counted, walked = _relations(path)
    with _own_tags():
        points, lines, areas = (
            _table(path, name, boxes) for name in ("points", "lines", "multipolygons")
        )
    layers = layers_of(
        points, lines, areas, on_route=_on_route(lines, walked), hunting_no_go=hunting_no_go
    )
    notes = [*_notes_of_layers(path, layers), *_age(head, now)]
    # With boxes the areas at their rims are cut by us; without, the extract itself cut them.
    if not boxes:
        notes += _left_out(counted, areas)
    return Extract(layers, areas, head, tuple(notes))


def _relations(path: Path) -> tuple[Counter[str], set[int]]:
    """How many woods and waters of several parts there are, by key, and the ways of the routes."""
    counted: Counter[str] = Counter()
    walked: set[int] = set()
    for tags, ways in pbf.relations(path):
        if tags.get("type") in ("multipolygon", "boundary"):
            counted.update({k: 1 for k, some in _COUNTED.items() if tags.get(k) in some})
        elif tags.get("type") == "route" and tags.get("route") in _ROUTES:
            walked.update(ways)
    return counted, walked


def _check_kind(path: Path) -> None:
    if not path.is_file():
        raise SitingError(
            "E-FILE-01",
            f"There is no file {path}.",
            rule="An extract is a file on this machine.",
            cure="Check the name and folder.",
        )
    if "OSM" not in pyogrio.list_drivers():
        raise SitingError(
            "E-OSM-01",
            "This build of the map library has no reader for OpenStreetMap extracts.",
            rule="The reader comes with pyogrio's own wheels, but not with every other build.",
            cure="Install pyogrio with pip, or convert the extract to a GeoPackage elsewhere.",
        )


def _check_reach(path: Path, head: pbf.Header, boxes: Sequence[Box]) -> None:
    """E-OSM-02 when the box in the extract's head does not hold the land."""
    if head.box is None:
        return
    west, south, east, north = head.box
    for box in boxes:
        if box[0] < west or box[1] < south or box[2] > east or box[3] > north:
            raise SitingError(
                "E-OSM-02",
                f"{path.name} reaches from {west:.3f},{south:.3f} to {east:.3f},{north:.3f}; the "
                f"land with its margin from {box[0]:.3f},{box[1]:.3f} to {box[2]:.3f},"
                f"{box[3]:.3f}.",
                rule="The extract must hold the land and the ground around it: what lies outside "
                "is not known, not empty.",
                cure="Take the extract of a larger region, or a smaller --margin.",
            )


@contextlib.contextmanager
def _own_tags() -> Iterator[None]:
    """The reader makes columns of our tags while this lasts."""
    place = resources.files("siting").joinpath("data/osmconf.ini")
    with (
        resources.as_file(place) as config,
        gdal_options(OSM_CONFIG_FILE=str(config), OGR_INTERLEAVED_READING=None),
    ):
        yield


def _table(path: Path, layer: str, boxes: Sequence[Box]) -> gpd.GeoDataFrame:
    frames = []
    for box in boxes or (None,):
        try:
            with warnings.catch_warnings():
                # Faulty rings are repaired below.
                warnings.simplefilter("ignore")
                frames.append(
                    pyogrio.read_dataframe(
                        path, layer=layer, bbox=box, where=_WHERE.get(layer), on_invalid="ignore",
                        fid_as_index=False, use_arrow=False,
                    )
                )  # fmt: skip
        except (DataSourceError, DataLayerError, FeatureError) as error:
            raise SitingError(
                "E-FILE-02",
                f"{path} cannot be read as an OpenStreetMap extract: {str(error)[:150]}.",
                rule="An extract must be complete.",
                cure="Download it again.",
            ) from error
    frame = frames[0] if len(frames) == 1 else pd.concat(frames, ignore_index=True)
    frame = gpd.GeoDataFrame(frame, geometry="geometry", crs="EPSG:4326")
    shapes = np.asarray(frame.geometry)
    there = ~(shapely.is_missing(shapes) | shapely.is_empty(shapes))
    frame = frame[there].reset_index(drop=True)
    return _mended(frame)


def _mended(frame: gpd.GeoDataFrame) -> gpd.GeoDataFrame:
    shapes = np.asarray(frame.geometry)
    bad = ~shapely.is_valid(shapes)
    if bad.any():
        shapes = shapes.copy()
        shapes[bad] = shapely.make_valid(shapes[bad], method="structure", keep_collapsed=False)
        frame = frame.set_geometry(gpd.GeoSeries(shapes, crs=frame.crs))
    return frame


def _on_route(lines: gpd.GeoDataFrame, walked: set[int]) -> BoolArray:
    """Which ways on foot are part of a hiking route; (lines,) bool."""
    on_foot = lines["highway"].isin(["path", *ON_FOOT]).to_numpy(dtype=bool)
    out: BoolArray = on_foot & lines["osm_id"].isin([str(way) for way in walked]).to_numpy()
    return out


def _notes_of_layers(path: Path, layers: Layers) -> list[Note]:
    notes = []
    unknown, trails = layers.counts["trails, use not known"], layers.counts["trails"]
    if unknown:
        notes.append(words.use_not_known(path.name, unknown, trails))
    if layers.strange:
        notes.append(words.strange_ways(path.name, layers.strange))
    if layers.counts["hunting stands and grounds"]:
        notes.append(words.hunting(layers.counts["hunting stands and grounds"]))
    if layers.counts["protected areas"]:
        notes.append(words.protected(layers.counts["protected areas"]))
    return notes


def _age(head: pbf.Header, now: dt.datetime) -> list[Note]:
    if head.date is None or (now - head.date).days <= _OLD_DAYS:
        return []
    return [words.old_extract(head.date.date())]


def _left_out(asked: Counter[str], areas: gpd.GeoDataFrame) -> list[Note]:
    """W-OSM-01: woods and waters with parts outside the extract are not built by the reader."""
    built = areas[areas["osm_id"].notna()] if "osm_id" in areas else areas[:0]
    missing = {
        key: max(count - int(built[key].isin(_COUNTED[key]).sum()), 0)
        for key, count in asked.items()
    }
    total = sum(missing.values())
    return [words.areas_cut(total, sum(asked.values()))] if total else []
