"""places.csv: every place of a parcel that has a name, for the next run and the next season."""

from __future__ import annotations

from collections.abc import Iterable

from siting.decisions.places import KnownPlace, remembered
from siting.report.files.tables import table
from siting.report.shared.text import clean
from siting.types import Result

NAME = "places.csv"
COLUMNS = ("parcel_id", "spot_id", "lon_deg", "lat_deg", "search_radius_m")


def places_now(result: Result) -> tuple[KnownPlace, ...]:
    """All places of the parcel that have a name, those of this run included."""
    now = (
        # Rounded as in the file, so that a place that is read back is the one that was written.
        KnownPlace(spot.place_id, round(spot.lon, 7), round(spot.lat, 7), spot.search_radius_m)
        for spot in result.spots
        if spot.place_id
    )
    return remembered(result.land.known_places, now)


def places_csv(places: Iterable[tuple[str, KnownPlace]]) -> str:
    """The table of (parcel, place) pairs."""
    rows = [
        {
            "parcel_id": clean(parcel),
            "spot_id": clean(place.id),
            "lon_deg": place.lon,
            "lat_deg": place.lat,
            "search_radius_m": round(place.radius_m, 1),
        }
        for parcel, place in places
    ]
    return table(COLUMNS, rows)


def parcel_places_csv(result: Result) -> str:
    """The places of one parcel."""
    return places_csv((result.land.parcel.id, place) for place in places_now(result))
