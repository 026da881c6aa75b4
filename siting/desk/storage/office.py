"""The office folder: its maps, and each sign-up's inputs as the command line takes them."""

from __future__ import annotations

import datetime as dt
import json
import os
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import tomli_w

from siting.desk.storage.land import sketch_text
from siting.desk.storage.store import Land
from siting.disk.files import make_folder, remove, safe_name, write_atomic
from siting.disk.paths import file_and_layer
from siting.errors import SitingError
from siting.read.vector.sketch_file import OUTLINE
from siting.settings.given.tables import LAYER_NAMES, PATH_KEYS
from siting.settings.inputs import Inputs
from siting.settings.load import load_inputs
from siting.settings.text.toml import read_toml

MAPS = "office.toml"
LAND_FILE = "land.json"
INPUTS_FILE = "inputs.toml"
SAID = "visited"
"""Folder of a sign-up with the files of decisions that its runs read."""
_MAP_TABLES = ("dem", "land_cover", "canopy", "layers", "sources")
NO_PLACE: dict[str, Any] = {"parcel": {"point": [0.0, 0.0], "radius_m": 100.0, "file": ""}}
_HEAD = (
    "# The maps of this office, and the dates of the season. Paths count from this folder.\n"
    "# The land of each sign-up is in office.gpkg; siting desk writes it into parcels/.\n\n"
)


def open_office(folder: Path, inputs_file: Path | None) -> Inputs:
    """The maps of an office, with a place-holder for the parcel; a new office gets those named.

    Raises
    ------
    SitingError
        E-DESK-04 when the folder has no maps and none were named.
    """
    maps = folder / MAPS
    if not maps.exists():
        if inputs_file is None:
            raise SitingError(
                "E-DESK-04",
                f"There is no office in the folder {folder}, and no maps were named for a new one.",
                rule="The desk needs elevations, and land cover where there is any.",
                cure="Name an inputs file the first time: siting desk inputs.toml -o OFFICE.",
            )
        # Every fault is found before anything is written.
        tables = _maps_of(inputs_file, folder)
        make_folder(folder)
        write_atomic(maps, _HEAD + tomli_w.dumps(tables))
    return load_inputs(maps, NO_PLACE)


def _maps_of(inputs_file: Path, folder: Path) -> dict[str, Any]:
    """The tables of an inputs file but its parcel, paths counted from the office folder."""
    load_inputs(inputs_file, NO_PLACE)
    tables = {name: table for name, table in read_toml(inputs_file).items() if name != "parcel"}
    here = inputs_file.resolve().parent
    # Where one steps onto the land belongs to each sign-up, not to the region.
    layers = {name: one for name, one in tables.get("layers", {}).items() if name != "way_in"}
    survey = tables.get("survey", {})
    tables["layers"] = layers
    tables["survey"] = {name: value for name, value in survey.items() if name != "visited"}
    moved: dict[str, Any] = _moved(tables, here, folder.resolve())
    return moved


def _moved(value: Any, here: Path, there: Path, *, key: str = "") -> Any:
    """The same tables with every path counted from another folder."""
    if isinstance(value, Mapping):
        # What the values of a column mean may be called like a key with a path.
        if key == "values":
            return value
        in_layers = key == "layers"
        return {
            name: _moved(one, here, there, key="file" if in_layers else name)
            for name, one in value.items()
        }
    if isinstance(value, list):
        return [_moved(one, here, there, key=key) for one in value]
    named = key in PATH_KEYS or (key == "legend" and str(value).lower().endswith(".csv"))
    if isinstance(value, str) and value and named:
        return _relative(value, here, there)
    return value


def _relative(text: str, here: Path, there: Path) -> str:
    if "://" in text:
        return text
    file, layer = file_and_layer(text)
    moved = Path(os.path.relpath(here / file, there)).as_posix()
    return f"{moved}::{layer}" if layer else moved


def parcel_folder(office: Path, uid: str) -> Path:
    """Where a sign-up's inputs and results lie."""
    return office / "parcels" / safe_name(uid)


def region_folder(office: Path, uid: str) -> Path:
    """Where the open data that were gathered for a sign-up lie."""
    return parcel_folder(office, uid) / "region"


def maps_file(office: Path, uid: str) -> Path:
    """The inputs file with the maps of a sign-up: those gathered for it, else the office's."""
    own = region_folder(office, uid) / INPUTS_FILE
    return own if own.is_file() else office / MAPS


def write_inputs(
    office: Path,
    uid: str,
    land: Land,
    *,
    label: str,
    cell: str,
    parcel_id: str = "",
    said: Sequence[tuple[str, str]] = (),
) -> Path:
    """A sign-up's land and inputs file, as `siting score` takes them; the inputs file's path.

    `said` are (name, text) of the files of decisions about it, which go into a folder beside it.

    A layer with shapes is given; one answered "none" is given empty (there is none); one not asked
    or not known is left out. The outline's name on pages is the sign-up's label.
    """
    folder = parcel_folder(office, uid)
    write_land(office, uid, land, label=label, parcel_id=parcel_id)
    _write_said(folder / SAID, said)
    tables = _maps_for(office, uid)
    tables["parcel"] = {"file": f"{LAND_FILE}::{OUTLINE}", "label_column": "name"}
    given = tables.setdefault("layers", {})
    spoken = {shape.layer for shape in land.shapes}
    spoken |= {layer for layer, answer in land.answers.items() if answer == "none"}
    for name in (name for name in LAYER_NAMES if name in spoken):
        before = given.get(name, [])
        region = before if isinstance(before, list) else [before]
        given[name] = [*region, f"{LAND_FILE}::{name}"]
    if said:
        survey = tables.setdefault("survey", {})
        before = survey.get("visited", [])
        survey["visited"] = [*([before] if isinstance(before, str) else before), SAID]
    write_atomic(folder / INPUTS_FILE, _comment(label, cell) + tomli_w.dumps(tables))
    return folder / INPUTS_FILE


def write_all_lands(
    office: Path, folder: Path, lands: Sequence[tuple[str, str, Mapping[str, Any]]]
) -> Path:
    """An inputs file of every outline of the office, as `siting review` takes it; its path.

    `lands` are (name in files, survey cell, GeoJSON geometry in degrees).
    """
    tables: dict[str, Any] = _moved(read_toml(office / MAPS), office.resolve(), folder.resolve())
    features = [
        {"type": "Feature", "geometry": shape, "properties": {"id": name, "cell": cell}}
        for name, cell, shape in lands
    ]
    content = {"type": "FeatureCollection", "features": features}
    write_atomic(folder / "lands.geojson", json.dumps(content))
    tables["parcel"] = {"file": "lands.geojson", "id_column": "id", "cell_column": "cell"}
    write_atomic(folder / INPUTS_FILE, tomli_w.dumps(tables))
    return folder / INPUTS_FILE


def _write_said(folder: Path, said: Sequence[tuple[str, str]]) -> None:
    """The files of decisions, and nothing else, in their folder."""
    if said:
        make_folder(folder)
    for old in sorted(folder.glob("*.json")) if folder.is_dir() else ():
        if old.name not in dict(said):
            remove(old)
    for name, text in said:
        write_atomic(folder / name, text)


def write_land(office: Path, uid: str, land: Land, *, label: str, parcel_id: str = "") -> None:
    """A sign-up's land alone, as a sketch file."""
    folder = parcel_folder(office, uid)
    make_folder(folder)
    write_atomic(
        folder / LAND_FILE,
        sketch_text(land.shapes, land.answers, label=label, parcel_id=parcel_id),
    )


def _maps_for(office: Path, uid: str) -> dict[str, Any]:
    """The office's tables, paths counted from a sign-up's folder; maps gathered for it instead."""
    folder, region = parcel_folder(office, uid), region_folder(office, uid)
    tables: dict[str, Any] = _moved(read_toml(office / MAPS), office.resolve(), folder.resolve())
    if not (region / INPUTS_FILE).is_file():
        return tables
    theirs = _moved(read_toml(region / INPUTS_FILE), region.resolve(), folder.resolve())
    for name in _MAP_TABLES:
        tables.pop(name, None)
    # Layers of the office do not reach here: an empty window of them would claim "none there".
    return tables | {name: theirs[name] for name in _MAP_TABLES if name in theirs}


def _comment(label: str, cell: str) -> str:
    words = " ".join(f"{label} {cell}".split())
    # A label is anybody's text: a line end in it would begin a line of settings.
    shown = "".join(c for c in words if c.isprintable())
    return f"# {shown}\n\n"


def season(inputs: Inputs) -> str:
    """The dates of the season in words; empty where none are set."""
    first, last = inputs.survey.first_day, inputs.survey.last_day
    if not isinstance(first, dt.date) or not isinstance(last, dt.date):
        return ""
    return f"{first.isoformat()} to {last.isoformat()}"
