"""The one door to the network. Nothing else in the program opens a connection.

One request at a time, to allowed hosts, within a time that is set for the whole request. GDAL
never sees an address: rasters are read from pieces that came through here.
"""

from __future__ import annotations

import contextlib
import random
import socket
import ssl
import threading
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from typing import Any

from siting import __version__
from siting.errors import SitingError
from siting.gather.network.addresses import (
    Place,
    Resolver,
    addresses_of,
    checked,
    joined,
    machine_of,
    proxy_for,
    shown,
)
from siting.gather.network.failures import (
    TRIES,
    Passing,
    gave_up,
    not_safe,
    refused,
    too_much,
    translated,
    wrong_part,
)

# Doubling, and a little by chance, so that many who were cut off do not come back at once.
_PAUSES_S = (1.0, 2.0, 4.0)
_MOST_REDIRECTS = 3
# Twenty seconds, and the time of a slow line (20 kB a second) for the bytes that may come.
_FIRST_S, _SLOWEST_BYTES_S = 20.0, 20_000.0
_SILENCE_S = 10.0
_CHUNK = 65_536
# Says who asks and how, so that a server's keeper can tell us apart.
_AGENT = f"siting/{__version__} (reads small windows of open map data, one request at a time)"
_REDIRECTS = {301, 302, 303, 307, 308}


@dataclass(frozen=True)
class Key:
    """A secret for one host, held in memory alone."""

    host: str
    header: str
    value: str = field(repr=False)


@dataclass(frozen=True)
class Answer:
    """What a server sent: status 200 (whole) or 206 (a part), the bytes, and what it says of them.

    `start` and `total` count bytes of the whole file; `total` is -1 where it is not known.
    """

    status: int
    body: bytes
    start: int
    total: int
    tag: str
    address: str


@dataclass(frozen=True)
class _Wanted:
    """Bytes at most, the part that is wanted or None for all, and what is posted or None."""

    most: int
    part: tuple[int, int] | None
    body: bytes | None


@dataclass
class Counts:
    """Requests made and bytes of content received so far."""

    requests: int = 0
    bytes: int = 0


class Door:
    """Asks allowed hosts, one request at a time.

    Parameters
    ----------
    hosts : names that may be asked
    key : Key or None
    resolve, pause, clock : functions, so that a test needs no network and no patience
    pace : float
        Factor of all times: 1 outside of tests.
    """

    def __init__(
        self,
        hosts: frozenset[str],
        *,
        key: Key | None = None,
        resolve: Resolver = addresses_of,
        pause: Callable[[float], None] = time.sleep,
        pace: float = 1.0,
        context: ssl.SSLContext | None = None,
    ) -> None:
        self.hosts = hosts
        self.counts = Counts()
        self._key = key
        self._resolve = resolve
        self._pause = pause
        self._pace = pace
        self._context = context
        self._kept: tuple[tuple[str, str, int], Any] | None = None

    def get(
        self, address: str, *, most: int, part: tuple[int, int] | None = None,
        body: bytes | None = None,
    ) -> Answer:  # fmt: skip
        """The content of an address, or of a part of it.

        Parameters
        ----------
        address : str
        most : int
            Bytes that the answer may have at most.
        part : (start, length) or None
            Bytes that are wanted.
        body : bytes or None
            JSON that is sent, by POST.

        Raises
        ------
        SitingError
            E-NET-01 to E-NET-07, E-SIZE-01.
        """
        for attempt in range(TRIES):
            try:
                return self._followed(address, _Wanted(most, part, body))
            except Passing as failure:
                self.close()
                if attempt == TRIES - 1:
                    raise gave_up(address, failure.why) from None
                pause = max(_PAUSES_S[attempt] * random.uniform(1.0, 1.25), failure.wait_s)
                self._pause(pause * self._pace)
        raise gave_up(address, "no answer")

    def close(self) -> None:
        """Close the connection that was kept for the next request."""
        if self._kept is not None:
            self._kept[1].close()
            self._kept = None

    def _followed(self, address: str, wanted: _Wanted) -> Answer:
        # Each address on the way is checked like the first: a redirect may lead into a private
        # network.
        came_from = ""
        for _ in range(_MOST_REDIRECTS + 1):
            place = checked(address, hosts=self.hosts, came_from=came_from)
            outcome = self._once(place, address, wanted)
            if isinstance(outcome, Answer):
                return outcome
            # Then anybody on the line could change what comes.
            if place.scheme == "https" and outcome.lower().startswith("http:"):
                raise not_safe(address, outcome)
            came_from, address = place.host, outcome
        raise SitingError(
            "E-NET-03",
            f"{shown(address)} redirects again and again: more than {_MOST_REDIRECTS} times.",
            rule=f"At most {_MOST_REDIRECTS} redirects are followed.",
            cure="The server is set up wrongly; try again another day or use another recipe.",
        )

    def _once(self, place: Place, address: str, wanted: _Wanted) -> Answer | str:
        """The answer, or the address that the server leads to."""
        size = wanted.part[1] if wanted.part else wanted.most
        limit_s = (_FIRST_S + size / _SLOWEST_BYTES_S) * self._pace
        try:
            link = self._link(place)
            with _deadline(link, limit_s) as over:
                try:
                    return self._asked(link, place, address, wanted)
                except SitingError:
                    self.close()
                    raise
                except Passing:
                    raise
                except Exception as error:
                    if over.is_set():
                        raise Passing(f"it took more than {limit_s:.0f} s") from None
                    raise translated(error, place) from error
        except (SitingError, Passing):
            raise
        except Exception as error:
            raise translated(error, place) from error

    def _asked(self, link: Any, place: Place, address: str, wanted: _Wanted) -> Answer | str:
        part, body = wanted.part, wanted.body
        headers = {"Host": place.authority, "User-Agent": _AGENT, "Accept-Encoding": "identity"}
        if part is not None:
            headers["Range"] = f"bytes={part[0]}-{part[0] + part[1] - 1}"
        # To its own host alone: a redirect must not carry the key elsewhere.
        if self._key is not None and self._key.host == place.host:
            headers[self._key.header] = self._key.value
        if body is not None:
            headers["Content-Type"] = "application/json"
        self.counts.requests += 1
        method = "GET" if body is None else "POST"
        link.request(method, place.path, body=body, headers=headers, preload_content=False)
        response = link.getresponse()
        if response.status in _REDIRECTS and response.headers.get("Location"):
            self.close()
            return joined(address, response.headers["Location"])
        if response.status not in (200, 206):
            self.close()
            raise refused(response.status, response.headers, address)
        return self._content(response, address, most=wanted.most, part=part)

    def _content(
        self, response: Any, address: str, *, most: int, part: tuple[int, int] | None
    ) -> Answer:
        length = _whole(response.headers.get("Content-Length"))
        start, total = 0, length
        if response.status == 206:
            start, end, total = _range_told(response.headers.get("Content-Range"), address)
            asked = part or (0, 0)
            if start != asked[0] or end - start + 1 > asked[1]:
                raise wrong_part(address, f"bytes {start} to {end}")
            length = end - start + 1
        # Some servers send the whole for a part; taken only where it is small enough to have been
        # asked.
        elif part is not None and not 0 <= length <= most:
            raise wrong_part(address, "the whole file")
        if length > most:
            raise too_much(address, length, most)
        body = self._read(response, most=most, address=address)
        # A connection that ends early looks like an end of file to many libraries.
        if 0 <= length != len(body):
            raise Passing(f"{len(body):,} of {length:,} bytes came")
        tag = str(response.headers.get("ETag") or response.headers.get("Last-Modified") or "")
        return Answer(response.status, body, start, max(total, -1), tag[:200], address)

    def _read(self, response: Any, *, most: int, address: str) -> bytes:
        pieces: list[bytes] = []
        size = 0
        # One piece as it comes: a read of fixed length would wait for a server that drips.
        while piece := response.read1(_CHUNK):
            pieces.append(piece)
            size += len(piece)
            self.counts.bytes += len(piece)
            if size > most:
                raise too_much(address, size, most)
        return b"".join(pieces)

    def _link(self, place: Place) -> Any:
        """The kept connection, or a new one to a machine that was checked."""
        wanted = (place.scheme, place.host, place.port)
        # One connection for hundreds of pieces: a new one costs as much as a piece.
        if self._kept is not None and self._kept[0] == wanted and self._kept[1].sock is not None:
            return self._kept[1]
        self.close()
        link = self._new_link(place)
        self._kept = (wanted, link)
        return link

    def _new_link(self, place: Place) -> Any:
        from urllib3.connection import HTTPConnection, HTTPSConnection

        silence = _SILENCE_S * self._pace
        proxy = proxy_for(place)
        if proxy is not None:
            link: Any = HTTPSConnection(
                *proxy, timeout=silence, ssl_context=self._context or ssl.create_default_context()
            )
            # Through the proxy, but encrypted to the server: an office filter sees the host and no
            # more.
            link.set_tunnel(place.host, place.port, scheme="http")
            return link
        machine = machine_of(place, self._resolve)
        if place.scheme == "http":
            # To the machine that was checked, not to the name: it could lead elsewhere by now.
            return HTTPConnection(machine, place.port, timeout=silence)
        return HTTPSConnection(
            machine,
            place.port,
            timeout=silence,
            ssl_context=self._context or ssl.create_default_context(),
            server_hostname=place.host,
            assert_hostname=place.host,
        )


@contextlib.contextmanager
def _deadline(link: Any, limit_s: float) -> Iterator[threading.Event]:
    """Cut the connection when the whole request lasts too long.

    A limit on silence alone does not end a request whose bytes, or headers, drip.
    """
    over = threading.Event()

    def cut() -> None:
        over.set()
        sock = link.sock
        if sock is not None:
            with contextlib.suppress(OSError):
                sock.shutdown(socket.SHUT_RDWR)

    timer = threading.Timer(limit_s, cut)
    # A program that ends must not wait for it.
    timer.daemon = True
    timer.start()
    try:
        yield over
        if over.is_set():
            raise Passing(f"it took more than {limit_s:.0f} s")
    finally:
        timer.cancel()


def _range_told(text: str | None, address: str) -> tuple[int, int, int]:
    """(first, last, total) of a Content-Range line; the total is -1 where it is not told."""
    words = (text or "").removeprefix("bytes ").replace("/", "-").split("-")
    try:
        first, last = int(words[0]), int(words[1])
        total = -1 if words[2] == "*" else int(words[2])
    except (ValueError, IndexError):
        raise wrong_part(address, "a part that it does not name") from None
    if not 0 <= first <= last or (total != -1 and last >= total):
        raise wrong_part(address, f"bytes {first} to {last} of {total}")
    return first, last, total


def _whole(text: str | None) -> int:
    return int(text) if text is not None and text.strip().isdigit() else -1
