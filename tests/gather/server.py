"""A server on the loopback address with ranges, catalogues and the faults of real servers."""

from __future__ import annotations

import json
import re
import sys
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from typing import Any
from urllib.parse import parse_qs, urlsplit

Reply = Callable[["Handler"], None]


@dataclass
class Site:
    """What is served: bytes by path, replies made by a function, and what was asked."""

    files: dict[str, bytes] = field(default_factory=dict)
    replies: dict[str, Reply] = field(default_factory=dict)
    asked: list[str] = field(default_factory=list)
    headers: list[dict[str, str]] = field(default_factory=list)
    bodies: list[bytes] = field(default_factory=list)
    sent: int = 0
    port: int = 0

    @property
    def base(self) -> str:
        return f"http://127.0.0.1:{self.port}"

    def put_json(self, path: str, page: Any) -> None:
        self.files[path] = json.dumps(page).encode()


class Handler(BaseHTTPRequestHandler):
    protocol_version = "HTTP/1.1"
    site: Site
    body: bytes | None = None

    def log_message(self, *_: Any) -> None:
        return

    def do_POST(self) -> None:
        self.body = self.rfile.read(int(self.headers["Content-Length"]))
        self.site.bodies.append(self.body)
        self.do_GET()
        self.body = None

    def do_GET(self) -> None:
        self.site.asked.append(self.path)
        self.site.headers.append(dict(self.headers))
        path = urlsplit(self.path).path
        reply = self.site.replies.get(path)
        if reply is not None:
            reply(self)
        elif path in self.site.files:
            self.send_part(self.site.files[path])
        else:
            self.send(404, b"no such file")

    @property
    def query(self) -> dict[str, str]:
        return {k: v[0] for k, v in parse_qs(urlsplit(self.path).query).items()}

    @property
    def part(self) -> tuple[int, int] | None:
        found = re.fullmatch(r"bytes=(\d+)-(\d+)", self.headers.get("Range", ""))
        return (int(found[1]), int(found[2])) if found else None

    def send(self, status: int, body: bytes, **headers: str) -> None:
        self.send_response(status)
        for name, value in headers.items():
            self.send_header(name.replace("_", "-"), value)
        self.send_header("Content-Length", str(len(body)))
        self.end_headers()
        self.wfile.write(body)
        self.site.sent += len(body)

    def send_part(self, data: bytes, tag: str = '"one"') -> None:
        """The part that was asked, or all, as RFC 9110 has it."""
        part = self.part
        if part is None:
            self.send(200, data, ETag=tag)
            return
        first, last = part[0], min(part[1], len(data) - 1)
        told = f"bytes {first}-{last}/{len(data)}"
        self.send(206, data[first : last + 1], Content_Range=told, ETag=tag)


class Server(ThreadingHTTPServer):
    """Its clients hang up when they have seen enough: that is what is tested, and no news."""

    daemon_threads = True

    def handle_error(self, request: Any, client_address: Any) -> None:
        # Everything else still prints its traceback.
        if not isinstance(sys.exception(), ConnectionError):
            super().handle_error(request, client_address)


@contextmanager
def serving(site: Site | None = None) -> Iterator[Site]:
    """Serve on a free port of 127.0.0.1 while the block lasts."""
    site = site or Site()
    handler = type("Here", (Handler,), {"site": site})
    server = Server(("127.0.0.1", 0), handler)
    site.port = server.server_address[1]
    thread = threading.Thread(target=server.serve_forever, kwargs={"poll_interval": 0.02})
    thread.daemon = True
    thread.start()
    try:
        yield site
    finally:
        server.shutdown()
        server.server_close()


def drip(handler: Handler) -> None:
    """A body that comes two bytes at a time, for a very long time."""
    handler.send_response(200)
    handler.send_header("Content-Length", "1000000")
    handler.end_headers()
    for _ in range(2000):
        try:
            handler.wfile.write(b"{ ")
            handler.wfile.flush()
        except OSError:
            return
        time.sleep(0.01)


def drip_headers(handler: Handler) -> None:
    """Headers that never end."""
    handler.wfile.write(b"HTTP/1.1 200 OK\r\nX-A: ")
    for _ in range(2000):
        try:
            handler.wfile.write(b"a")
            handler.wfile.flush()
        except OSError:
            return
        time.sleep(0.01)


def silent(handler: Handler) -> None:
    """No answer at all."""
    time.sleep(3)
    handler.close_connection = True


def cut_short(handler: Handler) -> None:
    """Half of what was announced."""
    handler.send_response(200)
    handler.send_header("Content-Length", "1000")
    handler.end_headers()
    handler.wfile.write(b"x" * 500)
    handler.close_connection = True


def status(code: int, body: bytes = b"no", **headers: str) -> Reply:
    return lambda handler: handler.send(code, body, **headers)


def first_then(first: list[Reply], then: Reply) -> Reply:
    """Some replies once each, then one for ever."""
    waiting = list(first)

    def reply(handler: Handler) -> None:
        (waiting.pop(0) if waiting else then)(handler)

    return reply
