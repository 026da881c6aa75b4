"""What the page gets to see: sign-ups with their status, land, places of a run."""

from __future__ import annotations

import datetime as dt
import json
from collections.abc import Mapping
from math import isnan
from pathlib import Path
from typing import Any

import shapely

from siting.desk.back.records import STANDS, camera_place
from siting.desk.jobs import RUNS, Listed
from siting.desk.storage.blob import from_blobs
from siting.desk.storage.office import parcel_folder
from siting.desk.storage.store import Store
from siting.settings.protocol import Protocol
from siting.words.office.service_interval import visit_plan

_M_PER_DEGREE = 111_195.0
STATUSES = (
    "Set aside",
    "No outline yet",
    "Ready to score",
    "Could not be scored",
    "Changed since scored",
    "Scored",
    "Place chosen",
    "Letter sent",
    "Camera up",
    "Check due",
    "Camera down",
)


def status_of(row: Mapping[str, Any], *, overdue_before: dt.date) -> str:
    """The status of a sign-up, worked out from what there is; one of `STATUSES`.

    A camera that was last visited before `overdue_before` is due for a check.
    """
    # This alone is set by hand; the others follow from what there is and cannot contradict it.
    if row["set_aside_why"]:
        return "Set aside"
    # A camera that stands outranks all that was drawn or scored: it has to be looked after.
    if row["camera"] in STANDS:
        late = row["camera_last_on"] < overdue_before.isoformat()
        return "Check due" if late else "Camera up"
    if row["camera"] == "taken down":
        return "Camera down"
    if row["outline"] is None:
        return "No outline yet"
    if row["run_state"] is None:
        return "Ready to score"
    # Before "failed": land that was changed since may well be scored now.
    if (row["run_land_rev"], row["run_said_rev"]) != (row["land_rev"], row["said_rev"]):
        return "Changed since scored"
    if row["run_state"] == "failed":
        return "Could not be scored"
    return _decided(row)


def _decided(row: Mapping[str, Any]) -> str:
    """Of a sign-up whose list is up to date: whether a place was chosen, and the letter sent."""
    # The place that was taken was ruled out on the spot: another one is to be chosen.
    if row["camera"] == "ruled out" and not row["run_named"]:
        return "Scored"
    if row["camera"] != "chosen" and row["decided"] not in ("accepted", "swapped"):
        return "Scored"
    return "Letter sent" if row["sent_on"] else "Place chosen"


def signup_rows(store: Store, protocol: Protocol, *, only: str = "") -> list[dict[str, Any]]:
    """Every sign-up, or only one, as a row of the list, with a place for the map where known."""
    days = visit_plan(protocol.visits).check_after_days
    overdue_before = dt.date.today() - dt.timedelta(days=days)
    rows = store.signups(only)
    # All at once: of thousands each shape by itself takes some times as long.
    places = shapely.centroid(from_blobs([row["outline"] or row["geom"] for row in rows]))
    lon, lat = shapely.get_x(places).round(6), shapely.get_y(places).round(6)
    return [_row(*each, overdue_before) for each in zip(rows, lon, lat, strict=True)]


def _row(row: Mapping[str, Any], lon: float, lat: float, overdue_before: dt.date) -> dict[str, Any]:
    return {
        "uid": row["uid"],
        "label": row["label"],
        "cell": row["cell"],
        "priority": row["priority"],
        "contact_ref": row["contact_ref"],
        "note": row["note"],
        "set_aside_why": row["set_aside_why"],
        "status": status_of(row, overdue_before=overdue_before),
        "parcel_id": row["parcel_id"],
        "lon": None if isnan(lon) else float(lon),
        "lat": None if isnan(lat) else float(lat),
        "has_places": row["run_state"] == "done",
        "problem": row["run_message"] or "",
    }


def land_data(store: Store, uid: str) -> dict[str, Any]:
    """A sign-up's land as the page draws it."""
    land = store.land(uid)
    return {
        "rev": land.rev,
        "shapes": [shape.as_data() for shape in land.shapes],
        "answers": dict(land.answers),
        "camera": camera_place(store, uid),
    }


def run_folder(office: Path, store: Store, uid: str) -> Path | None:
    """The folder with the files of the last good run; None where there is none."""
    run = store.last_run(uid)
    if run is None or run["state"] != "done":
        return None
    folder = parcel_folder(office, uid) / RUNS / str(run["uid"])
    return folder if folder.is_dir() else None


def places_data(
    office: Path, store: Store, uid: str, listed: Listed | None = None
) -> dict[str, Any]:
    """The spots of the last good run with the decision on them.

    Those of `listed`, where there is a run that has its places and is still writing: it has no
    files yet. Of the features only the points are spots; the outlines of their stretches and areas
    follow.
    """
    if listed is not None:
        return _places(store, uid, listed.row, listed.features, is_writing=True)
    run, folder = store.last_run(uid), run_folder(office, store, uid)
    if run is None or folder is None:
        return {"run": "", "spots": [], "decision": None, "camera": None, "is_old": False,
                "files": [], "named": "", "lot": None, "is_writing": False}  # fmt: skip
    features = json.loads((folder / "spots.geojson").read_text(encoding="utf-8"))["features"]
    return {
        **_places(store, uid, run, features, is_writing=False),
        "files_ready": files_name(store, uid),
        "files": sorted(path.name for path in folder.iterdir() if not path.name.startswith(".")),
    }


def _places(
    store: Store,
    uid: str,
    run: Mapping[str, Any],
    features: list[dict[str, Any]],
    *,
    is_writing: bool,
) -> dict[str, Any]:
    of_land = (store.land(uid).rev, store.signup(uid)["said_rev"])
    return {
        "run": run["uid"],
        "summary": run["summary"],
        "spots": [_spot(found) for found in features if found["geometry"]["type"] == "Point"],
        "lot": lot_of(run),
        "decision": store.decision(uid),
        "camera": camera_place(store, uid),
        "named": run["named"],
        "is_old": (run["land_rev"], run["said_rev"]) != of_land,
        "is_writing": is_writing,
        "files_ready": False,
        "files": [],
    }


def files_name(store: Store, uid: str) -> bool:
    """Whether the files of the last run name the place that was taken, where one was."""
    run, decision = store.last_run(uid), store.decision(uid)
    if decision is None or decision["kind"] == "refused" or not decision["spot_id"]:
        return True
    # A camera or the volunteer's own choice outranks the office's wish, and the files name it.
    camera = store.camera_state(uid)
    return run is not None and (run["named"] == decision["spot_id"] or bool(camera))


def lot_of(run: Mapping[str, Any]) -> dict[str, Any] | None:
    """The place that a camera at random would take, as a spot without a rank."""
    lot = json.loads(run["row"])["parcel"].get("lot") if run["row"] else None
    if lot is None:
        return None
    names = {"spot_id": lot["place_id"], "rank": 0, "stratum": lot["stratum"]}
    return {**names, "lon": lot["lon_deg"], "lat": lot["lat_deg"], "search_radius_m": None}


def _spot(feature: Mapping[str, Any]) -> dict[str, Any]:
    lon, lat = feature["geometry"]["coordinates"][:2]
    return {**feature["properties"], "lon": lon, "lat": lat}
