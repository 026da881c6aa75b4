"""Which sign-up a returned file is about, how that is known, and what it would change."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import shapely

from siting.decisions.history import last_states, point_of, reported
from siting.decisions.model import DecisionsFile, Record
from siting.decisions.places import KnownPlace, apart_m
from siting.desk.back.records import decisions_about, early_words, given_files, put_up_on
from siting.desk.storage.blob import from_blob
from siting.desk.storage.store import Store
from siting.settings.inputs import SurveyInput
from siting.words.office.back import FAR, HOW, OLDER, record_words, state_words

# As runs refuse a record that lies farther from the land it names.
_FAR_M = 1000.0
_NEAR_M = 250.0


@dataclass(frozen=True)
class Land:
    """A sign-up as files are matched to it; `shape` in degrees, None where nothing is known."""

    uid: str
    parcel_id: str
    label: str
    shape: Any


def lands_of(rows: Iterable[Mapping[str, Any]]) -> list[Land]:
    """Every sign-up with its outline or its place."""
    return [
        Land(
            row["uid"],
            row["parcel_id"],
            row["label"],
            None if (blob := row["outline"] or row["geom"]) is None else from_blob(blob),
        )
        for row in rows
    ]


def match(
    name: str, places: Sequence[tuple[float, float]], lands: Sequence[Land]
) -> dict[str, str]:
    """The sign-up that a name and places (longitude, latitude; degrees) belong to.

    {"signup": uid or "", "how": in words, "doubt": what speaks against it}. A name that fits wins;
    without one, the only sign-up near the places.
    """
    named = [land for land in lands if name and name == land.parcel_id]
    named = named or [land for land in lands if name and name in (land.label, land.uid)]
    # Two with one label are told apart by where they are.
    if len(named) == 1:
        away_m = _away_m(named[0], places)
        doubt = FAR.format(km=f"{away_m / 1000:,.1f}") if away_m > _FAR_M else ""
        return {"signup": named[0].uid, "how": HOW["name"], "doubt": doubt}
    near = [land for land in named or lands if places and _away_m(land, places) <= _NEAR_M]
    if len(near) == 1:
        return {"signup": near[0].uid, "how": HOW["place"], "doubt": ""}
    return {"signup": "", "how": HOW["several" if near else "none"], "doubt": ""}


def _away_m(land: Land, places: Sequence[tuple[float, float]]) -> float:
    """How far the farthest of the places is from the land, metres; 0 where nothing is known."""
    if land.shape is None or not places:
        return 0.0 if not places else _FAR_M * 1000
    far = 0.0
    for lon, lat in places:
        way = shapely.shortest_line(land.shape, shapely.Point(lon, lat))
        lon_near, lat_near = shapely.get_coordinates(way)[0].tolist()
        far = max(far, apart_m(lon, lat, KnownPlace("", lon_near, lat_near, 0.0)))
    return far


# --- visits --------------------------------------------------------------------------------------


def visit_parts(
    files: Sequence[Mapping[str, Any]],
    lands: Sequence[Land],
    store: Store,
    asked: Mapping[str, str],
    survey: SurveyInput,
) -> list[dict[str, Any]]:
    """What a file of visits says, parcel by parcel, each with its sign-up and the differences.

    `asked` maps a parcel of the file to the sign-up that somebody chose for it.
    """
    parts = []
    for content in files:
        file = DecisionsFile.model_validate(content)
        places = [p for record in file.records if (p := point_of(record)) is not None]
        found = match(file.parcel, places, lands)
        chosen = asked.get(file.parcel, "")
        if chosen and chosen != found["signup"]:
            found = {"signup": chosen, "how": HOW["chosen"], "doubt": ""}
        changes = _changes(file, found["signup"], store, survey) if found["signup"] else {}
        records = changes.pop("records", [record_words(r, "") for r in file.records])
        parts.append({"parcel": file.parcel, **found, "records": records, **changes})
    return parts


def _changes(file: DecisionsFile, uid: str, store: Store, survey: SurveyInput) -> dict[str, Any]:
    """Each record as new or known, and the state of the camera before and after."""
    parcel_id, texts = str(store.signup(uid)["parcel_id"]), store.said(uid)
    known = decisions_about(parcel_id, texts)
    renamed = about(file, parcel_id)
    after = decisions_about(parcel_id, [*texts, ("~", renamed.model_dump_json())])
    old = {_said(record) for record in known.records}
    asked = {n: r for n, r in last_states(known.records).items() if r.state == "proposed"}
    records = [
        {
            **record_words(record, _apart(record, asked)),
            "is": "known" if _said(record) in old else "new",
        }
        for record in renamed.records
    ]
    before_words = state_words(*reported(known.records, parcel=parcel_id, known=known.known))
    after_words = state_words(*reported(after.records, parcel=parcel_id, known=after.known))
    # An export saved before the one that is here adds nothing: the newest of a device counts.
    counts = any(g.name == "~" for g in given_files([*texts, ("~", renamed.model_dump_json())]))
    return {
        "records": records,
        "before": before_words,
        "after": after_words,
        "caution": "" if counts else OLDER,
        # While the volunteer can still be asked, and not once it counts.
        "early": early_words(put_up_on(after), survey) if counts else "",
        "is_new": any(row["is"] == "new" for row in records) and counts,
    }


def _said(record: Record) -> str:
    """What a record says, whatever the parcel is called in its file."""
    return record.model_copy(update={"parcel": ""}).model_dump_json()


def _apart(record: Record, asked: Mapping[str, Record]) -> str:
    """How far a camera stands from the place that was asked for; "" where that is no question."""
    if record.state not in ("camera up", "moved") or record.lat is None or record.lon is None:
        return ""
    point = point_of(asked[record.location]) if record.location in asked else None
    if point is None and record.planned_lon is not None and record.planned_lat is not None:
        point = (record.planned_lon, record.planned_lat)
    if point is None:
        return ""
    away_m = apart_m(record.lon, record.lat, KnownPlace("", *point, 0.0))
    return f"{away_m:.0f}" if away_m > (record.radius_m or 0.0) else ""


def about(file: DecisionsFile, parcel_id: str) -> DecisionsFile:
    """The same file about a parcel of the office: records of other names would be passed over."""
    records = tuple(r.model_copy(update={"parcel": ""}) for r in file.records)
    return file.model_copy(update={"parcel": parcel_id, "records": records})
