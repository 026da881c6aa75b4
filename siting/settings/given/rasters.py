"""The rasters of the inputs file: elevations, land cover, vegetation."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Any, Literal

from pydantic import BeforeValidator, Field, field_validator, model_validator

from siting.disk.paths import VECTOR_SUFFIXES, file_and_layer
from siting.settings.given.tables import Table, number


def _file_or_files(value: Any) -> Any:
    return tuple(value) if isinstance(value, list) else value


class RasterInput(Table):
    """A raster and what may be asserted about it.

    `nodata` is a value in the unit of the file's cells, "none" where every value is real, "" where
    the file says it itself.
    """

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
    def every_file(self) -> tuple[str, ...]:
        """Every file or folder that is read for this raster, also what only belongs to it."""
        return self.files

    @property
    def label(self) -> str:
        """Name to show: that of the file, or of the first of several."""
        # The name alone: where on a machine a file lies is nobody's business but the user's.
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
    far: str = Field(
        "",
        description="A raster of coarser elevations that reaches further, for the skyline only; "
        "unit and position are stated as for `file`.",
    )

    @property
    def every_file(self) -> tuple[str, ...]:
        """Every file or folder that is read for the elevations, those far off among them."""
        return (*self.files, self.far) if self.far else self.files

    @property
    def further(self) -> DemInput:
        """The elevations far off as a raster of their own; what is asserted holds for both."""
        return self.model_copy(update={"file": self.far, "far": ""})


class CoverInput(RasterInput):
    """Land cover: a raster of classes with its legend, or polygons with a column of classes.

    `error_m` is in metres, for the edges of polygons; a raster's error goes with its cells.
    """

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
        # By the name, for at this point no file is opened.
        parts = [file_and_layer(one) for one in self.files]
        vector = any(file.lower().endswith(VECTOR_SUFFIXES) or layer for file, layer in parts)
        return bool(self.column or self.layer) or vector

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
