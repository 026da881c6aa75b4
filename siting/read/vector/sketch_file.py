"""Sketch files: what a volunteer drew of the land on a sketch page, as layers of one file.

A sketch (`siting sketch 1`) is a GeoJSON FeatureCollection (RFC 7946) with further members; its
layers are read as `"FILE::LAYER"` like those of any vector file. What the volunteer answered is
kept apart from what was drawn: "none" is an empty layer, "unknown" is no layer at all.
"""

from __future__ import annotations

import json
import math
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

import shapely
from pydantic import BaseModel, ConfigDict, Field, ValidationError
from shapely.geometry.base import BaseGeometry as Geometry

from siting.errors import SitingError

if TYPE_CHECKING:
    import geopandas as gpd

FORMAT = "siting sketch"
VERSION = 1
OUTLINE = "parcel"
AREAS, LINES, POINTS = ("Polygon", "MultiPolygon"), ("LineString", "MultiLineString"), ("Point",)
SHAPES: dict[str, tuple[str, ...]] = {
    OUTLINE: AREAS,
    "feeders": POINTS,
    "livestock": AREAS,
    "trails": LINES,
    "crossings": POINTS,
    "way_in": POINTS,
    "no_go": AREAS,
    "buildings": (*AREAS, *POINTS),
    "water": (*AREAS, *LINES, *POINTS),
    "roads": LINES,
}
"""The layers of a sketch, each with the shapes it may hold."""
# Far more than a hand draws on a phone, and far less than it takes to hold up an office.
_MOST_BYTES, _MOST_FEATURES, _MOST_CORNERS = 1_000_000, 500, 20_000
# About a centimetre; what a finger draws is off by metres.
_DECIMALS = 7
_COLUMNS = ("name", "kind", "use", "class", "reason")
_CURE = "Ask the volunteer to save the file again from the sketch page."
Text = Field("", max_length=200)


class _Open(BaseModel):
    """A part of a sketch; members of later versions are passed over."""

    model_config = ConfigDict(extra="ignore", frozen=True, strict=True, allow_inf_nan=False)


class _Properties(_Open):
    layer: str = Field(max_length=40)
    name: str = Text
    kind: str = Text
    use: Literal["", "game", "quiet", "busy"] = ""
    road_class: Literal["", "major", "minor", "track"] = Field("", alias="class")
    reason: str = Text


class _Shape(_Open):
    type: str = Field(max_length=40)
    coordinates: list[Any]


class _Feature(_Open):
    type: Literal["Feature"]
    geometry: _Shape
    properties: _Properties


class Sketch(_Open):
    """A sketch file as written, its shapes not yet looked at.

    `answers` maps a layer to "marked", "none" or "unknown"; `made_for` names the sign-up that the
    page was made for.
    """

    type: Literal["FeatureCollection"]
    format: str = Field(max_length=40)
    id: str = Text
    made_for: str = Field("", alias="for", max_length=200)
    said_by: str = Text
    note: str = Field("", max_length=2000)
    answers: dict[str, Literal["marked", "none", "unknown"]] = Field(default_factory=dict)
    features: list[_Feature]

    def layers(self) -> tuple[str, ...]:
        """Layers that the volunteer spoke of, in a fixed order: marked, or answered "none"."""
        drawn = {feature.properties.layer for feature in self.features}
        # "None" is knowledge: an empty layer closes a question that a missing one leaves open.
        none = {layer for layer, answer in self.answers.items() if answer == "none"}
        return tuple(layer for layer in SHAPES if layer in drawn | none)


# By what it says and not by its name: phones rename what they send (.json becomes .txt).
def is_sketch(path: str) -> bool:
    """Whether a local file says that it is a sketch; small files ending in json are looked into."""
    place = Path(path)
    if not path.lower().endswith(("json", ".txt")) or not place.is_file():
        return False
    if place.stat().st_size > _MOST_BYTES:
        return False
    return f'"{FORMAT} '.encode() in place.read_bytes()


def read_sketch(path: str) -> Sketch:
    """A sketch file, checked in form.

    Raises
    ------
    SitingError
        E-SKETCH-01 when it is no sketch or damaged, E-SKETCH-02 when a newer version made it,
        E-SKETCH-03 when it is larger than a sketch may be.
    """
    file = Path(path).name
    try:
        _check_size(Path(path), file)
        content = json.loads(Path(path).read_text(encoding="utf-8-sig"))
    except FileNotFoundError as error:
        raise SitingError(
            "E-FILE-01",
            f"There is no file {path}.",
            rule="A sketch is the file that a sketch page saves.",
            cure="Check the name and folder.",
        ) from error
    except OSError as error:
        raise SitingError(
            "E-FILE-02",
            f"{path} cannot be read: {error.strerror}.",
            rule="A sketch is the file that a sketch page saves.",
            cure="Name a file that you may read.",
        ) from error
    except (ValueError, RecursionError) as error:
        raise _damaged(file, f"it is not JSON text ({type(error).__name__})") from error
    _check_version(content, file)
    try:
        sketch = Sketch.model_validate(content)
    except (ValidationError, RecursionError) as error:
        raise _damaged(file, _first_fault(error)) from error
    strange = sorted({f.properties.layer for f in sketch.features} - set(SHAPES))
    if strange:
        raise _damaged(file, f"it has shapes of an unknown layer, {strange[0]!r}")
    try:
        corners = _corners(sketch)
    except ValueError as error:
        raise _damaged(file, str(error)) from error
    if len(sketch.features) > _MOST_FEATURES or corners > _MOST_CORNERS:
        raise _too_large(file, f"{len(sketch.features):,} shapes with {corners:,} corners")
    return sketch


def _corners(sketch: Sketch) -> int:
    return sum(1 for f in sketch.features for _ in _numbers(f.geometry.coordinates)) // 2


def sketch_frame(sketch: Sketch, layer: str, *, file: str) -> gpd.GeoDataFrame:
    """One layer of a sketch as a frame in EPSG:4326, coordinates rounded to 7 decimals once.

    The columns are name, kind, use, class and reason; the outline also has `id`, the sign-up that
    the page was made for.
    """
    # Here, for the desk reads names of layers above and must not wait for tables.
    import geopandas as gpd

    rows = [f for f in sketch.features if f.properties.layer == layer]
    shapes = [_geometry(row.geometry, layer, file, at) for at, row in enumerate(rows, start=1)]
    told = [row.properties.model_dump(by_alias=True) for row in rows]
    columns: dict[str, list[str]] = {name: [one[name] for one in told] for name in _COLUMNS}
    if layer == OUTLINE:
        columns["id"] = [sketch.made_for] * len(rows)
        if len(rows) > 1:  # Several areas drawn for one sign-up are one parcel of several parts.
            columns = {name: values[:1] for name, values in columns.items()}
            shapes = [shapely.MultiPolygon([p for s in shapes for p in shapely.get_parts(s)])]
    return gpd.GeoDataFrame(columns, geometry=shapes, crs="EPSG:4326")


def _check_size(path: Path, file: str) -> None:
    size = path.stat().st_size
    if size > _MOST_BYTES:
        raise _too_large(file, f"{size:,} bytes")


def _too_large(file: str, said: str) -> SitingError:
    return SitingError(
        "E-SKETCH-03",
        f"{file} has {said}.",
        rule=f"A sketch holds at most {_MOST_FEATURES} shapes, {_MOST_CORNERS:,} corners and "
        f"{_MOST_BYTES:,} bytes.",
        cure="Give a large drawing as a GeoPackage or GeoJSON layer instead.",
    )


def _check_version(content: Any, file: str) -> None:
    words = str(content.get("format", "")).rsplit(" ", 1) if isinstance(content, dict) else []
    if len(words) != 2 or words[0] != FORMAT or not words[1].isascii() or not words[1].isdigit():
        raise _damaged(file, f'it does not say "format": "{FORMAT} {VERSION}"')
    if words[1] != str(VERSION):
        raise SitingError(
            "E-SKETCH-02",
            f"{file} was made by a newer version ({FORMAT} {words[1][:12]}).",
            rule=f"This program reads {FORMAT} {VERSION}.",
            cure="Update siting.",
        )


def _first_fault(error: Exception) -> str:
    if not isinstance(error, ValidationError):
        return "it is nested too deeply"
    fault = error.errors(include_url=False, include_context=False, include_input=False)[0]
    return f"{'.'.join(str(part) for part in fault['loc'])[:80]}: {fault['msg']}"


def _damaged(file: str, why: str) -> SitingError:
    return SitingError(
        "E-SKETCH-01",
        f"{file} is not a complete sketch: {why}.",
        rule="A sketch is the file that a sketch page saves.",
        cure=_CURE,
    )


def _numbers(value: Any) -> Iterator[float]:
    """Every number in nested lists; ValueError for anything else."""
    # No recursion: a file of ten thousand brackets would end the program.
    stack = [value]
    while stack:
        one = stack.pop()
        if isinstance(one, list):
            stack.extend(reversed(one))
        elif isinstance(one, int | float) and not isinstance(one, bool) and math.isfinite(one):
            yield float(one)
        else:
            raise ValueError(f"{str(one)[:20]!r} is not a coordinate")


def _geometry(shape: _Shape, layer: str, file: str, at: int) -> Geometry:
    what = f"shape {at} of {layer}"
    if shape.type not in SHAPES[layer]:
        raise _damaged(file, f"{what} is a {shape.type[:20]}, not a {' or '.join(SHAPES[layer])}")
    try:
        xy = _rounded(shape.coordinates)
        made = shapely.geometry.shape({"type": shape.type, "coordinates": xy})
    except (ValueError, TypeError, IndexError, shapely.errors.GEOSException) as error:
        raise _damaged(file, f"{what}: {str(error)[:80]}") from error
    if made.is_empty or shapely.has_z(made):
        raise _damaged(file, f"{what} must have corners of longitude and latitude")
    west, south, east, north = made.bounds
    if not (-180 <= west <= east <= 180 and -90 <= south <= north <= 90):
        raise _damaged(file, f"{what} lies outside longitude -180..180, latitude -90..90")
    return made


def _rounded(value: Any) -> Any:
    """The same nested lists with every coordinate rounded; depth is bounded by the shape type."""
    if isinstance(value, list):
        return [_rounded(one) for one in value]
    return round(next(_numbers(value)), _DECIMALS)
