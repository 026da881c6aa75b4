"""The route that proposes a camera for each survey cell; it decides nothing."""

from __future__ import annotations

import asyncio

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
        del request
        rows = await asyncio.to_thread(rows_for, desk.store)
        if not rows:
            # The command's own message names keys of a file that nobody sees here.
            raise ValueError(NO_CELLS)
        job = Assign(tuple(rows), desk.runner.protocol)
        cells = await asyncio.to_thread(desk.reader.read, job)
        uids = desk.store.parcel_ids()
        for cell in cells:
            uid = uids.get(cell["parcel"], "")
            run = desk.store.last_run(uid) if uid else None
            cell |= {"signup": uid, "run": run["uid"] if run else ""}
        return JSONResponse({"cells": cells})

    return [Route("/api/assign", propose)]
