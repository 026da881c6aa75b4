"""What goes wrong at the desk, as the page gets to read it."""

from __future__ import annotations

from pydantic import ValidationError
from starlette.requests import Request
from starlette.responses import JSONResponse, Response

from siting.errors import SitingError
from siting.words.office.desk import REFUSED


def first_fault(error: Exception) -> str:
    """The first thing that is wrong with a request, with the name of its field."""
    if isinstance(error, ValidationError):
        fault = error.errors(include_url=False)[0]
        where = ".".join(str(part) for part in fault["loc"])
        return f"{where}: {fault['msg']}" if where else str(fault["msg"])
    return str(error)


async def failed(_: Request, error: Exception) -> Response:
    """An error of the program with its code; the status says whether trying again may help."""
    code = error.code if isinstance(error, SitingError) else "E-INTERNAL"
    status = 413 if code == "E-DESK-03" else 503 if code in ("E-DISK-01", "E-LOCK-01") else 422
    return JSONResponse({"code": code, "message": str(error)}, status_code=status)


async def missing(_: Request, error: Exception) -> Response:
    """404: the sign-up was removed meanwhile."""
    del error
    return JSONResponse({"code": "", "message": REFUSED["gone"]}, status_code=404)


async def conflict(_: Request, error: Exception) -> Response:
    """409: another window changed the same thing first."""
    del error
    return JSONResponse({"code": "", "message": REFUSED["changed"]}, status_code=409)


async def invalid(_: Request, error: Exception) -> Response:
    """400: the request is not what the page sends."""
    return JSONResponse({"code": "", "message": first_fault(error)}, status_code=400)
