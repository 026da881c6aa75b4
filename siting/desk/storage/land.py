"""Shapes of a sign-up's land as values: from the page, to the office file, to a sketch file."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Literal

import shapely
from pydantic import BaseModel, ConfigDict, Field, field_validator, model_validator
from shapely.geometry.base import BaseGeometry as Geometry

from siting.desk.storage.schema import LAYERS

# About 1 cm. Rounded once, on the way in, and kept so: the desk and the files it writes would
# otherwise differ in the last digit.
DECIMALS = 7
_MOST_SHAPES, _MOST_CORNERS = 500, 20_000
_LEAST = {"area": 3, "line": 2, "point": 1}
Place = tuple[float, float]
"""(longitude, latitude), degrees WGS 84."""


@dataclass(frozen=True)
class Shape:
    """One thing on the land: an area, line or point in one layer.

    `corners` are those of the ring of an area (not closed), of a line, or the one place of a point.
    Land of several parts is several areas; a hole is an area of places to leave alone.
    """

    uid: str
    layer: str
    kind: str
    corners: tuple[Place, ...]
    name: str = ""
    use: str = ""
    road_class: str = ""
    reason: str = ""
    said_by: str = ""
    said_on: str = ""
    via: str = "office"

    def as_data(self) -> dict[str, Any]:
        """Plain values, as the page has them."""
        return {
            "uid": self.uid,
            "layer": self.layer,
            "kind": self.kind,
            "corners": [list(place) for place in self.corners],
            "name": self.name,
            "use": self.use,
            "road_class": self.road_class,
            "reason": self.reason,
            "said_by": self.said_by,
            "said_on": self.said_on,
            "via": self.via,
        }


class ShapeIn(BaseModel):
    """A shape as the page sends it, in degrees; pydantic collects its faults, all ValueErrors."""

    model_config = ConfigDict(extra="forbid", strict=True, allow_inf_nan=False)

    uid: str = Field(pattern=r"^[0-9a-f]{16}$")
    layer: str
    kind: Literal["area", "line", "point"]
    corners: list[list[float]] = Field(min_length=1, max_length=_MOST_CORNERS)
    name: str = Field("", max_length=200)
    use: Literal["", "game", "quiet", "busy"] = ""
    road_class: Literal["", "major", "minor", "track"] = ""
    reason: str = Field("", max_length=200)
    said_by: str = Field("", max_length=200)
    said_on: str = Field("", max_length=10)
    via: Literal["office", "sketch", "file", "telephone"] = "office"

    @field_validator("corners", mode="before")
    @classmethod
    def _floats(cls, corners: Any) -> Any:
        if not isinstance(corners, list) or not all(isinstance(place, list) for place in corners):
            return corners
        return [[float(n) if type(n) is int else n for n in place] for place in corners]

    @model_validator(mode="after")
    def _sound(self) -> ShapeIn:
        if self.layer not in LAYERS or self.kind not in LAYERS[self.layer]:
            raise ValueError(f"layer {self.layer[:40]!r} takes no {self.kind}")
        if len(self.corners) < _LEAST[self.kind]:
            raise ValueError(f"{self.kind} of {len(self.corners)} corners")
        if self.kind == "point" and len(self.corners) > 1:
            raise ValueError("a point is one place")
        for place in self.corners:
            if len(place) != 2 or abs(place[0]) > 180 or abs(place[1]) > 90:
                raise ValueError("a corner is longitude -180..180 and latitude -90..90")
        return self

    def shape(self) -> Shape:
        """The shape with its coordinates rounded once."""
        corners = tuple((round(lon, DECIMALS), round(lat, DECIMALS)) for lon, lat in self.corners)
        rest = self.model_dump(exclude={"corners"})
        return Shape(corners=corners, **rest)


class LandIn(BaseModel):
    """What the page saves after each finished act."""

    model_config = ConfigDict(extra="forbid", strict=True)

    rev: int = Field(ge=0)
    shapes: list[ShapeIn] = Field(max_length=_MOST_SHAPES)
    answers: dict[str, Literal["none", "unknown"]] = Field(default_factory=dict)

    @model_validator(mode="after")
    def _bounded(self) -> LandIn:
        corners = sum(len(shape.corners) for shape in self.shapes)
        if corners > _MOST_CORNERS:
            raise ValueError(f"{corners:,} corners; at most {_MOST_CORNERS:,}")
        if len({shape.uid for shape in self.shapes}) < len(self.shapes):
            raise ValueError("two shapes have one uid")
        strange = set(self.answers) - set(LAYERS)
        if strange:
            raise ValueError(f"there is no layer {sorted(strange)[0][:40]!r}")
        return self


def geometry_of(shape: Shape) -> Geometry:
    """The shape in degrees."""
    make: dict[str, Any] = {"point": shapely.Point, "line": shapely.LineString}
    corners = shape.corners[0] if shape.kind == "point" else shape.corners
    made: Geometry = make.get(shape.kind, shapely.Polygon)(corners)
    return made


def corners_of(geometry: Geometry) -> tuple[str, tuple[Place, ...]]:
    """Kind and corners of a simple geometry; ValueError for one that cannot be drawn."""
    kind = {"Polygon": "area", "LineString": "line", "Point": "point"}.get(geometry.geom_type)
    if kind is None or geometry.is_empty:
        raise ValueError(f"{geometry.geom_type} cannot be drawn")
    ring = geometry.exterior if isinstance(geometry, shapely.Polygon) else geometry
    xy = shapely.get_coordinates(ring)[: -1 if kind == "area" else None]
    return kind, tuple((float(x), float(y)) for x, y in xy)


def shape_of(row: Mapping[str, Any], layer: str, geometry: Geometry) -> Shape:
    """A row of the office file as a shape."""
    kind, corners = corners_of(geometry)
    return Shape(
        uid=row["uid"],
        layer=layer,
        kind=kind,
        corners=corners,
        name=row["name"],
        use=row["use"],
        road_class=row["class"],
        reason=row["reason"],
        said_by=row["said_by"],
        said_on=row["said_on"],
        via=row["via"],
    )


def sketch_text(
    shapes: Sequence[Shape], answers: Mapping[str, str], *, label: str, parcel_id: str = ""
) -> str:
    """The land as a sketch file (`siting sketch 1`), which every command reads; rows by uid.

    Names of people and office notes stay out of it.
    """
    features = [
        {
            "type": "Feature",
            "id": shape.uid,
            "geometry": shapely.geometry.mapping(geometry_of(shape)),
            "properties": {
                "layer": shape.layer,
                "name": label if shape.layer == "parcel" else shape.name,
                "kind": "",
                "use": shape.use,
                "class": shape.road_class,
                "reason": shape.reason,
            },
        }
        # The same land gives the same bytes, in whatever order it was drawn.
        for shape in sorted(shapes, key=lambda s: (s.layer, s.uid))
    ]
    content = {
        "type": "FeatureCollection",
        "format": "siting sketch 1",
        # Becomes the identifier of the parcel, with which the names of its places begin.
        "for": parcel_id or label,
        "answers": {**dict(sorted(answers.items()))},
        "features": features,
    }
    return json.dumps(content, indent=1) + "\n"
