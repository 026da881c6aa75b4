"""The desk's routes: each does one thing and answers with data; the page does the rest."""

from __future__ import annotations

import asyncio
import hashlib
import tempfile
from collections.abc import AsyncIterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import asynccontextmanager
from pathlib import Path
from typing import Any

from markupsafe import Markup
from pydantic import ValidationError
from starlette.applications import Starlette
from starlette.middleware import Middleware
from starlette.middleware.base import BaseHTTPMiddleware
from starlette.requests import Request
from starlette.responses import (
    HTMLResponse,
    JSONResponse,
    Response,
    StreamingResponse,
)
from starlette.routing import Mount, Route
from starlette.staticfiles import StaticFiles

from siting.desk.routes.assign import assign_routes
from siting.desk.routes.back import back_routes
from siting.desk.routes.letters import letter_routes
from siting.desk.routes.places import places_routes
from siting.desk.routes.season import season_routes
from siting.desk.server import views
from siting.desk.server.data import data_routes
from siting.desk.server.desk import Desk
from siting.desk.server.faults import conflict, failed, first_fault, invalid, missing
from siting.desk.server.requests import (
    MOST_JSON,
    SignupChange,
    SignupIn,
    dropped_file,
    json_of,
    signup_of,
)
from siting.desk.server.security import guarded, refused
from siting.desk.storage.land import LandIn
from siting.desk.storage.office import NO_PLACE, maps_file
from siting.desk.storage.store import Conflict, Missing
from siting.desk.tiles import GONE, Tile, cover_key
from siting.desk.uploads import table_rows
from siting.desk.worker import Known, ReadUpload
from siting.disk.files import safe_name, write_atomic
from siting.errors import SitingError
from siting.report.shared.assets import WEB, leaflet_folder, render
from siting.report.shared.text import json_for_script
from siting.settings.load import load_inputs
from siting.words.office.desk import REFUSED, words_data

_TILE_THREADS = 3


def make_app(desk: Desk) -> Starlette:
    """The desk as an application; every request passes the gate first."""
    # Threads of their own: a map that asks for many tiles at once must not keep answers waiting.
    tiles = ThreadPoolExecutor(_TILE_THREADS, thread_name_prefix="tile")

    @asynccontextmanager
    async def lifespan(_: Starlette) -> AsyncIterator[None]:
        desk.events.attach(asyncio.get_running_loop())
        yield
        desk.events.close()
        desk.end_saves()
        tiles.shutdown(wait=False, cancel_futures=True)

    routes = _Routes(desk, tiles)
    return Starlette(
        routes=[
            Route("/enter", routes.enter),
            Route("/", routes.page),
            Route("/api/signups", routes.signups),
            Route("/api/signups", routes.add_signup, methods=["POST"]),
            Route("/api/table", routes.add_table, methods=["POST"]),
            Route("/api/signups/{uid}", routes.change_signup, methods=["PATCH"]),
            Route("/api/land/{uid}", routes.land),
            Route("/api/land/{uid}", routes.save_land, methods=["PUT"]),
            Route("/api/known", routes.known),
            Route("/api/upload", routes.upload, methods=["POST"]),
            Route("/api/score/{uid}", routes.score, methods=["POST"]),
            Route("/api/score", routes.score_all, methods=["POST"]),
            Route("/api/cancel", routes.cancel, methods=["POST"]),
            Route("/api/record/{uid}", routes.record),
            Route("/api/sketch/{uid}", routes.sketch),
            Route("/api/events", routes.events),
            *data_routes(desk, json_of),
            *back_routes(desk),
            *letter_routes(desk),
            *assign_routes(desk),
            *season_routes(desk),
            *places_routes(desk),
            Route("/tile/{stamp}/{zoom:int}/{column:int}/{row:int}.png", routes.tile),
            Route("/tile/{stamp}/{zoom:int}/{column:int}/{row:int}/{kind}.png", routes.tile),
            Mount("/static", StaticFiles(directory=WEB)),
            Mount("/leaflet", StaticFiles(directory=leaflet_folder())),
        ],
        middleware=[Middleware(BaseHTTPMiddleware, dispatch=guarded(desk.gate))],
        exception_handlers={
            SitingError: failed,
            Missing: missing,
            Conflict: conflict,
            ValidationError: invalid,
            ValueError: invalid,
            KeyError: invalid,
        },
        lifespan=lifespan,
    )


class _Routes:
    def __init__(self, desk: Desk, tiles: ThreadPoolExecutor) -> None:
        self.desk, self.tiles = desk, tiles

    async def enter(self, request: Request) -> Response:
        return self.desk.gate.enter(request.query_params.get("key", ""))

    async def page(self, request: Request) -> Response:
        del request
        desk = self.desk
        data = {
            "token": desk.gate.token,
            "stamp": desk.relief.stamp(),
            "bounds": desk.bounds,
            "season": desk.season,
            "cover": cover_key() if desk.cover is not None else [],
            "words": words_data(),
            "statuses": views.STATUSES,
        }
        page = render("desk/desk.html", data=Markup(json_for_script(data)))
        return HTMLResponse(page)

    # --- sign-ups ----------------------------------------------------------------------------

    def signups(self, request: Request) -> Response:
        """Every sign-up, or the one that is asked for: after a run of thousands one has changed."""
        only = request.query_params.get("only", "")
        rows = views.signup_rows(self.desk.store, self.desk.protocol, only=only)
        return JSONResponse({"rows": rows, "queue": self.desk.runner.state()})

    async def add_signup(self, request: Request) -> Response:
        asked = SignupIn.model_validate(await json_of(request))
        uid = await self.desk.saved(self._add, asked)
        self.desk.events.tell("signups", {"uid": uid})
        return JSONResponse({"uid": uid})

    def _add(self, asked: SignupIn) -> str:
        return self.desk.store.add_signup(
            asked.label,
            cell=asked.cell,
            priority=asked.priority,
            contact_ref=asked.contact_ref,
            place=asked.place,
        )

    async def add_table(self, request: Request) -> Response:
        """Sign-ups of a pasted table; rows that cannot be taken are named with their reason."""
        text = str((await json_of(request)).get("text", ""))[:MOST_JSON]
        found = await self.desk.saved(self._add_all, text)
        # Once for all: each page loads its whole list.
        self.desk.events.tell("signups", {})
        return JSONResponse(found)

    def _add_all(self, text: str) -> dict[str, Any]:
        # A list that grows all week is pasted whole: who is in it already is not added again.
        there = self.desk.store.named_places()
        added, known, faults = 0, 0, []
        for number, row in enumerate(table_rows(text), start=2):
            try:
                asked = signup_of(row)
                if (asked.label, asked.place) in there:
                    known += 1
                    continue
                there.add((asked.label, asked.place))
                self._add(asked)
                added += 1
            except ValueError as error:
                faults.append({"row": number, "why": first_fault(error)})
        return {"added": added, "known": known, "faults": faults}

    async def change_signup(self, request: Request) -> Response:
        asked = SignupChange.model_validate(await json_of(request))
        changes = asked.model_dump(exclude_unset=True, exclude={"lon", "lat"})
        if changes or asked.place:
            uid = request.path_params["uid"]
            await self.desk.saved(self.desk.store.change_signup, uid, changes, place=asked.place)
            self.desk.events.tell("signups", {"uid": uid})
        return JSONResponse({})

    def record(self, request: Request) -> Response:
        return JSONResponse({"rows": self.desk.store.changes(request.path_params["uid"])})

    # --- land --------------------------------------------------------------------------------

    def land(self, request: Request) -> Response:
        return JSONResponse(views.land_data(self.desk.store, request.path_params["uid"]))

    async def save_land(self, request: Request) -> Response:
        uid = request.path_params["uid"]
        asked = LandIn.model_validate(await json_of(request))
        shapes = [shape.shape() for shape in asked.shapes]
        save = self.desk.store.save_land
        rev = await self.desk.saved(save, uid, shapes, asked.answers, rev=asked.rev)
        self.desk.events.tell("land", {"uid": uid, "rev": rev})
        return JSONResponse({"rev": rev})

    async def known(self, request: Request) -> Response:
        west, south, east, north = (float(v) for v in request.query_params["box"].split(","))
        maps = maps_file(self.desk.folder, request.query_params.get("for", ""))
        job = Known(maps, (west, south, east, north))
        return JSONResponse({"rows": await asyncio.to_thread(self.desk.reader.read, job)})

    async def upload(self, request: Request) -> Response:
        """The shapes of a dropped file; nothing of it is kept until the page saves them."""
        name, content = await dropped_file(request)
        digest = hashlib.sha256(content).hexdigest()
        # Read in another process, which needs a file; the name of the upload is never a path.
        with tempfile.TemporaryDirectory() as folder:
            path = Path(folder) / "dropped"
            await asyncio.to_thread(write_atomic, path, content)
            found = await asyncio.to_thread(self.desk.reader.read, ReadUpload(path, name))
        receive = self.desk.store.receive
        found["is_new"] = await self.desk.saved(receive, name, digest, kind=found["kind"])
        return JSONResponse(found)

    # --- scoring -----------------------------------------------------------------------------

    async def score(self, request: Request) -> Response:
        anew = request.query_params.get("anew") == "yes"
        # Behind the saves that were sent before it: it is their land that is scored.
        await self.desk.saved(self._score, request.path_params["uid"], anew=anew)
        return JSONResponse(self.desk.runner.state(), status_code=202)

    def _score(self, uid: str, *, anew: bool) -> None:
        self.desk.store.signup(uid)
        self.desk.runner.add(uid, anew=anew)

    async def score_all(self, request: Request) -> Response:
        del request
        count = await self.desk.saved(self._score_all)
        return JSONResponse({**self.desk.runner.state(), "asked": count}, status_code=202)

    def _score_all(self) -> int:
        # One that failed is not tried again by itself: its land has not changed.
        uids = [
            row["uid"]
            for row in views.signup_rows(self.desk.store, self.desk.protocol)
            if row["status"] in ("Ready to score", "Changed since scored")
        ]
        self.desk.runner.add_all(uids)
        return len(uids)

    def cancel(self, request: Request) -> Response:
        del request
        self.desk.runner.cancel()
        return JSONResponse({})

    async def events(self, request: Request) -> Response:
        del request
        return StreamingResponse(self.desk.events.stream(), media_type="text/event-stream")

    def sketch(self, request: Request) -> Response:
        """The sketch page to send to a volunteer, around the sign-up's place or outline."""
        from siting.commands import sketch_text_for

        uid = request.path_params["uid"]
        rows = views.signup_rows(self.desk.store, self.desk.protocol, only=uid)
        if not rows:
            return refused(REFUSED["gone"], 404)
        row = rows[0]
        if row["lon"] is None:
            return refused(REFUSED["no place"], 409)
        inputs = load_inputs(maps_file(self.desk.folder, uid), NO_PLACE)
        page = sketch_text_for(inputs, (row["lon"], row["lat"]), row["label"])
        name = safe_name(row["label"])
        headers = {"Content-Disposition": f'attachment; filename="sketch-{name}.html"'}
        return Response(page, media_type="text/html", headers=headers)

    # --- relief ------------------------------------------------------------------------------

    async def tile(self, request: Request) -> Response:
        asked = request.path_params
        tile = Tile(asked["zoom"], asked["column"], asked["row"])
        if not tile.is_on_earth:
            return refused(REFUSED["tile"], 404)
        stamp, ours = asked["stamp"], self.desk.relief
        relief = ours if stamp == ours.stamp() else self.desk.reliefs.get(stamp)
        if relief is None or stamp == GONE or not stamp.startswith(relief.stamp()):
            return refused(REFUSED["old tiles"], 410)
        kind = asked.get("kind", "relief")
        draw = {"relief": relief.png, "contours": relief.contours}.get(kind)
        if kind == "cover" and self.desk.cover is not None:
            draw = self.desk.cover.png
        if draw is None:
            return refused(REFUSED["tile"], 404)
        png = await asyncio.get_running_loop().run_in_executor(self.tiles, draw, tile)
        # The address names the elevations by their stamp, so a tile never changes.
        kept = {"Cache-Control": "private, max-age=86400, immutable"}
        return Response(png, media_type="image/png", headers=kept)
