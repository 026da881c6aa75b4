"""Any vector file to the layers of a region, by a mapping that says what its values mean."""

from __future__ import annotations

import itertools
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Annotated, Any

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray
from pydantic import BeforeValidator, Field, model_validator

from siting.disk.paths import file_and_layer
from siting.errors import SitingError
from siting.gather.network.stac import Box
from siting.read.vector.columns import CLASSED, column_text
from siting.read.vector.files import read_frame
from siting.settings.given.layers import LayerInput
from siting.settings.given.tables import LAYER_NAMES, Table
from siting.settings.text.faults import validate
from siting.settings.text.toml import read_toml
from siting.types import Note
from siting.words.office import gather as words

_TWIN_M, _TWIN_DEG, _TWIN_SHARE, _STEP_M = 5.0, 10.0, 0.8, 10.0


def _texts(value: Any) -> Any:
    """Numbers of a list as text: codes are compared as text without ".0"."""
    return tuple(str(v) for v in value) if isinstance(value, list) else value


Texts = Annotated[tuple[str, ...], BeforeValidator(_texts)]


class LayerRule(Table):
    """Where a layer's features come from and what their values mean."""

    file: str = Field(min_length=1, description='"FILE" or "FILE::LAYER".')
    crs: str = Field("", description="Coordinate system, when the file has none.")
    where: dict[str, Texts] = Field(default_factory=dict, description="Only these features.")
    column: str = Field("", description="Column with the class, use or kind.")
    values: dict[str, str] = Field(default_factory=dict, description="What its values mean.")
    drop: Texts = Field((), description="Values that are left out; how many is reported.")
    other: str = Field("error", description='"error", "drop", or a class for all others.')
    empty: str = Field("", description='What an empty value means; "drop" leaves it out.')
    name: str = Field("", description="Column with a name to show.")
    kind: str = Field("", description="Column with a kind to show.")


def _rules(value: Any) -> Any:
    return tuple(value) if isinstance(value, list) else (value,)


class Mapping_(Table):  # noqa: N801 - "Mapping" is taken by the standard library
    """A mapping file."""

    title: str = Field("", max_length=200, description="Name of the data.")
    publisher: str = Field("", max_length=200, description="Who publishes them.")
    licence: str = Field("not stated", max_length=200, description="Name of the licence.")
    licence_url: str = Field("", max_length=200, description="Where it can be read.")
    attribution: str = Field("", max_length=300, description="The line asked for.")
    short: str = Field("", max_length=60, description="The line for small places.")
    layers: dict[str, Annotated[tuple[LayerRule, ...], BeforeValidator(_rules)]]

    @model_validator(mode="after")
    def _known(self) -> Mapping_:
        strange = [name for name in self.layers if name not in LAYER_NAMES]
        if strange:
            raise ValueError(
                f"there is no layer {strange[0]!r}; the layers are {', '.join(LAYER_NAMES)}"
            )
        return self

    def files(self, folder: Path) -> list[Path]:
        """Every file of the mapping; relative paths count from the mapping's folder."""
        every = [file_and_layer(rule.file)[0] for rules in self.layers.values() for rule in rules]
        return [folder / file for file in dict.fromkeys(every)]


def load_mapping(path: Path) -> Mapping_:
    """A mapping file; all its faults are told at once."""
    return validate(Mapping_, read_toml(path), source=str(path))


def read(
    mapping: Mapping_, folder: Path, boxes: Sequence[Box]
) -> tuple[dict[str, gpd.GeoDataFrame], tuple[Note, ...]]:
    """The layers of a mapping that lie in boxes, in degrees, and what was left out.

    Raises
    ------
    SitingError
        E-FIELD-01 for a column that is missing or a value that the mapping does not list: that is
        how a code that is new in the data is found.
    """
    frames: dict[str, gpd.GeoDataFrame] = {}
    notes: list[Note] = []
    for layer, rules in mapping.layers.items():
        parts = []
        for number, rule in enumerate(rules):
            part, dropped = _layer(layer, rule, folder, boxes)
            if dropped:
                notes.append(words.dropped(layer, Path(rule.file).name, dropped))
            parts.append(part)
            # Two registers of one road network: the same road twice would be two roads.
            if number and layer in CLASSED:
                twins = count_twins(parts[0], part)
                if twins:
                    notes.append(words.twins(layer, twins))
        joined = pd.concat(parts, ignore_index=True)
        frames[layer] = gpd.GeoDataFrame(joined, geometry="geometry", crs="EPSG:4326")
    return frames, tuple(notes)


def _layer(
    layer: str, rule: LayerRule, folder: Path, boxes: Sequence[Box]
) -> tuple[gpd.GeoDataFrame, int]:
    file, inner = file_and_layer(rule.file)
    path = str(folder / file)
    if not Path(path).exists():
        raise SitingError(
            "E-FILE-01",
            f"There is no file {path} (layers.{layer} of the mapping).",
            rule="Paths of a mapping count from the folder of the mapping file.",
            cure="Check the name and folder.",
        )
    spec = LayerInput(file=file, layer=inner, crs=rule.crs)
    frame = read_frame(path, spec, layer=inner, key=f"layers.{layer}")
    frame = frame.to_crs("EPSG:4326")
    near = np.zeros(len(frame), dtype=bool)
    for box in boxes:
        # Whole features, not cut ones: a road that leaves the land goes on there.
        near |= frame.intersects(shapely.box(*box)).to_numpy()
    frame = frame[near].reset_index(drop=True)
    for column, wanted in rule.where.items():
        found = _column(frame, column, file, layer)
        frame = frame[[text in wanted for text in found]].reset_index(drop=True)
    return _meant(frame, layer, rule, file)


def _column(frame: gpd.GeoDataFrame, column: str, file: str, layer: str) -> list[str]:
    if column not in frame.columns:
        names = ", ".join(str(c) for c in frame.columns if c != "geometry")
        raise SitingError(
            "E-FIELD-01",
            f"{file} has no column {column!r} (layers.{layer} of the mapping).",
            rule="Every column that the mapping names must be in the layer.",
            cure=f"It has {names}. Shapefiles cut names to ten characters.",
        )
    return column_text(frame, column)


def _meant(
    frame: gpd.GeoDataFrame, layer: str, rule: LayerRule, file: str
) -> tuple[gpd.GeoDataFrame, int]:
    """The features with the columns that scoring reads, and how many were dropped."""
    standard, known, fallback = CLASSED.get(layer, ("", (), ""))
    found = _column(frame, rule.column, file, layer) if rule.column else [""] * len(frame)
    meant = [_meaning(text, rule, bool(rule.column), standard) for text in found]
    strange = sorted({f for f, m in zip(found, meant, strict=True) if m is None})
    # Also the mapping's own words: "minro" for "minor" would be a class that nobody scores.
    strange += sorted({m for m in meant if standard and m and m not in (*known, fallback, "drop")})
    if strange:
        raise SitingError(
            "E-FIELD-01",
            f"{file}: column {rule.column} holds {', '.join(repr(s) for s in strange[:8])}, which "
            f"layers.{layer} of the mapping does not list.",
            rule="Every value must have a meaning, or be dropped on purpose"
            + (f"; meanings are {', '.join(known)}." if known else "."),
            cure='Add it to values or drop, or say other = "drop".',
        )
    kept = [m != "drop" for m in meant]
    columns: dict[str, Any] = {
        "name": _column(frame, rule.name, file, layer) if rule.name else [""] * len(frame),
        "kind": _column(frame, rule.kind, file, layer) if rule.kind else found,
    }
    if standard:
        columns[standard] = [m or fallback for m in meant]
    elif rule.column and not rule.kind:
        columns["kind"] = [m or "" for m in meant]
    if layer == "no_go":
        columns["reason"] = columns.pop("kind")
    out = gpd.GeoDataFrame(columns, geometry=np.asarray(frame.geometry), crs="EPSG:4326")
    return out[kept].reset_index(drop=True), len(kept) - sum(kept)


def _meaning(text: str, rule: LayerRule, named: bool, standard: str) -> str | None:
    """The meaning of one value: a class, "drop", "" for the layer's usual; None is an error."""
    if not named:
        return ""
    if text in rule.values:
        return rule.values[text]
    if text in rule.drop:
        return "drop"
    if not text:
        # An empty class is a fault where classes count, and nothing to speak of where they do not.
        return rule.empty or ("" if not standard else None)
    if not standard and not rule.values and not rule.drop:
        return text
    return None if rule.other == "error" else rule.other


def count_twins(first: gpd.GeoDataFrame, second: gpd.GeoDataFrame) -> int:
    """How many lines of a second file run along lines of the first: one thing mapped twice.

    A line is a twin when over 80 % of it lies within 5 m and 10 degrees of the other's lines.
    """
    if not len(first) or not len(second):
        return 0
    # Metres are needed, and the zone of the first file is near enough for counting.
    crs = first.estimate_utm_crs()
    legs, leg_deg = _pieces(np.asarray(first.to_crs(crs).geometry))
    tree = shapely.STRtree(legs)
    count = 0
    for shape in np.asarray(second.to_crs(crs).geometry):
        parts, deg = _pieces(np.array([shape], dtype=object))
        if not len(parts):
            continue
        middles = shapely.line_interpolate_point(parts, 0.5, normalized=True)
        mine, theirs = tree.query(middles, predicate="dwithin", distance=_TWIN_M)
        turn = np.abs((deg[mine] - leg_deg[theirs] + 90.0) % 180.0 - 90.0)
        along = np.unique(mine[turn <= _TWIN_DEG])
        length = shapely.length(parts)
        count += bool(length[along].sum() >= _TWIN_SHARE * length.sum() > 0)
    return count


def _pieces(shapes: NDArray[np.object_]) -> tuple[NDArray[np.object_], NDArray[np.float64]]:
    """Legs of some metres of all lines, and the way each runs, degrees of 0 to 180."""
    lines = shapely.get_parts(shapes)
    lines = lines[np.isin(shapely.get_type_id(lines), (1, 2))]
    legs, ways = [], []
    for line in shapely.segmentize(lines, _STEP_M):
        for a, b in itertools.pairwise(shapely.get_coordinates(line)):
            legs.append((a, b))
            ways.append(np.degrees(np.arctan2(b[1] - a[1], b[0] - a[0])) % 180.0)
    if not legs:
        return np.array([], dtype=object), np.array([])
    return np.asarray(shapely.linestrings(np.array(legs)), dtype=object), np.array(ways)


def facts(mapping: Mapping_, layers: Mapping[str, Any]) -> dict[str, Any]:
    """What sources.json tells of the data of a mapping; no line is invented where none is given."""
    files = sorted({Path(r.file).name for rules in mapping.layers.values() for r in rules})
    return {
        "title": mapping.title or ", ".join(files)[:200],
        "publisher": mapping.publisher or "the user",
        "licence": mapping.licence,
        "licence_url": mapping.licence_url,
        "attribution": mapping.attribution or "file given by the user, licence not stated",
        "short": mapping.short,
        "changed": "cut to the region, values mapped to classes",
        "layers": sorted(layers),
    }
