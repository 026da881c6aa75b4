"""What was decided and done on a sign-up's land, by the same code that score and batch use."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping, Sequence
from typing import Any

from siting.decisions.history import in_order, reported
from siting.decisions.model import FORMAT, DecisionsFile, Record
from siting.desk.storage.store import Store
from siting.disk.files import text_hash
from siting.read.vector.decision_files import Decisions, Given, decisions_of, newest_of
from siting.settings.inputs import SurveyInput
from siting.settings.protocol import Protocol
from siting.types import Parcel
from siting.words.office.back import EARLY

STANDS = ("camera up", "checked", "moved")
"""What is reported of a camera that is in the field."""


def given_files(texts: Sequence[tuple[str, str]]) -> tuple[Given, ...]:
    """(name, text) of files of decisions as the runs read them: of one device the newest export."""
    return newest_of(
        [
            Given(name, text_hash(text), False, DecisionsFile.model_validate_json(text))
            for name, text in texts
        ]
    )


def decisions_about(parcel_id: str, texts: Sequence[tuple[str, str]]) -> Decisions:
    """All that the files say of one parcel."""
    # Without an outline: each file was looked at beside the land before it was taken in.
    nowhere = Parcel(parcel_id, "", None, "")  # type: ignore[arg-type]
    return decisions_of(given_files(texts), nowhere)


def all_decisions(store: Store) -> dict[str, Decisions]:
    """What was said of every sign-up, by the name that files call its land by."""
    found = {}
    for uid in store.signups_with_words():
        parcel_id = str(store.signup(uid)["parcel_id"])
        found[parcel_id] = decisions_about(parcel_id, store.said(uid))
    return found


def remember_camera(store: Store, uid: str) -> None:
    """Work out anew what was last reported of a sign-up's camera, for the list."""
    parcel_id = str(store.signup(uid)["parcel_id"])
    found = decisions_about(parcel_id, store.said(uid))
    state, day = reported(found.records, parcel=parcel_id, known=found.known)
    since = put_up_on(found)
    # The survey's own wish is no report: what the office decided stands in its own table.
    state = "" if state == "proposed" else state
    store.put_camera(uid, state=state, since=since, last_on=day if state else "")


def put_up_on(found: Decisions) -> str:
    """The day on which the camera was last put up or moved; "" where none was."""
    started = [r for r in in_order(found.records) if r.state in ("camera up", "moved")]
    return started[-1].at.isoformat()[:10] if started else ""


def camera_place(store: Store, uid: str) -> dict[str, Any] | None:
    """Where the camera of a sign-up stands, {"lon", "lat", "since"}; None where none stands or its
    position was not reported.
    """
    parcel_id = str(store.signup(uid)["parcel_id"])
    if store.camera_state(uid) not in STANDS:
        return None
    records = in_order(decisions_about(parcel_id, store.said(uid)).records)
    put_up = [r for r in records if r.state in ("camera up", "moved") and r.lat is not None]
    if not put_up:
        return None
    last = put_up[-1]
    return {"lon": last.lon, "lat": last.lat, "since": last.at.isoformat()[:10]}


def before_season(store: Store, uid: str, survey: SurveyInput) -> str:
    """What to ask of a camera that was put up before the season begins; "" for any other."""
    return early_words(store.camera_since(uid), survey)


def early_words(since: str, survey: SurveyInput) -> str:
    """The same of a camera that was put up on the day `since`, "" for none."""
    first = survey.first_day
    if not since or first is None or since >= first.isoformat():
        return ""
    return EARLY.format(since=since, first=first.isoformat())


def due_visits(store: Store, survey: SurveyInput, protocol: Protocol) -> list[dict[str, Any]]:
    """Cameras that stand, by the day of their next visit, with the sign-up of each."""
    # Here: the first page must not wait for the libraries that write tables.
    from siting.batch.output.office import due_list

    signups = store.parcel_ids()
    rows = due_list(all_decisions(store), survey=survey, protocol=protocol)
    found = []
    for row in rows:
        uid = signups.get(row["parcel_id"], "")
        early = before_season(store, uid, survey) if uid else ""
        found.append({**row, "signup": uid, "early": early})
    return found


def proposal_text(
    parcel_id: str, spot: Mapping[str, Any], *, at: dt.datetime, reason: str = ""
) -> str:
    """A decision of the desk as a file of decisions: the place is asked for, or ruled out.

    Why the office chose it stays in the office: the volunteer's page shows notes of a decision.
    """
    record = Record(
        state="ruled out" if reason else "proposed",
        at=at,
        location=spot["spot_id"],
        spot=spot["rank"] or None,
        planned_lat=spot["lat"],
        planned_lon=spot["lon"],
        radius_m=spot["search_radius_m"] or None,
        reason=reason or None,
    )
    file = DecisionsFile(format=FORMAT, parcel=parcel_id, saved=at, records=(record,))
    return file.model_dump_json(exclude_defaults=True, indent=1) + "\n"
