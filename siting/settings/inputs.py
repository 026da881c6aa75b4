"""The inputs file: what is particular to a piece of land."""

from __future__ import annotations

import datetime as dt
from pathlib import Path
from typing import Annotated, Any
from zoneinfo import ZoneInfo

from pydantic import BeforeValidator, Field, field_validator, model_validator

from siting.settings.given.layers import Layers
from siting.settings.given.rasters import CanopyInput, CoverInput, DemInput, RasterInput
from siting.settings.given.tables import Table, number


class ParcelInput(Table):
    """The piece of land: a file, or a point and a radius.

    `point` is (longitude, latitude) in degrees WGS 84, `radius_m` in metres; both or neither.
    """

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
            # TOML knows whole numbers and decimals apart, and strict tables would refuse [8, 50].
            value = tuple(number(v) if isinstance(v, int) else v for v in value)
        return value

    @model_validator(mode="after")
    def _one_way(self) -> ParcelInput:
        if bool(self.file) == (self.point is not None):
            raise ValueError("give either a file or a point with radius_m, not both")
        # No radius is guessed: 100 m and 10 km are both usual.
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


def _list_of_files(value: Any) -> Any:
    """One file or a list of them, as a tuple; nothing where the text is empty."""
    if isinstance(value, str):
        return (value,) if value else ()
    return tuple(value) if isinstance(value, list) else value


# Not names of a place: files of the machine, which differ from one to the next.
_ZONES_OF_THE_MACHINE = ("localtime", "posixrules", "Factory")


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
                # Looked up now, so that a wrong name is told with its key and not after an hour of
                # a batch.
                ZoneInfo(value)
                if value in _ZONES_OF_THE_MACHINE or value.startswith(("posix/", "right/")):
                    raise ValueError
            except (KeyError, ValueError, OSError):
                raise ValueError(
                    f"{value!r} is no IANA time zone name; write one such as 'Etc/GMT+5'"
                ) from None
        return value

    @field_validator("first_day", "last_day", mode="before")
    @classmethod
    def _day(cls, value: Any) -> Any:
        if not isinstance(value, str):
            return value
        try:
            return dt.date.fromisoformat(value.strip())
        except ValueError:
            raise ValueError(f"{value!r} is not a date; use {iso_form(value)}") from None

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


def iso_form(text: str) -> str:
    """The form wanted, with the day that was meant where its month is a word.

    Examples
    --------
    >>> iso_form("1 April 2027"), iso_form("Apr 1, 2027"), iso_form("1/4/2027")
    ('2027-04-01', '2027-04-01', 'YYYY-MM-DD')
    """
    plain = " ".join(text.replace(",", " ").split())
    for form in ("%d %B %Y", "%d %b %Y", "%B %d %Y", "%b %d %Y", "%Y/%m/%d"):
        try:
            return dt.datetime.strptime(plain, form).date().isoformat()
        except ValueError:
            continue
    return "YYYY-MM-DD"


class GridInput(Table):
    """The working grid, where the user wants another than the program would choose.

    `cell_size_m` is in metres; None leaves both to the program (`siting.read.working_grid`).
    """

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
        # Reversed twice: of equal lines the first stays, at its own place.
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
