"""The inputs file: what is particular to a piece of land."""

from __future__ import annotations

import datetime as dt
from pathlib import Path
from typing import Annotated, Any, Literal
from zoneinfo import ZoneInfo

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field, field_validator, model_validator

LAYER_NAMES = (
    "water",
    "trails",
    "crossings",
    "roads",
    "buildings",
    "feeders",
    "livestock",
    "no_go",
    "way_in",
)


class Table(BaseModel):
    """A table of the inputs file."""

    model_config = ConfigDict(extra="forbid", frozen=True, strict=True, allow_inf_nan=False)


class LayerInput(Table):
    """A vector layer: `"FILE"`, `"FILE::LAYER"`, or a table with file, layer and crs."""

    file: str = Field(min_length=1, description="File: GeoPackage, GeoJSON, shapefile or KML.")
    layer: str = Field("", description="Layer inside the file, when it has several.")
    crs: str = Field("", description="Coordinate system to assert when the file has none.")
    column: str = Field("", description="Column with the class of a road or the use of a trail.")
    values: dict[str, str] = Field(
        default_factory=dict, description='What the column\'s values mean: { highway = "major" }.'
    )


def _layer(value: Any) -> Any:
    if isinstance(value, str):
        file, _, layer = value.partition("::")
        return {"file": file, "layer": layer}
    return value


def _layers(value: Any) -> Any:
    """One layer or a list of them, as a tuple."""
    return tuple(_layer(one) for one in (value if isinstance(value, list) else [value]))


SomeLayers = Annotated[tuple[LayerInput, ...], BeforeValidator(_layers)]


class ParcelInput(Table):
    """The piece of land: a file, or a point and a radius."""

    file: str = Field("", description='Outline: "FILE" or "FILE::LAYER".')
    crs: str = Field("", description="Coordinate system to assert when the file has none.")
    point: tuple[float, float] | None = Field(
        None, description="[longitude, latitude] in degrees, WGS 84, instead of a file."
    )
    radius_m: float | None = Field(None, gt=0, description="Radius around the point, metres.")
    id: str = Field("", description="Which parcel, when the file holds several.")
    id_column: str = Field("", description="Column with the parcel's identifier.")
    label_column: str = Field("", description="Column with a label to show.")
    cell_column: str = Field("", description="Column with the survey cell.")
    priority_column: str = Field("", description="Column with the priority; 1 is placed first.")

    @field_validator("point", mode="before")
    @classmethod
    def _pair(cls, value: Any) -> Any:
        if isinstance(value, list):
            value = tuple(float(v) if isinstance(v, int) else v for v in value)
        return value

    @model_validator(mode="after")
    def _one_way(self) -> ParcelInput:
        if bool(self.file) == (self.point is not None):
            raise ValueError("give either a file or a point with radius_m, not both and not none")
        if (self.point is None) != (self.radius_m is None):
            raise ValueError(
                "a point needs a radius, in metres: give point and radius_m (--point and --radius) "
                "together"
            )
        if self.point is not None and not (
            -180 <= self.point[0] <= 180 and -90 <= self.point[1] <= 90
        ):
            raise ValueError(
                f"point = {list(self.point)} must be [longitude, latitude] in degrees, "
                "longitude -180..180 first, latitude -90..90 second"
            )
        return self


class RasterInput(Table):
    """A raster file and what may be asserted about it."""

    file: str = Field(min_length=1, description="Any raster that GDAL reads.")
    crs: str = Field("", description="Coordinate system to assert when the file has none.")
    nodata: float | Literal["none", ""] = Field(
        "", description='Value that means no data; "none" when every value is real.'
    )
    band: int = Field(0, ge=0, description="Band to use when the file has several; 0 = the only.")

    @field_validator("nodata", mode="before")
    @classmethod
    def _number(cls, value: Any) -> Any:
        return float(value) if isinstance(value, int) and not isinstance(value, bool) else value


class DemInput(RasterInput):
    """The elevation raster."""

    z_unit: Literal["", "m", "ft", "us-ft"] = Field(
        "", description="Unit of the elevations, when the file does not say."
    )


class CoverInput(RasterInput):
    """The land-cover raster."""

    legend: str = Field(
        min_length=1, description="nlcd, worldcover, corine, dynamic-world, c-cap, or a CSV file."
    )


class CanopyInput(RasterInput):
    """Height of the vegetation above the ground."""

    z_unit: Literal["", "m", "ft", "us-ft"] = Field("", description="Unit of the heights.")


class Layers(Table):
    """What is known of the land; each may be left out, and each may be a list of files."""

    water: SomeLayers = ()
    trails: SomeLayers = ()
    crossings: SomeLayers = ()
    roads: SomeLayers = ()
    buildings: SomeLayers = ()
    feeders: SomeLayers = ()
    livestock: SomeLayers = ()
    no_go: SomeLayers = ()
    way_in: SomeLayers = ()

    def given(self) -> dict[str, tuple[LayerInput, ...]]:
        """The layers that are given, each with its files, in a fixed order."""
        every = {name: getattr(self, name) for name in LAYER_NAMES}
        return {name: files for name, files in every.items() if files}

    def files(self) -> list[tuple[str, LayerInput]]:
        """Every file of every layer with the layer's name, in a fixed order."""
        return [(name, file) for name, files in self.given().items() for file in files]


class SurveyInput(Table):
    """Dates and clock of the deployment."""

    time_zone: str = Field("", description="IANA name of the time zone, such as Etc/GMT+5.")
    first_day: dt.date | None = Field(None, description="First day of the deployment.")
    last_day: dt.date | None = Field(None, description="Last day of the deployment.")
    visited: str = Field(
        "", description="File of places visited, saved by a map page: ruled-out ones stay away."
    )

    @field_validator("time_zone")
    @classmethod
    def _known_zone(cls, value: str) -> str:
        if value:
            try:
                ZoneInfo(value)
            except (KeyError, ValueError, OSError):
                raise ValueError(
                    f"{value!r} is no IANA time zone name; write one such as 'Etc/GMT+5'"
                ) from None
        return value

    @model_validator(mode="after")
    def _days_in_order(self) -> SurveyInput:
        if (self.first_day is None) != (self.last_day is None):
            raise ValueError("first_day and last_day belong together")
        for name, day in (("first_day", self.first_day), ("last_day", self.last_day)):
            if day is not None and not 1700 <= day.year <= 2250:
                raise ValueError(f"{name} {day} is outside the years 1700 to 2250")
        if self.first_day and self.last_day and self.last_day < self.first_day:
            raise ValueError(f"last_day {self.last_day} is before first_day {self.first_day}")
        return self


class GridInput(Table):
    """The working grid, where the user wants another than the program would choose."""

    crs: str = Field("", description="Metric projected coordinate system.")
    cell_size_m: float | None = Field(None, gt=0, description="Cell edge, metres.")


class Inputs(Table):
    """One inputs file. Paths are relative to the file's folder."""

    parcel: ParcelInput
    dem: DemInput
    land_cover: CoverInput
    canopy: CanopyInput | None = None
    layers: Layers = Layers()
    survey: SurveyInput = SurveyInput()
    grid: GridInput = GridInput()
    allow_remote: bool = Field(
        False, description="Allow rasters on the network; off by default, nothing is fetched."
    )
    folder: Path = Field(Path(), exclude=True, description="Folder that paths are relative to.")

    def __repr__(self) -> str:
        given = [name for name in type(self).model_fields if name in self.model_fields_set]
        return f"<Inputs of {self.parcel.file or 'a point'}: {', '.join(given)}>"

    __str__ = __repr__
