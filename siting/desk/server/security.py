"""Who may use the desk: this machine, this browser, this page; nobody else.

The page is handed to whoever opens the one-time address that the program printed. Another page in
the same browser, another port, another name for this machine, a frame: all are refused.
"""

from __future__ import annotations

import hmac
import secrets
import time
from collections.abc import Awaitable, Callable

from starlette.requests import Request
from starlette.responses import PlainTextResponse, RedirectResponse, Response

from siting.words.office.desk import REFUSED

# Nothing inline and nothing from elsewhere: text that passed for markup could not run or call out.
POLICY = (
    "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' data: blob:; "
    "connect-src 'self'; frame-src 'self'; form-action 'self'; base-uri 'none'; "
    "frame-ancestors 'none'"
)
# An origin of its own: the map of a result needs its scripts, and they cannot call the desk.
RESULT_POLICY = "sandbox allow-scripts allow-downloads allow-popups allow-modals"
HEADERS = {
    "Content-Security-Policy": POLICY,
    "X-Content-Type-Options": "nosniff",
    "Referrer-Policy": "no-referrer",
    "Cross-Origin-Opener-Policy": "same-origin",
    "Cross-Origin-Resource-Policy": "same-origin",
    "Cache-Control": "no-store",
}
TOKEN_HEADER = "x-desk"
# The address stays in a terminal, where others may read it later.
_KEY_LIFE_S = 600.0
_PICTURES = ("/tile/", "/result/", "/static/", "/leaflet/")


class Gate:
    """The key, the cookie and the token of one start of the desk, and the check of each request."""

    def __init__(self, port: int) -> None:
        self.key = secrets.token_urlsafe(32)
        self.token = secrets.token_urlsafe(32)
        self._cookie = secrets.token_urlsafe(32)
        self._port = port
        self._key_ends = time.monotonic() + _KEY_LIFE_S
        self._hosts = (f"127.0.0.1:{port}", f"localhost:{port}")

    @property
    def cookie_name(self) -> str:
        """Cookies are shared by all ports of a host: the name tells them apart."""
        return f"desk_{self._port}"

    def enter(self, key: str) -> Response:
        """The answer to the one-time address: a cookie and the way to the desk, once."""
        # In constant time: how long a wrong key takes must not say how much of it was right.
        good = hmac.compare_digest(key, self.key) and time.monotonic() < self._key_ends
        if not good:
            return refused(REFUSED["used"])
        self._key_ends = 0.0
        answer = RedirectResponse("/", status_code=303)
        # Strict locked out a click from a page of web mail, even after a reload; Lax did not
        # (measured).
        answer.set_cookie(self.cookie_name, self._cookie, httponly=True, samesite="lax", path="/")
        return answer

    def refuses(self, request: Request) -> str:
        """Why a request may not go on; "" when it may."""
        # Another name that was made to lead to this machine (DNS rebinding) is not the desk's own.
        hosts = [v.decode("latin-1") for k, v in request.headers.raw if k == b"host"]
        if len(hosts) != 1 or hosts[0] not in self._hosts:
            return "host"
        site = request.headers.get("sec-fetch-site", "same-origin")
        # "same-site" is refused, too: a page on another port of this machine is of the same site.
        if site not in ("same-origin", "none"):
            return "another page"
        # A browser sets Origin itself: a form on another page cannot claim to be ours.
        changes = request.method not in ("GET", "HEAD")
        origin = request.headers.get("origin")
        ours = tuple(f"http://{host}" for host in self._hosts)
        if (origin is not None or changes) and origin not in ours:
            return "another page"
        path = request.url.path
        if path == "/enter":
            return ""
        cookie = request.cookies.get(self.cookie_name, "")
        if not hmac.compare_digest(cookie.encode(), self._cookie.encode()):
            return "cookie"
        # All ports of a host share their cookies, so data also need the token that only our page
        # has; a picture cannot send a header and goes by the cookie alone.
        free = path == "/" or path.startswith(_PICTURES)
        given = request.headers.get(TOKEN_HEADER, "") or request.query_params.get("t", "")
        if not (free and not changes) and not hmac.compare_digest(
            given.encode(), self.token.encode()
        ):
            return "token"
        return ""


def refused(words: str, status: int = 403) -> Response:
    """An answer of plain words."""
    return PlainTextResponse(words + "\n", status_code=status)


def guarded(
    gate: Gate,
) -> Callable[[Request, Callable[[Request], Awaitable[Response]]], Awaitable[Response]]:
    """Middleware that lets only the desk's own page in and puts the headers on every answer."""

    async def check(request: Request, go_on: Callable[[Request], Awaitable[Response]]) -> Response:
        why = gate.refuses(request)
        if why == "host":
            answer = refused(REFUSED["host"], 400)
        elif why:
            answer = refused(REFUSED["enter"])
        else:
            answer = await go_on(request)
        for name, value in HEADERS.items():
            answer.headers.setdefault(name, value)
        return answer

    return check
