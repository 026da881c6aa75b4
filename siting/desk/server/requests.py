"""What the page sends to the desk, read and checked before anything is done with it."""

from __future__ import annotations

import json
from collections.abc import Mapping
from typing import Any, Literal, Self, get_args

from pydantic import BaseModel, ConfigDict, Field, model_validator
from starlette.requests import Request

from siting.decisions.model import Reason
from siting.errors import SitingError

_MOST_BYTES = 50_000_000
MOST_JSON = 2_000_000


class _Placed(BaseModel):
    """`lon`, `lat` in degrees WGS 84, None where not known."""

    # Python reads NaN in JSON, which no browser writes; it must not reach the office file.
    model_config = ConfigDict(extra="forbid", strict=True, allow_inf_nan=False)

    lon: float | None = Field(None, ge=-180, le=180)
    lat: float | None = Field(None, ge=-90, le=90)

    @model_validator(mode="after")
    def _both(self) -> Self:
        if (self.lon is None) != (self.lat is None):
            raise ValueError("a place needs latitude and longitude")
        return self

    @property
    def place(self) -> tuple[float, float] | None:
        """(longitude, latitude), rounded once and kept so."""
        if self.lon is None or self.lat is None:
            return None
        return round(self.lon, 7), round(self.lat, 7)


class SignupIn(_Placed):
    """A sign-up as the page sends it; `priority` is without a unit, 1 is placed first."""

    label: str = Field(min_length=1, max_length=200)
    cell: str = Field("", max_length=100)
    priority: float | None = None
    contact_ref: str = Field("", max_length=200)


class SignupChange(_Placed):
    """What may be changed about a sign-up; `priority` is without a unit, 1 is placed first."""

    label: str | None = Field(None, min_length=1, max_length=200)
    cell: str | None = Field(None, max_length=100)
    priority: float | None = None
    contact_ref: str | None = Field(None, max_length=200)
    note: str | None = Field(None, max_length=2000)
    set_aside_why: str | None = Field(None, max_length=200)


class DecisionIn(BaseModel):
    """A decision on a spot."""

    model_config = ConfigDict(extra="forbid", strict=True)

    run: str = Field(pattern=r"^[0-9a-f]{16}$")
    # 0 for the place drawn at random, which has no rank.
    rank: int = Field(ge=0, le=200)
    kind: str = Field(pattern=r"^(accepted|swapped|refused|random)$")
    why: str = Field("", max_length=500)
    reason: Literal["", *get_args(Reason)] = ""  # type: ignore[valid-type]


async def _body(request: Request, most: int) -> bytes:
    """The body, refused while it comes in once it is too long."""
    # Counted as it comes: the length a request states may be wrong or missing.
    pieces, size = [], 0
    async for piece in request.stream():
        size += len(piece)
        if size > most:
            raise SitingError(
                "E-DESK-03",
                f"More than {most:,} bytes were sent.",
                rule=f"The desk takes {most:,} bytes at a time.",
                cure="Send a smaller file.",
            )
        pieces.append(piece)
    return b"".join(pieces)


async def json_of(request: Request) -> dict[str, Any]:
    """The object that a request sends as JSON; ValueError for anything else."""
    # A form of another page cannot send this type without asking first, and the desk says no.
    if request.headers.get("content-type", "").split(";")[0] != "application/json":
        raise ValueError("JSON is expected")
    try:
        content = json.loads(await _body(request, MOST_JSON))
    except RecursionError:
        raise ValueError("lists within lists, thousands deep") from None
    if not isinstance(content, dict):
        raise ValueError("an object is expected")
    return content


async def dropped_file(request: Request) -> tuple[str, bytes]:
    """Name and bytes of a dropped file; the name is only shown, never used as a path."""
    name = request.query_params.get("name", "file")[:200]
    return name, await _body(request, _MOST_BYTES)


def signup_of(row: Mapping[str, str]) -> SignupIn:
    """A row of a pasted table as a sign-up; ValueError says what is wrong with it.

    Decimal commas are read as points, and the usual other names of columns are understood.
    """

    def number(*names: str) -> float | None:
        text = next((row[name] for name in names if row.get(name)), "")
        return float(text.replace(",", ".")) if text else None

    text = {name: row.get(name, "") for name in ("label", "cell", "contact_ref")}
    text["label"] = text["label"] or row.get("name", "") or row.get("id", "")
    return SignupIn(
        **text,
        priority=number("priority"),
        lon=number("lon", "longitude"),
        lat=number("lat", "latitude"),
    )
