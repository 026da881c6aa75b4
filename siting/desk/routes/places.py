"""Routes of the places of a run: the list, a decision, its files, what goes to the volunteer."""

from __future__ import annotations

from typing import Any

from starlette.requests import Request
from starlette.responses import FileResponse, JSONResponse, Response
from starlette.routing import Route

from siting.desk.routes.letters import letter_of
from siting.desk.server import views
from siting.desk.server.archive import archive_of
from siting.desk.server.deciding import decide_spot
from siting.desk.server.desk import Desk
from siting.desk.server.requests import DecisionIn, json_of
from siting.desk.server.security import HEADERS, RESULT_POLICY, refused
from siting.desk.storage.store import Conflict
from siting.disk.files import safe_name
from siting.words.office.desk import REFUSED

# A list of what may be shown: a name from the page is joined to a path only if it stands here.
_FILES = ("map.html", "field_sheet.html", "spots.gpx", "spots.csv", "spots.geojson", "run.json")


def places_routes(desk: Desk) -> list[Route]:
    """The routes of the views "Places" and "Letter and files"."""

    def places(request: Request) -> Response:
        return JSONResponse(_places(desk, request.path_params["uid"]))

    async def decide(request: Request) -> Response:
        uid = request.path_params["uid"]
        asked = DecisionIn.model_validate(await json_of(request))
        await desk.saved(_decided, desk, uid, asked)
        return JSONResponse({})

    def result(request: Request) -> Response:
        """A file of the last good run, shown so that nothing in it can speak with the desk."""
        name = request.path_params["name"]
        folder = views.run_folder(desk.folder, desk.store, request.path_params["uid"])
        if folder is None or name not in _FILES or not (folder / name).is_file():
            return refused(REFUSED["file"], 404)
        # A result holds other people's text; under the desk's own policy it could ask the desk.
        headers = {**HEADERS, "Content-Security-Policy": RESULT_POLICY}
        return FileResponse(folder / name, headers=headers)

    def hand_over(request: Request) -> Response:
        return _handed_over(desk, request.path_params["uid"])

    return [
        Route("/api/places/{uid}", places),
        Route("/api/decision/{uid}", decide, methods=["POST"]),
        Route("/api/hand-over/{uid}", hand_over),
        Route("/result/{uid}/{name}", result),
    ]


def _places(desk: Desk, uid: str) -> dict[str, Any]:
    return views.places_data(desk.folder, desk.store, uid, desk.runner.listed(uid))


def _decided(desk: Desk, uid: str, asked: DecisionIn) -> None:
    found = _places(desk, uid)
    spots = {spot["rank"]: spot for spot in found["spots"] if asked.kind != "random"}
    if asked.kind == "random" and found["lot"]:
        spots = {0: found["lot"]}
    # The page may show an older run than the folder holds: its ranks were other places.
    if found["run"] != asked.run or asked.rank not in spots:
        raise Conflict(uid)
    decide_spot(desk.store, uid, found["run"], spots[asked.rank], asked)
    desk.events.tell("signups", {"uid": uid})
    # The files name the place that was taken only after a run that knows of it.
    desk.runner.add(uid)


def _handed_over(desk: Desk, uid: str) -> Response:
    """One archive for the volunteer: map, sheet, GPX and a note; nothing of other parcels."""
    # The files of an earlier run would go with a list that is another by now.
    if desk.runner.listed(uid) is not None:
        return refused(REFUSED["being made"], 409)
    folder = views.run_folder(desk.folder, desk.store, uid)
    if folder is None:
        return refused(REFUSED["unscored"], 404)
    name = safe_name(desk.store.signup(uid)["label"])
    decision = desk.store.decision(uid)
    if not views.files_name(desk.store, uid):
        return refused(REFUSED["being made"], 409)
    letter = letter_of(desk, uid)["text"]
    return Response(
        archive_of(folder, name, decision, letter=letter),
        media_type="application/zip",
        headers={"Content-Disposition": f'attachment; filename="{name}.zip"'},
    )
