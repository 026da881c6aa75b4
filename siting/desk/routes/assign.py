"""The routes that propose a camera for each survey cell and take a choice back."""

from __future__ import annotations

import asyncio
from typing import Any

from starlette.requests import Request
from starlette.responses import JSONResponse, Response
from starlette.routing import Route

from siting.desk.server.desk import Desk
from siting.desk.work.assigning import rows_for
from siting.desk.worker import Assign
from siting.words.office.desk import NO_CELLS


def assign_routes(desk: Desk) -> list[Route]:
    """The routes of the assignment."""

    async def propose(request: Request) -> Response:
        text = request.query_params.get("random", "")
        share = float(text) if text else None
        if share is not None and not 0.0 <= share <= 1.0:
            raise ValueError("a share is between 0 and 1")
        rows = await asyncio.to_thread(rows_for, desk.store)
        if not rows:
            # The command's own message names keys of a file that nobody sees here.
            raise ValueError(NO_CELLS)
        job = Assign(tuple(rows), desk.runner.protocol, share)
        return JSONResponse(await asyncio.to_thread(_proposed, desk, job))

    async def withdraw(request: Request) -> Response:
        uid = request.path_params["uid"]
        desk.store.signup(uid)
        await desk.saved(desk.store.withdraw, uid)
        desk.events.tell("signups", {"uid": uid})
        # The files must name the place no more.
        desk.runner.add(uid)
        return JSONResponse({})

    return [
        Route("/api/assign", propose),
        Route("/api/decision/{uid}", withdraw, methods=["DELETE"]),
    ]


def _proposed(desk: Desk, job: Assign) -> dict[str, Any]:
    found: dict[str, Any] = desk.reader.read(job)
    uids = desk.store.parcel_ids()
    for cell in found["cells"]:
        uid = uids.get(cell["parcel"], "")
        run = desk.store.last_run(uid) if uid else None
        cell |= {"signup": uid, "run": run["uid"] if run else ""}
    return found
