"""The office's table of the places drawn at random on all parcels, with what became of each.

An estimate needs every place of the draw: those a camera stood at, those refused and why, and those
nobody has been to.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from siting.batch.rows import ScoredParcel
from siting.decisions.history import in_order, last_states, place_key
from siting.decisions.model import Record
from siting.decisions.places import KnownPlace, apart_m
from siting.read.vector.decision_files import Decisions
from siting.report.files.random_places import COLUMNS
from siting.report.files.tables import table
from siting.report.shared.text import clean

NAME = "random_places.csv"
_FIRST, _LAST = ("parcel_id", "survey_cell"), ("state", "state_since")


def random_places_csv(rows: Sequence[ScoredParcel], decided: Mapping[str, Decisions]) -> str:
    """One row per place of the draws of all parcels; "" where nothing was drawn."""
    found = [
        {
            "parcel_id": clean(row["parcel_id"]),
            "survey_cell": clean(row["survey_cell"]),
            **place,
            **_reported(place, records),
        }
        for row in rows
        for records in [_records(decided, row["parcel_id"])]
        for place in row["drawn"]
    ]
    return table((*_FIRST, *COLUMNS, *_LAST), found) if found else ""


def _records(decided: Mapping[str, Decisions], parcel: str) -> tuple[Record, ...]:
    return decided[parcel].records if parcel in decided else ()


def _reported(place: Mapping[str, Any], records: Sequence[Record]) -> dict[str, Any]:
    """What was reported of a place by its name: where the camera stood first, or why none did."""
    last = last_states(records).get(place["place"])
    if last is None:
        return {}
    ups = [
        r for r in in_order(records) if place_key(r) == place["place"] and r.state == "camera up"
    ]
    found: dict[str, Any] = {"state": last.state, "state_since": last.at.isoformat()[:10]}
    if last.state == "ruled out":
        found["refused_because"] = ": ".join(filter(None, (last.reason, clean(last.note))))
    if ups and ups[0].lon is not None and ups[0].lat is not None:
        drawn = KnownPlace("", place["lon_deg"], place["lat_deg"], place["reach_m"])
        found["used_lon_deg"], found["used_lat_deg"] = ups[0].lon, ups[0].lat
        found["offset_m"] = round(apart_m(ups[0].lon, ups[0].lat, drawn), 1)
    return found
