"""Routes of the letter to an owner: made from the survey's templates, edited, copied, sent."""

from __future__ import annotations

import datetime as dt
import json
from email.message import EmailMessage
from typing import Any, Literal

from pydantic import BaseModel, ConfigDict, Field
from starlette.requests import Request
from starlette.responses import JSONResponse, Response
from starlette.routing import Route

from siting.desk.server import views
from siting.desk.server.archive import archive_of
from siting.desk.server.desk import Desk
from siting.desk.server.requests import json_of
from siting.desk.server.security import refused
from siting.desk.storage.store import Store
from siting.disk.files import safe_name
from siting.words.office.desk import FILL_IN, LETTER_KINDS, MAIL_SUBJECT, REFUSED

_MOST_LETTERS = 20_000


class _Letter(BaseModel):
    model_config = ConfigDict(extra="forbid", strict=True)

    text: str = Field(max_length=_MOST_LETTERS)


class _Sent(BaseModel):
    model_config = ConfigDict(extra="forbid", strict=True)

    is_sent: bool


def letter_routes(desk: Desk) -> list[Route]:
    """The routes of a sign-up's letter."""

    def letter(request: Request) -> Response:
        kind = request.query_params.get("kind", "")
        if kind and kind not in LETTER_KINDS:
            raise ValueError(f"there is no letter {kind[:40]!r}")
        return JSONResponse(letter_of(desk, request.path_params["uid"], kind))

    async def save(request: Request) -> Response:
        uid = request.path_params["uid"]
        asked = _Letter.model_validate(await json_of(request))
        await desk.saved(_save, desk.store, uid, asked.text)
        return JSONResponse({})

    async def sent(request: Request) -> Response:
        uid = request.path_params["uid"]
        asked = _Sent.model_validate(await json_of(request))
        day = dt.date.today().isoformat() if asked.is_sent else ""
        await desk.saved(_mark, desk, uid, day)
        desk.events.tell("signups", {})
        return JSONResponse({"sent_on": day})

    def mail(request: Request) -> Response:
        return _mail(desk, request.path_params["uid"])

    return [
        Route("/api/letter/{uid}", letter),
        Route("/api/letter/{uid}", save, methods=["PUT"]),
        Route("/api/letter/{uid}/sent", sent, methods=["POST"]),
        Route("/api/letter/{uid}/mail", mail),
    ]


def _save(store: Store, uid: str, text: str) -> None:
    store.signup(uid)
    decision = store.decision(uid)
    spot_id = decision["spot_id"] if decision else ""
    store.put_letter(uid, {"letter": text, "spot_id": spot_id})


def _mark(desk: Desk, uid: str, day: str) -> None:
    """Sent on this day, "" for not sent; the letter is kept as it went out."""
    desk.store.put_letter(uid, {"sent_on": day, "letter": letter_of(desk, uid)["text"]})


def letter_of(desk: Desk, uid: str, kind: Literal[""] | str = "") -> dict[str, Any]:
    """The letter of a sign-up: as it was edited, or made anew where a kind is asked for.

    Raises
    ------
    Missing
        Where there is no such sign-up.
    """
    signup, decision = desk.store.signup(uid), desk.store.decision(uid)
    kept = desk.store.letter(uid)
    wanted = kind or _fitting(desk, uid, is_chosen=decision is not None)
    made = _made(desk, signup, wanted)
    text = kept["letter"] if kept and kept["letter"] and not kind else made
    spot_id = decision["spot_id"] if decision else ""
    return {
        "text": text,
        "kind": wanted,
        "is_chosen": decision is not None or bool(desk.store.camera_state(uid)),
        "kinds": [list(pair) for pair in LETTER_KINDS.items()],
        "sent_on": kept["sent_on"] if kept else "",
        "is_edited": text != made,
        # Written for another place than the one that counts now.
        "is_old": bool(kept and kept["letter"] and kept["spot_id"] != spot_id and not kind),
    }


def _fitting(desk: Desk, uid: str, *, is_chosen: bool) -> str:
    """The kind of letter to begin with: a refusal only where there is no place to offer."""
    run = desk.store.last_run(uid)
    has_places = bool(run and run["row"] and json.loads(run["row"])["parcel"]["top"])
    offers = is_chosen or has_places or desk.store.camera_state(uid)
    return "camera" if offers else "not_this_season"


def _made(desk: Desk, signup: dict[str, Any], kind: str) -> str:
    """The survey's template, filled in; "" before the land was scored."""
    # Here: the first page must not wait for the libraries of a batch's tables.
    from siting.batch.output.letters import letter_parts, templates

    run = desk.store.last_run(signup["uid"])
    if run is None or not run["row"]:
        return ""
    content = json.loads(run["row"])
    asked, drawn = _asked(desk, signup["uid"], content["parcel"])
    folder = desk.folder / desk.survey.letters if desk.survey.letters else None
    parts = letter_parts(
        templates(folder)[kind],
        content["parcel"],
        because=asked,
        role="reserve",
        # Land that was scored all the same: only the coordinator knows what is wrong with it.
        problem=run["message"] or FILL_IN,
        sources=content["sources"],
        drawn=drawn,
    )
    return "\n\n".join(parts) + "\n"


def _asked(desk: Desk, uid: str, row: dict[str, Any]) -> tuple[str, bool]:
    """What is said of the place, and whether chance chose it; never why the office did."""
    from siting.batch.output.letters import asked_words
    from siting.report.files.random_places import drawn_as
    from siting.words.office.letters import asked_at_random, because_drawn, because_words

    settled, decision = row["decided"], desk.store.decision(uid)
    if settled is not None:
        return asked_words(settled["spot"], settled["state"], ""), False
    if decision is None:
        return "", False
    drawn = drawn_as(decision["spot_id"], parcel=row["parcel_id"])
    if drawn is not None:
        return asked_at_random(drawn[0], because_drawn()), True
    spots = {spot["place_id"]: spot for spot in row["top"]}
    spot = spots.get(decision["spot_id"], {})
    # A row that an earlier version kept does not say what draws animals.
    because = because_words(spot.get("draws", ""), spot.get("doubt", ""))
    return asked_words(spot.get("spot", decision["rank"]), "", because), False


def _mail(desk: Desk, uid: str) -> Response:
    """A mail file with the letter and the files for the volunteer; whom it is for is not in it."""
    folder = views.run_folder(desk.folder, desk.store, uid)
    if folder is None:
        return refused(REFUSED["unscored"], 404)
    if not views.files_name(desk.store, uid):
        return refused(REFUSED["being made"], 409)
    label = desk.store.signup(uid)["label"]
    name = safe_name(label)
    message = EmailMessage()
    # A line end in a name would begin a header of its own.
    message["Subject"] = MAIL_SUBJECT.format(land=" ".join(label.split()))
    message["X-Unsent"] = "1"
    message.set_content(letter_of(desk, uid)["text"])
    content = archive_of(folder, name, desk.store.decision(uid))
    message.add_attachment(content, maintype="application", subtype="zip", filename=f"{name}.zip")
    # A boundary drawn at random would make other bytes each time.
    message.set_boundary("siting-letter-and-files")
    headers = {"Content-Disposition": f'attachment; filename="{name}.eml"'}
    return Response(message.as_bytes(), media_type="message/rfc822", headers=headers)
