"""The decisions file: what was proposed, chosen, ruled out, put up, checked, moved, taken down.

docs/decisions.md explains it to people; `siting/data/decisions.schema.json` is made from these
classes by `python docs/make_pages.py`.
"""

from __future__ import annotations

import datetime as dt
from typing import Annotated, Any, Literal

import shapely
import shapely.geometry
from pydantic import BaseModel, ConfigDict, Field, PlainSerializer, field_validator, model_validator

FORMAT = "siting decisions 1"

State = Literal[
    "proposed", "visited", "chosen", "ruled out", "camera up", "checked", "moved", "taken down"
]
Reason = Literal["people", "no tree", "view blocked", "wet", "unsafe", "owner", "other"]
Cleared = Literal["grass", "branches", "other"]
Done = Literal[
    "batteries changed",
    "card changed",
    "clock set",
    "regrowth cut",
    "snow cleared",
    "lens wiped",
    "camera turned",
    "walk test",
]
PositionFrom = Literal["planned", "phone", "map", "typed"]

# States that say where the camera stands from then on.
_STANDS = ("camera up", "moved")
_LONGEST_TEXT = 500
_LONGEST_ID = 200
_FIRST_YEAR, _LAST_YEAR = 1900, 2250


def _when(value: Any) -> Any:
    """A day stays a day: without a time of day nobody knows whether it was noon."""
    if not isinstance(value, str):
        return value
    try:
        # A day first: as a moment "2027-04-03" would become midnight, which nobody said.
        when: dt.date = dt.date.fromisoformat(value)
    except ValueError:
        when = _moment(value)
    if not _FIRST_YEAR <= when.year <= _LAST_YEAR:
        raise ValueError(f"{value!r} is outside the years {_FIRST_YEAR} to {_LAST_YEAR}")
    return when


def _moment(text: str) -> dt.datetime:
    try:
        moment = dt.datetime.fromisoformat(text)
    except ValueError:
        raise ValueError(
            f"{text!r} is not a date; use 2027-04-03 or 2027-04-03T10:20:00-05:00"
        ) from None
    if moment.tzinfo is None:
        raise ValueError(f"{text!r} does not say its offset from UTC, such as -05:00 at its end")
    return moment


def _encloses(area: dict[str, Any]) -> bool:
    """Whether a GeoJSON geometry is areas in degrees that hold some ground."""
    if area.get("type") not in ("Polygon", "MultiPolygon"):
        return False
    try:
        outline = shapely.make_valid(shapely.geometry.shape(area))
    except (TypeError, ValueError, KeyError, IndexError, AttributeError, shapely.GEOSException):
        return False
    west, south, east, north = outline.bounds if not outline.is_empty else (200.0,) * 4
    return bool(outline.area > 0 and -180 <= west <= east <= 180 and -90 <= south <= north <= 90)


Moment = Annotated[dt.date | dt.datetime, PlainSerializer(lambda when: when.isoformat())]


class Record(BaseModel):
    """One thing that was decided or done at one place.

    Positions are degrees WGS 84, lengths metres, directions degrees clockwise.
    """

    model_config = ConfigDict(extra="forbid", frozen=True, allow_inf_nan=False)

    state: State = Field(description="What was decided or done.")
    at: Moment = Field(
        description="When: a day (2027-04-03), or a moment with its offset from UTC "
        "(2027-04-03T10:20:00-05:00).",
        json_schema_extra={"type": "string"},
    )
    parcel: str = Field("", max_length=_LONGEST_ID, description="Parcel, where records of several "
                        "parcels share a file; else the file's own.")  # fmt: skip
    location: str = Field(
        "", max_length=_LONGEST_ID,
        description="The place, by its spot_id. Empty for a place that no list holds.",
    )  # fmt: skip
    spot: int | None = Field(None, ge=1, description="Its rank on the page used; for people only.")
    lat: float | None = Field(
        None, ge=-90, le=90,
        description="Latitude: where the camera stands or the person stood; the planned point "
        "where nobody measured.",
    )  # fmt: skip
    lon: float | None = Field(None, ge=-180, le=180, description="Longitude of the same point.")
    position_from: PositionFrom = Field("planned", description="How the position is known.")
    accuracy_m: float | None = Field(
        None, gt=0, le=10_000, description="Accuracy the phone gave, metres."
    )
    planned_lat: float | None = Field(
        None, ge=-90, le=90, description="Latitude of the place as the page showed it."
    )
    planned_lon: float | None = Field(
        None, ge=-180, le=180, description="Longitude of the place as the page showed it."
    )
    radius_m: float | None = Field(
        None, gt=0, le=500, description="Search radius that the page showed; for a place ruled "
        "out, how far around it counts. Metres.",
    )  # fmt: skip
    reason: Reason | None = Field(None, description="Why it was ruled out.")
    area: dict[str, Any] | None = Field(
        None, description="Ground the owner keeps to themselves: a GeoJSON Polygon, degrees. "
        "JSON only.",
    )  # fmt: skip
    height_m: float | None = Field(
        None, ge=0, le=20, description="Height of the lens above ground, metres."
    )
    heading_magnetic_deg: float | None = Field(
        None, ge=0, le=360, description="Where the camera looks, read off a compass."
    )
    heading_true_deg: float | None = Field(
        None, ge=0, le=360, description="The same from true north, where that is what is known."
    )
    camera: str = Field("", max_length=_LONGEST_ID, description="Number or name of the camera.")
    card: str = Field(
        "", max_length=_LONGEST_ID, description="Number of the memory card that is in it now."
    )
    card_out: str = Field("", max_length=_LONGEST_ID, description="Number of the card taken out.")
    cleared: tuple[Cleared, ...] = Field((), description="What was cleared before the lens.")
    battery_percent: int | None = Field(
        None, ge=0, le=100, description="Battery on arrival, percent."
    )
    pictures: int | None = Field(
        None, ge=0, le=10_000_000, description="Pictures on the card on arrival."
    )
    clock_off_min: float | None = Field(
        None, ge=-5_256_000, le=5_256_000,
        description="Minutes by which the camera's clock was fast on arrival; 0 was right.",
    )  # fmt: skip
    done: tuple[Done, ...] = Field((), description="What was done on a check visit.")
    note: str = Field("", max_length=_LONGEST_TEXT, description="Anything else, in words.")

    _read_at = field_validator("at", mode="before")(_when)

    @field_validator("area")
    @classmethod
    def _an_outline(cls, value: dict[str, Any] | None) -> dict[str, Any] | None:
        """What the owner keeps back must not be lost because it cannot be drawn."""
        if value is not None and not _encloses(value):
            raise ValueError("must be a GeoJSON Polygon with corners [longitude, latitude]")
        return value

    @model_validator(mode="after")
    def _fits_its_state(self) -> Record:
        if (self.lat is None) != (self.lon is None):
            raise ValueError("lat and lon belong together")
        if self.lat is None and not self.location:
            raise ValueError("give location, or lat and lon: else nobody knows which place it is")
        if self.state in _STANDS and self.lat is None:
            raise ValueError(f"a camera that is {self.state!r} needs lat and lon: where it stands")
        if (self.state == "ruled out") != (self.reason is not None):
            raise ValueError("a place ruled out needs a reason, and nothing else has one")
        return self


class DecisionsFile(BaseModel):
    """One file of decisions, as a page, the survey office or a program writes it."""

    model_config = ConfigDict(extra="forbid", frozen=True, allow_inf_nan=False)

    format: Literal["siting decisions 1"] = Field(description="Name and version of this format.")
    parcel: str = Field(
        "", max_length=_LONGEST_ID, description="Parcel of every record that names none."
    )
    device: str = Field(
        "", max_length=_LONGEST_ID,
        description="A random name that a device keeps for itself. Of several files of one parcel "
        "and device only the one saved last counts.",
    )  # fmt: skip
    saved: Moment | None = Field(
        None, description="When the file was saved, with offset from UTC.",
        json_schema_extra={"type": "string"},
    )  # fmt: skip
    records: tuple[Record, ...] = Field(max_length=10_000, description="In any order.")

    _read_saved = field_validator("saved", mode="before")(_when)
