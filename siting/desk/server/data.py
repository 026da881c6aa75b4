"""Routes of the data that are gathered for a sign-up: what there is, begin, answer, cancel."""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Callable, Sequence
from pathlib import Path
from typing import Any, Protocol

import shapely
from pydantic import BaseModel, ConfigDict, Field
from starlette.requests import Request
from starlette.responses import JSONResponse, Response
from starlette.routing import Route

from siting.desk.downloads import Downloads, about
from siting.desk.jobs import Reader
from siting.desk.storage.office import NO_PLACE, maps_file, region_folder
from siting.desk.storage.store import Store
from siting.desk.tiles import Relief
from siting.desk.worker import Recipes
from siting.read.input_files import raster_path
from siting.settings.load import load_inputs

_MOST_RELIEFS = 20
Box = tuple[float, float, float, float]
Body = Callable[[Request], Awaitable[dict[str, Any]]]


class Desk(Protocol):
    """What the routes need of the desk."""

    folder: Path
    store: Store
    reader: Reader
    downloads: Downloads
    reliefs: dict[str, Relief]
    bounds: Box


class _Begin(BaseModel):
    model_config = ConfigDict(extra="forbid", strict=True)

    # No slash: the page names a recipe and never a path.
    recipe: str = Field(min_length=1, max_length=100, pattern=r"^[\w .-]+$")


class _Answer(BaseModel):
    model_config = ConfigDict(extra="forbid", strict=True)

    agreed: bool


def data_routes(desk: Desk, body: Body) -> list[Route]:
    """The routes; `body` reads what was sent."""

    async def recipes(request: Request) -> Response:
        del request
        return JSONResponse(
            {"rows": await asyncio.to_thread(desk.reader.read, Recipes(desk.folder))}
        )

    def state(request: Request) -> Response:
        return JSONResponse(_state(desk, request.path_params["uid"]))

    async def begin(request: Request) -> Response:
        asked = _Begin.model_validate(await body(request))
        # Its land is written to a file first.
        begin = desk.downloads.begin
        await asyncio.to_thread(begin, request.path_params["uid"], asked.recipe)
        return JSONResponse({}, status_code=202)

    async def answer(request: Request) -> Response:
        asked = _Answer.model_validate(await body(request))
        desk.downloads.answer(request.path_params["uid"], agreed=asked.agreed)
        return JSONResponse({}, status_code=202)

    async def cancel(request: Request) -> Response:
        # Until the worker is gone, some tens of milliseconds: other pages are answered meanwhile.
        await asyncio.to_thread(desk.downloads.cancel, request.path_params["uid"])
        return JSONResponse({})

    def forget(request: Request) -> Response:
        desk.downloads.forget(request.path_params["uid"])
        return JSONResponse({})

    return [
        Route("/api/recipes", recipes),
        Route("/api/data/{uid}", state),
        Route("/api/data/{uid}", begin, methods=["POST"]),
        Route("/api/data/{uid}", forget, methods=["DELETE"]),
        Route("/api/data/{uid}/answer", answer, methods=["POST"]),
        Route("/api/data/{uid}/cancel", cancel, methods=["POST"]),
    ]


def _state(desk: Desk, uid: str) -> dict[str, Any]:
    desk.store.signup(uid)
    found = about(desk.folder, uid)
    return {
        **desk.downloads.state(uid),
        "lines": found.get("lines", []),
        "made": found.get("made", ""),
        "reaches": _reaches(desk.store, uid, found["boxes"]) if found else _is_mapped(desk, uid),
        "stamp": _stamp(desk, uid) if found else "",
    }


def _corners(store: Store, uid: str) -> list[tuple[float, float]]:
    return [c for s in store.land(uid).shapes if s.layer == "parcel" for c in s.corners]


def _reaches(store: Store, uid: str, found: Sequence[Box]) -> bool:
    """Whether what was gathered lies under the outline as it is drawn now."""
    boxes = shapely.union_all([shapely.box(*box) for box in found])
    corners = _corners(store, uid)
    return not corners or bool(boxes.covers(shapely.MultiPoint(corners)))


def _is_mapped(desk: Desk, uid: str) -> bool:
    """Whether the office's own maps show any of the land, or the place that stands for it."""
    corners = _corners(desk.store, uid) or [p for p in [desk.store.place(uid)] if p]
    return not corners or bool(shapely.box(*desk.bounds).intersects(shapely.MultiPoint(corners)))


def _stamp(desk: Desk, uid: str) -> str:
    """Stamp of the relief that was gathered; the page asks for its tiles by it."""
    inputs = load_inputs(maps_file(desk.folder, uid), NO_PLACE)
    relief = Relief(raster_path(inputs, inputs.dem, key="dem"), inputs.dem)
    # Two sign-ups may be gathered in one instant: the folder tells them apart.
    stamp = f"{relief.stamp()}-{region_folder(desk.folder, uid).parent.name}"
    desk.reliefs.setdefault(stamp, relief)
    # Each holds an open raster: a long day over many sign-ups must not keep them all.
    while len(desk.reliefs) > _MOST_RELIEFS:
        desk.reliefs.pop(next(iter(desk.reliefs)))
    return stamp
