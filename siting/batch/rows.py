"""The rows of a batch: what a worker sends back, the journal keeps and the tables show.

They are plain JSON values, checked as typed mappings and nothing more: a row read back from the
journal after a crash must equal the row that was made, or a resumed batch would differ.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, NamedTuple, TypedDict

from siting.scoring.common_maps import fair_share, not_common


class ScoredSpot(TypedDict):
    """One ranked spot of a parcel, for the proposal and the tables.

    `lon_deg`, `lat_deg` are degrees WGS 84; `score` is the index, 1 = plain ground;
    `heading_true_deg` (degrees clockwise from true north) and `walk_there_min` (minutes) are None
    where they are not known. `plain` is True for an area to which nothing mapped draws animals.
    `doubt` is that of a `Spot`, and `asked_score` the index by which it may be asked for.
    """

    spot: int
    place_id: str
    lon_deg: float
    lat_deg: float
    score: float
    kind: str
    where: str
    heading_true_deg: int | None
    walk_there_min: float | None
    stability: str
    plain: bool
    draws: str
    doubt: str
    asked_score: float


class SettledPlace(TypedDict):
    """Where a camera stands ("camera up") or is to go ("chosen"), degrees WGS 84.

    `spot` is None where the place is on no list.
    """

    state: str
    spot: int | None
    place_id: str
    lon_deg: float
    lat_deg: float


class PlaceByLot(TypedDict):
    """Where a camera at random would stand on a parcel, degrees WGS 84."""

    place_id: str
    stratum: str
    lon_deg: float
    lat_deg: float


class ScoredParcel(TypedDict):
    """One scored parcel; None is "not known" or, for `best_score`, "no spot".

    `lon_deg`, `lat_deg` is a point inside it (WGS 84), `usable_share` and `limit_share` are 0..1.
    `judged_by` and `best_without` are those of `siting.scoring.common_maps`.
    `drawn` has the rows of `report.files.random_places.place_rows`, [] where none were drawn.
    `begin` is the rank of the spot that page and letter begin with, the best one of the tables.
    `caution_spots` stands beside `cautions`: ranks of the spots each is about, [] for all.
    """

    parcel_id: str
    parcel_label: str
    survey_cell: str
    priority: float | None
    lon_deg: float
    lat_deg: float
    area_ha: float
    best_score: float | None
    judged_by: list[str]
    best_without: dict[str, float]
    spots: int
    firm_spots: int | None
    usable_share: float
    limit: str
    limit_share: float | None
    problem: str
    sentence: str
    cautions: list[str]
    caution_spots: list[list[int]]
    warnings: list[str]
    decided: SettledPlace | None
    lot: PlaceByLot | None
    drawn: list[dict[str, Any]]
    top: list[ScoredSpot]
    begin: int | None


class FailedParcel(TypedDict):
    """One parcel that could not be scored, with the code of the error."""

    parcel_id: str
    parcel_label: str
    survey_cell: str
    code: str
    message: str


class Failure(TypedDict):
    """What a job says that failed."""

    code: str
    message: str


class Done(TypedDict):
    """What a job says that succeeded.

    `record` is the SHA-256 of the run.json it wrote, "" for none; `offered` the place it was asked
    to name first, and why; `places` (id, longitude and latitude in degrees, radius in metres) of
    each named place.
    """

    row: ScoredParcel
    record: str
    offered: list[str] | None
    places: list[tuple[str, float, float, float]]


def best_spot(row: ScoredParcel) -> ScoredSpot | None:
    """The spot that page and letter begin with; None where the parcel has no spot."""
    # A journal of an older program does not know it.
    begin = row.get("begin", 1)
    return next((spot for spot in row["top"] if spot["spot"] == begin), None)


class Offer(NamedTuple):
    """The place that the assignment proposes on a parcel, and why, as a clause."""

    place_id: str
    because: str


def comparable_scores(rows: Sequence[ScoredParcel]) -> list[float | None]:
    """The best index of each parcel by the maps that all of them have, None where it has no spot.

    One per row, without a unit, 1 = plain ground.

    A parcel without a mapped trail may have trails: it must not lose to one for its map.
    """
    left_out = not_common([row["judged_by"] for row in rows])
    return [
        None
        if row["best_score"] is None
        else round(row["best_score"] * fair_share(row["best_without"], left_out), 4)
        for row in rows
    ]
