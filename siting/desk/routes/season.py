"""Routes of "Last season": a package taken, its progress, its answer, the page with all of it."""

from __future__ import annotations

import asyncio

from starlette.requests import Request
from starlette.responses import FileResponse, JSONResponse, Response
from starlette.routing import Route

from siting.desk.server.desk import Desk
from siting.desk.server.requests import dropped_file
from siting.desk.server.security import HEADERS, RESULT_POLICY, refused
from siting.desk.work.season import FOLDER, PAGE
from siting.errors import SitingError
from siting.words.office.desk import REFUSED


def season_routes(desk: Desk) -> list[Route]:
    """The routes of last season."""

    def state(request: Request) -> Response:
        del request
        said = desk.seasons.state()
        uids = desk.store.parcel_ids()
        rows = [{**row, "signup": uids.get(row["parcel_id"], "")} for row in said.get("rows", [])]
        return JSONResponse({**said, "rows": rows})

    async def begin(request: Request) -> Response:
        name, content = await dropped_file(request)
        if not await asyncio.to_thread(desk.seasons.begin, name, content):
            raise SitingError(
                "E-DESK-06",
                "A season is being looked at.",
                rule="The desk reviews one package at a time.",
                cure="Wait, or cancel it.",
            )
        return JSONResponse({}, status_code=202)

    async def cancel(request: Request) -> Response:
        del request
        await asyncio.to_thread(desk.seasons.cancel)
        return JSONResponse({})

    async def page(request: Request) -> Response:
        del request
        path = desk.folder / FOLDER / "answer" / PAGE
        if not path.is_file():
            return refused(REFUSED["file"], 404)
        # It holds text of the package; under the desk's own policy it could ask the desk.
        return FileResponse(path, headers={**HEADERS, "Content-Security-Policy": RESULT_POLICY})

    return [
        Route("/api/season", state),
        Route("/api/season", begin, methods=["POST"]),
        Route("/api/season/cancel", cancel, methods=["POST"]),
        Route("/result/season/review.html", page),
    ]
