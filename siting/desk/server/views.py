"""What the page gets to see: sign-ups with their status, land, places of a run."""

from __future__ import annotations

import json
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import shapely

from siting.desk.jobs import RUNS
from siting.desk.storage.blob import from_blob
from siting.desk.storage.office import parcel_folder
from siting.desk.storage.store import Store

_M_PER_DEGREE = 111_195.0
STATUSES = (
    "Set aside",
    "No outline yet",
    "Ready to score",
    "Could not be scored",
    "Changed since scored",
    "Scored",
    "Place chosen",
)


def status_of(row: Mapping[str, Any]) -> str:
    """The status of a sign-up, worked out from what there is; one of `STATUSES`."""
    # This alone is set by hand; the others follow from what there is and cannot contradict it.
    if row["set_aside_why"]:
        return "Set aside"
    if row["outline"] is None:
        return "No outline yet"
    if row["run_state"] is None:
        return "Ready to score"
    # Before "failed": land that was changed since may well be scored now.
    if row["run_land_rev"] != row["land_rev"]:
        return "Changed since scored"
    if row["run_state"] == "failed":
        return "Could not be scored"
    return "Place chosen" if row["decided"] in ("accepted", "swapped") else "Scored"


def signup_rows(store: Store) -> list[dict[str, Any]]:
    """Every sign-up as a row of the list, with a place for the map where one is known."""
    return [_row(row) for row in store.signups()]


def _row(row: Mapping[str, Any]) -> dict[str, Any]:
    blob = row["outline"] or row["geom"]
    shape = None if blob is None else from_blob(blob)
    place = None if shape is None else shapely.centroid(shape)
    return {
        "uid": row["uid"],
        "label": row["label"],
        "cell": row["cell"],
        "priority": row["priority"],
        "contact_ref": row["contact_ref"],
        "note": row["note"],
        "set_aside_why": row["set_aside_why"],
        "status": status_of(row),
        "lon": None if place is None else round(float(place.x), 6),
        "lat": None if place is None else round(float(place.y), 6),
        "summary": (row["run_summary"] or "").split("\n", 1)[0],
        "problem": row["run_message"] or "",
    }


def land_data(store: Store, uid: str) -> dict[str, Any]:
    """A sign-up's land as the page draws it."""
    land = store.land(uid)
    return {
        "rev": land.rev,
        "shapes": [shape.as_data() for shape in land.shapes],
        "answers": dict(land.answers),
    }


def run_folder(office: Path, store: Store, uid: str) -> Path | None:
    """The folder with the files of the last good run; None where there is none."""
    run = store.last_run(uid)
    if run is None or run["state"] != "done":
        return None
    folder = parcel_folder(office, uid) / RUNS / str(run["uid"])
    return folder if folder.is_dir() else None


def places_data(office: Path, store: Store, uid: str) -> dict[str, Any]:
    """The spots of the last good run with the decision on them.

    Of the features only the points are spots; the outlines of their stretches and areas follow.
    """
    run, land = store.last_run(uid), store.land(uid)
    folder = run_folder(office, store, uid)
    if run is None or folder is None:
        return {"run": "", "spots": [], "decision": None, "is_old": False, "files": []}
    features = json.loads((folder / "spots.geojson").read_text(encoding="utf-8"))["features"]
    return {
        "run": run["uid"],
        "summary": run["summary"],
        "spots": [_spot(found) for found in features if found["geometry"]["type"] == "Point"],
        "decision": store.decision(uid),
        "is_old": run["land_rev"] != land.rev,
        "files": sorted(path.name for path in folder.iterdir() if not path.name.startswith(".")),
    }


def _spot(feature: Mapping[str, Any]) -> dict[str, Any]:
    lon, lat = feature["geometry"]["coordinates"][:2]
    return {**feature["properties"], "lon": lon, "lat": lat}
