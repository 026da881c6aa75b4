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
    "fences",
    "trees",
)
LEFT_OUT = ("", "leave out")
"""What a value of a column may mean, where features with it are not to be read."""


VECTOR_SUFFIXES = (".gpkg", ".geojson", ".json", ".shp", ".kml", ".fgb")
"""Endings of the vector files that are read."""


def number(value: int) -> float:
    """A whole number as a decimal; a ValueError, which is told with its key, when it is too large.

    Python's own error for 400 digits is another kind, which would pass as a fault of the program.
    """
    try:
        return float(value)
    except OverflowError:
        raise ValueError("is a number with hundreds of digits; no setting is that large") from None


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
        default_factory=dict,
        description='What the column\'s values mean: { residential = "minor", path = '
        '"trails.quiet", steps = "leave out" }.',
    )
    other: str = Field(
        "", description='What every value not listed means; "leave out" drops it. Else an error.'
    )
    error_m: float | None = Field(
        None, gt=0, le=1000, description="How far the shapes may be off, metres, when it is known."
    )
    attribution: str = Field(
        "", max_length=300, description="Line that the data's licence asks to be shown."
    )

    def part_for(self, layer: str, *, home: str) -> LayerInput:
        """The input as one of its layers reads it: what is for another layer is left out.

        Parameters
        ----------
        layer : the layer that reads
        home : the layer under which the input stands; its values need no layer's name
        """

        def meaning(text: str) -> str:
            named, dot, inner = text.partition(".")
            at = named if named in LAYER_NAMES else home
            if text in LEFT_OUT or at != layer:
                return LEFT_OUT[-1]
            return (inner if dot else "*") if named in LAYER_NAMES else text

        values = {value: meaning(text) for value, text in self.values.items()}
        if layer == home:
            other = meaning(self.other) if self.other else ""
        else:
            other = meaning(self.other) if self.other else LEFT_OUT[-1]
        return self.model_copy(update={"values": values, "other": other})


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
    attribution: str = Field(
        "", max_length=300, description="Line that the data's licence asks to be shown."
    )

    @field_validator("point", mode="before")
    @classmethod
    def _pair(cls, value: Any) -> Any:
        if isinstance(value, list):
            value = tuple(number(v) if isinstance(v, int) else v for v in value)
        return value

    @model_validator(mode="after")
    def _one_way(self) -> ParcelInput:
        if bool(self.file) == (self.point is not None):
            raise ValueError("give either a file or a point with radius_m, not both")
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


def _file_or_files(value: Any) -> Any:
    return tuple(value) if isinstance(value, list) else value


class RasterInput(Table):
    """A raster and what may be asserted about it."""

    file: Annotated[str | tuple[str, ...], BeforeValidator(_file_or_files)] = Field(
        min_length=1,
        description="A raster that GDAL reads; a list or a folder of its tiles; an Esri grid's "
        "folder.",
    )
    crs: str = Field("", description="Coordinate system to assert when the file has none.")
    nodata: float | Literal["none", ""] = Field(
        "", description='Value that means no data; "none" when every value is real.'
    )
    band: int = Field(0, ge=0, description="Band to use when the file has several; 0 = the only.")
    attribution: str = Field(
        "", max_length=300, description="Line that the data's licence asks to be shown."
    )

    @field_validator("nodata", mode="before")
    @classmethod
    def _number(cls, value: Any) -> Any:
        whole = isinstance(value, int) and not isinstance(value, bool)
        return number(value) if whole else value

    @property
    def files(self) -> tuple[str, ...]:
        """Every file or folder named."""
        return (self.file,) if isinstance(self.file, str) else self.file

    @property
    def label(self) -> str:
        """Name to show: that of the file, or of the first of several."""
        first = Path(self.files[0]).name
        more = len(self.files) - 1
        return f"{first} and {more} more" if more else first


class DemInput(RasterInput):
    """The elevation raster."""

    z_unit: Literal["", "m", "ft", "us-ft"] = Field(
        "", description="Unit of the elevations, when the file does not say."
    )
    surface: Literal["", "no", "yes", "unknown"] = Field(
        "", description='"yes" when the heights are of tree tops and roofs, not of the ground.'
    )


class CoverInput(RasterInput):
    """Land cover: a raster of classes with its legend, or polygons with a column of classes."""

    layer: str = Field("", description="Layer of the polygons, when their file has several.")
    legend: str = Field(
        "",
        description="nlcd, worldcover, corine, dynamic-world, c-cap, or a CSV file; polygons may "
        "do without.",
    )
    column: str = Field("", description="Column of the polygons with the class.")
    values: dict[str, str] = Field(
        default_factory=dict,
        description='Role of each value of the column: { wood = "tree", meadow = "pasture", '
        'other = "leave out" }.',
    )
    other: str = Field(
        "", description='Role of every value not listed; "leave out" drops it. Else an error.'
    )
    error_m: float | None = Field(
        None, gt=0, le=1000, description="How far the polygons' edges may be off, metres."
    )

    @property
    def is_polygons(self) -> bool:
        """Whether the file's name is that of a vector file, or a column or layer is named."""
        names = [one.partition("::")[0].lower() for one in self.files]
        vector = any(name.endswith(VECTOR_SUFFIXES) for name in names)
        return bool(self.column or self.layer) or any("::" in f for f in self.files) or vector

    @model_validator(mode="after")
    def _has_meaning(self) -> CoverInput:
        if not self.is_polygons and not self.legend:
            raise ValueError(
                "a land-cover raster needs its legend: nlcd, worldcover, corine, dynamic-world, "
                "c-cap, or a CSV file with columns code, name, role"
            )
        if self.is_polygons and not self.column:
            raise ValueError(
                'land cover by polygons needs the column with the class: column = "...", with '
                'values = { wood = "tree" } or a legend for its codes'
            )
        if self.is_polygons and not (self.legend or self.values):
            raise ValueError(
                'land cover by polygons needs what its classes mean: values = { wood = "tree", '
                'meadow = "pasture" }, or a legend for its codes'
            )
        return self


class CanopyInput(RasterInput):
    """Vegetation: its height above the ground, or how much of the ground trees cover."""

    z_unit: Literal["", "m", "dm", "cm", "ft", "us-ft", "percent"] = Field(
        "", description='Unit of the heights; "percent" for a raster of tree cover, 0 to 100.'
    )


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
    fences: SomeLayers = ()
    trees: SomeLayers = ()

    @model_validator(mode="after")
    def _known_targets(self) -> Layers:
        for name, spec in self._named():
            for text in (*spec.values.values(), spec.other):
                layer, dot, _ = text.partition(".")
                if dot and layer not in LAYER_NAMES:
                    raise ValueError(
                        f"{name}.values: {text!r} names no layer; write LAYER.CLASS, as in "
                        f'"trails.quiet"; the layers are {", ".join(LAYER_NAMES)}'
                    )
        return self

    def _named(self) -> list[tuple[str, LayerInput]]:
        """Every file as it was given, with the layer it stands under."""
        return [(name, spec) for name in LAYER_NAMES for spec in getattr(self, name)]

    def given(self) -> dict[str, tuple[LayerInput, ...]]:
        """The layers that are given, each with its files, in a fixed order.

        A file whose values name a second layer ("trails.quiet" under roads) stands under both,
        each time with the values that are for the other left out. What is named twice alike is
        there once.
        """
        every: dict[str, dict[str, LayerInput]] = {name: {} for name in LAYER_NAMES}
        for name, spec in self._named():
            for layer in (name, *_other_layers(name, spec)):
                part = spec.part_for(layer, home=name)
                every[layer].setdefault(part.model_dump_json(), part)
        return {name: tuple(files.values()) for name, files in every.items() if files}

    def files(self) -> list[tuple[str, LayerInput]]:
        """Every file of every layer with the layer's name, in a fixed order."""
        return [(name, file) for name, files in self.given().items() for file in files]


def _other_layers(home: str, spec: LayerInput) -> tuple[str, ...]:
    """Layers besides its own that a file's values name, in the order of the names."""
    named = {text.partition(".")[0] for text in (*spec.values.values(), spec.other)}
    return tuple(name for name in LAYER_NAMES if name in named and name != home)


def _list_of_files(value: Any) -> Any:
    """One file or a list of them, as a tuple; nothing where the text is empty."""
    if isinstance(value, str):
        return (value,) if value else ()
    return tuple(value) if isinstance(value, list) else value


class SurveyInput(Table):
    """Dates and clock of the deployment."""

    time_zone: str = Field("", description="IANA name of the time zone, such as Etc/GMT+5.")
    first_day: dt.date | None = Field(None, description="First day of the deployment.")
    last_day: dt.date | None = Field(None, description="Last day of the deployment.")
    visited: Annotated[tuple[str, ...], BeforeValidator(_list_of_files)] = Field(
        (),
        description="Files of decisions and visits, or folders of them (docs/decisions.md): places "
        "keep their names, those ruled out stay away, the one chosen comes first.",
    )
    letters: str = Field(
        "", description="Folder with the survey's own letter templates (docs/batch.md)."
    )
    places: str = Field(
        "",
        description="places.csv of an earlier run: places keep their names in a new folder.",
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


def _names(value: Any) -> Any:
    return tuple(value) if isinstance(value, list) else value


class DataSource(Table):
    """Data that the land's files were made of, and the line that its publisher asks for."""

    layers: Annotated[tuple[str, ...], BeforeValidator(_names)] = Field(
        (), description="Layers that were made of it: dem, land_cover, roads ..."
    )
    title: str = Field("", max_length=200, description="Name of the data.")
    attribution: str = Field(
        min_length=1, max_length=300, description="Line that the data's licence asks to be shown."
    )
    short: str = Field("", max_length=60, description="The same for small places.")
    licence: str = Field("", max_length=200, description="Name of the licence.")
    licence_url: str = Field("", max_length=200, description="Where the licence can be read.")
    changed: str = Field("", max_length=200, description="What was changed of the data.")


class Inputs(Table):
    """One inputs file. Paths are relative to the file's folder."""

    parcel: ParcelInput
    dem: DemInput
    land_cover: CoverInput | None = None
    canopy: CanopyInput | None = None
    layers: Layers = Layers()
    survey: SurveyInput = SurveyInput()
    grid: GridInput = GridInput()
    sources: Annotated[tuple[DataSource, ...], BeforeValidator(_names)] = Field(
        (), description="Where the files come from; its lines stand on every page."
    )
    allow_remote: bool = Field(
        False, description="Allow rasters on the network; off by default, nothing is fetched."
    )

    def credits(self) -> tuple[DataSource, ...]:
        """Every source whose line must stand on what is made of the land, each line once.

        Sources of a gathered region come first, then lines that stand beside a single input.
        """
        named = [
            ("parcel", self.parcel.attribution),
            ("dem", self.dem.attribution),
            ("land_cover", self.land_cover.attribution if self.land_cover else ""),
            ("canopy", self.canopy.attribution if self.canopy else ""),
            *((name, one.attribution) for name, one in self.layers.files()),
        ]
        every = [*self.sources]
        every += [DataSource(layers=(n,), attribution=line) for n, line in named if line]
        return tuple({one.attribution: one for one in reversed(every)}.values())[::-1]

    folder: Path = Field(Path(), exclude=True, description="Folder that paths are relative to.")

    def __repr__(self) -> str:
        given = [name for name in type(self).model_fields if name in self.model_fields_set]
        return f"<Inputs of {self.parcel.file or 'a point'}: {', '.join(given)}>"

    __str__ = __repr__

    def rasters(self) -> dict[str, RasterInput]:
        """The rasters that are given, by their name; polygons of land cover count as one."""
        every = {"dem": self.dem, "land_cover": self.land_cover, "canopy": self.canopy}
        return {name: spec for name, spec in every.items() if spec is not None}
