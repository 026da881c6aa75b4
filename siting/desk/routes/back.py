"""Routes of what comes back: dropped files matched, looked at, taken in or left; what is due."""

from __future__ import annotations

import asyncio
import hashlib
import json
import tempfile
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from pydantic import BaseModel, ConfigDict, Field
from starlette.requests import Request
from starlette.responses import JSONResponse, Response
from starlette.routing import Route

from siting.desk.back import taking
from siting.desk.back.matching import lands_of, match, visit_parts
from siting.desk.back.package import office_archive
from siting.desk.back.records import due_visits, remember_camera
from siting.desk.server.desk import Desk
from siting.desk.server.requests import dropped_file, json_of
from siting.desk.storage.store import Missing, Store
from siting.desk.worker import ReadReturned
from siting.disk.files import write_atomic
from siting.words.office.back import AGAIN

RECEIVED = "received"
_PACKAGE = "deployments.zip"
_MOST_PARTS = 10_000


class _Asked(BaseModel):
    """Which sign-up somebody chose for each parcel of a file, and what is kept of a sketch."""

    model_config = ConfigDict(extra="forbid", strict=True)

    signups: dict[str, str] = Field(default_factory=dict, max_length=_MOST_PARTS)
    layers: dict[str, str] = Field(default_factory=dict, max_length=20)
    areas: list[int] = Field(default_factory=list, max_length=500)


def back_routes(desk: Desk) -> list[Route]:
    """The routes of the view "Came back"."""

    async def listed(request: Request) -> Response:
        del request
        return JSONResponse(await asyncio.to_thread(_listed, desk))

    async def dropped(request: Request) -> Response:
        name, content = await dropped_file(request)
        digest = hashlib.sha256(content).hexdigest()
        before = await asyncio.to_thread(desk.store.known_file, digest)
        if before is not None and before["state"] in AGAIN:
            words = AGAIN[before["state"]].format(day=before["changed_at"][:10])
            return JSONResponse({"uid": before["uid"], "again": words})
        # Read in another process, which needs a file; the name of the upload is never a path.
        with tempfile.TemporaryDirectory() as folder:
            path = Path(folder) / "dropped"
            await asyncio.to_thread(write_atomic, path, content)
            found = await asyncio.to_thread(desk.reader.read, ReadReturned(path, name))
        uid = await desk.saved(_received, desk, name, content, found)
        desk.events.tell("back", {})
        return JSONResponse({"uid": uid, "again": ""})

    async def look(request: Request) -> Response:
        asked = _Asked.model_validate(await json_of(request))
        uid = request.path_params["uid"]
        return JSONResponse(await asyncio.to_thread(_looked_at, desk, uid, asked.signups))

    async def accept(request: Request) -> Response:
        asked = _Asked.model_validate(await json_of(request))
        taken = await desk.saved(_taken, desk.store, request.path_params["uid"], asked)
        for uid in taken:
            desk.events.tell("land", {"uid": uid})
        desk.events.tell("back", {})
        desk.events.tell("signups", {})
        return JSONResponse({"signups": taken})

    async def leave(request: Request) -> Response:
        await desk.saved(_left, desk.store, request.path_params["uid"])
        desk.events.tell("back", {})
        return JSONResponse({})

    async def give_back(request: Request) -> Response:
        signups, stays = await desk.saved(_given_back, desk.store, request.path_params["uid"])
        for uid in signups:
            desk.events.tell("land", {"uid": uid})
        desk.events.tell("back", {})
        desk.events.tell("signups", {})
        return JSONResponse({"signups": signups, "stays": stays})

    async def package(request: Request) -> Response:
        del request
        content = await asyncio.to_thread(
            office_archive, desk.store, survey=desk.survey, protocol=desk.protocol
        )
        return Response(
            content,
            media_type="application/zip",
            headers={"Content-Disposition": f'attachment; filename="{_PACKAGE}"'},
        )

    return [
        Route("/api/back", listed),
        Route("/api/back", dropped, methods=["POST"]),
        Route("/api/back/{uid}/look", look, methods=["POST"]),
        Route("/api/back/{uid}/accept", accept, methods=["POST"]),
        Route("/api/back/{uid}/leave", leave, methods=["POST"]),
        Route("/api/back/{uid}/give-back", give_back, methods=["POST"]),
        Route("/api/package", package),
    ]


def _received(desk: Desk, name: str, content: bytes, found: Mapping[str, Any]) -> str:
    digest = hashlib.sha256(content).hexdigest()
    uid = desk.store.uid_for(digest)
    # The file before its row: killed in between, no row speaks of a file that is not there.
    write_atomic(desk.folder / RECEIVED / uid, content)
    desk.store.keep_waiting(uid, name, digest, kind=found["kind"], found=json.dumps(found))
    return uid


def _waiting(store: Store, uid: str) -> Mapping[str, Any]:
    """A file that waits; Missing for one that was decided about in another window."""
    row = store.received(uid)
    if row is None or row["state"] != "waiting":
        raise Missing(uid)
    return row


def _taken(store: Store, uid: str, asked: _Asked) -> list[str]:
    # Looked at in its turn: of two windows that take it in, the second finds it taken.
    row = _waiting(store, uid)
    return taking.taken(store, row, signups=asked.signups, layers=asked.layers, areas=asked.areas)


def _left(store: Store, uid: str) -> None:
    store.settle(_waiting(store, uid)["uid"], "left", said={})


def _given_back(store: Store, uid: str) -> tuple[list[str], bool]:
    row = store.received(uid)
    visits = row is not None and row["kind"] == "visits"
    if row is None or row["state"] != "accepted" or not (visits or row["found"]):
        raise Missing(uid)
    if not visits:
        return taking.given_back(store, row)
    signups = store.give_back(uid)
    for signup in signups:
        remember_camera(store, signup)
    return signups, False


def _listed(desk: Desk) -> dict[str, Any]:
    items = [_item(desk, row, {}) for row in desk.store.waiting()]
    due = due_visits(desk.store, desk.survey, desk.protocol)
    labels = {row["uid"]: row["label"] for row in desk.store.signups()}
    taken = [
        {
            "uid": row["uid"],
            "name": row["name"],
            "day": row["changed_at"][:10],
            "label": labels.get(row["signup_uid"], ""),
        }
        for row in desk.store.taken_in()
    ]
    return {"items": items, "due": due, "taken": taken}


def _looked_at(desk: Desk, uid: str, signups: Mapping[str, str]) -> dict[str, Any]:
    return _item(desk, _waiting(desk.store, uid), signups)


def _item(desk: Desk, row: Mapping[str, Any], asked: Mapping[str, str]) -> dict[str, Any]:
    """A waiting file as the page shows it."""
    found, lands = json.loads(row["found"]), lands_of(desk.store.signups())
    item: dict[str, Any] = {"uid": row["uid"], "name": row["name"], "kind": row["kind"]}
    if row["kind"] == "visits":
        return {**item, "parts": visit_parts(found["files"], lands, desk.store, asked, desk.survey)}
    shapes = found["shapes"]
    corners = [tuple(c) for s in shapes if s["layer"] == "parcel" for c in s["corners"]]
    matched = match(found["made_for"], corners or _every_corner(shapes), lands)
    if row["kind"] == "shapes" and not matched["signup"]:
        # An outline that lies on no land of ours is most often a new one.
        matched = {"signup": taking.NEW, "how": "", "doubt": ""}
    if asked.get("") is not None and asked[""] != matched["signup"]:
        matched = {"signup": asked[""], "how": "", "doubt": ""}
    signup = "" if matched["signup"] == taking.NEW else matched["signup"]
    layers = taking.compared(desk.store, signup, found) if row["kind"] == "sketch" else []
    more = {name: found.get(name, "") for name in ("made_for", "note", "said_by")}
    return {**item, **more, **matched, "layers": layers, "shapes": shapes}


def _every_corner(shapes: list[dict[str, Any]]) -> list[tuple[float, float]]:
    return [(corner[0], corner[1]) for shape in shapes for corner in shape["corners"]]
