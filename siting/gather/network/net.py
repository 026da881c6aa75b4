"""The one door to the network. Nothing else in the program opens a connection.

One request at a time, to allowed hosts, within a time that is set for the whole request. GDAL
never sees an address: rasters are read from pieces that came through here.
"""

from __future__ import annotations

import contextlib
import email.utils
import random
import socket
import ssl
import threading
import time
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field
from typing import Any
from urllib.parse import urljoin, urlsplit
from urllib.request import getproxies, proxy_bypass

from siting import __version__
from siting.errors import ResourceError, SitingError
from siting.gather.network.addresses import (
    LOOPBACK,
    Place,
    Resolver,
    addresses_of,
    checked,
    machine_of,
    shown,
)

_TRIES = 4
_PAUSES_S = (1.0, 2.0, 4.0)
_MOST_RETRY_AFTER_S = 60.0
_MOST_REDIRECTS = 3
_FIRST_S, _SLOWEST_BYTES_S = 20.0, 20_000.0
_SILENCE_S = 10.0
_CHUNK = 65_536
_AGENT = f"siting/{__version__} (reads small windows of open map data, one request at a time)"
_PASSING = {429, 500, 502, 503, 504}
_REDIRECTS = {301, 302, 303, 307, 308}


class _Passing(Exception):
    """A failure that may be gone in a moment; `wait_s` is what the server asked for."""

    def __init__(self, why: str, wait_s: float = 0.0) -> None:
        super().__init__(why)
        self.why = why
        self.wait_s = wait_s


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

    def get(self, address: str, *, most: int, part: tuple[int, int] | None = None) -> Answer:
        """The content of an address, or of a part of it.

        Parameters
        ----------
        address : str
        most : int
            Bytes that the answer may have at most.
        part : (start, length) or None
            Bytes that are wanted.

        Raises
        ------
        SitingError
            E-NET-01 to E-NET-07, E-SIZE-01.
        """
        for attempt in range(_TRIES):
            try:
                return self._followed(address, most=most, part=part)
            except _Passing as failure:
                self.close()
                if attempt == _TRIES - 1:
                    raise _gave_up(address, failure.why) from None
                pause = max(_PAUSES_S[attempt] * random.uniform(1.0, 1.25), failure.wait_s)
                self._pause(pause * self._pace)
        raise _gave_up(address, "no answer")

    def close(self) -> None:
        """Close the connection that was kept for the next request."""
        if self._kept is not None:
            self._kept[1].close()
            self._kept = None

    def _followed(self, address: str, *, most: int, part: tuple[int, int] | None) -> Answer:
        came_from = ""
        for _ in range(_MOST_REDIRECTS + 1):
            place = checked(address, hosts=self.hosts, came_from=came_from)
            outcome = self._once(place, address, most=most, part=part)
            if isinstance(outcome, Answer):
                return outcome
            if place.scheme == "https" and urlsplit(outcome).scheme == "http":
                raise _not_safe(address, outcome)
            came_from, address = place.host, outcome
        raise SitingError(
            "E-NET-03",
            f"{shown(address)} redirects again and again: more than {_MOST_REDIRECTS} times.",
            rule=f"At most {_MOST_REDIRECTS} redirects are followed.",
            cure="The server is set up wrongly; try again another day or use another recipe.",
        )

    def _once(
        self, place: Place, address: str, *, most: int, part: tuple[int, int] | None
    ) -> Answer | str:
        """The answer, or the address that the server leads to."""
        limit_s = (_FIRST_S + (part[1] if part else most) / _SLOWEST_BYTES_S) * self._pace
        try:
            link = self._link(place)
            with _deadline(link, limit_s) as over:
                try:
                    return self._asked(link, place, address, most=most, part=part)
                except SitingError:
                    self.close()
                    raise
                except _Passing:
                    raise
                except Exception as error:
                    if over.is_set():
                        raise _Passing(f"it took more than {limit_s:.0f} s") from None
                    raise _translated(error, place) from error
        except (SitingError, _Passing):
            raise
        except Exception as error:
            raise _translated(error, place) from error

    def _asked(
        self, link: Any, place: Place, address: str, *, most: int, part: tuple[int, int] | None
    ) -> Answer | str:
        headers = {"Host": place.authority, "User-Agent": _AGENT, "Accept-Encoding": "identity"}
        if part is not None:
            headers["Range"] = f"bytes={part[0]}-{part[0] + part[1] - 1}"
        if self._key is not None and self._key.host == place.host:
            headers[self._key.header] = self._key.value
        self.counts.requests += 1
        link.request("GET", place.path, headers=headers, preload_content=False)
        response = link.getresponse()
        if response.status in _REDIRECTS and response.headers.get("Location"):
            self.close()
            return str(urljoin(address, response.headers["Location"]))
        if response.status not in (200, 206):
            self.close()
            raise _refused(response.status, response.headers, address)
        return self._content(response, address, most=most, part=part)

    def _content(
        self, response: Any, address: str, *, most: int, part: tuple[int, int] | None
    ) -> Answer:
        length = _whole(response.headers.get("Content-Length"))
        start, total = 0, length
        if response.status == 206:
            start, end, total = _range_told(response.headers.get("Content-Range"), address)
            asked = part or (0, 0)
            if start != asked[0] or end - start + 1 > asked[1]:
                raise _wrong_part(address, f"bytes {start} to {end}")
            length = end - start + 1
        elif part is not None and not 0 <= length <= most:
            raise _wrong_part(address, "the whole file")
        if length > most:
            raise _too_much(address, length, most)
        body = self._read(response, most=most, address=address)
        if 0 <= length != len(body):
            raise _Passing(f"{len(body):,} of {length:,} bytes came")
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
                raise _too_much(address, size, most)
        return b"".join(pieces)

    def _link(self, place: Place) -> Any:
        """The kept connection, or a new one to a machine that was checked."""
        wanted = (place.scheme, place.host, place.port)
        if self._kept is not None and self._kept[0] == wanted and self._kept[1].sock is not None:
            return self._kept[1]
        self.close()
        link = self._new_link(place)
        self._kept = (wanted, link)
        return link

    def _new_link(self, place: Place) -> Any:
        from urllib3.connection import HTTPConnection, HTTPSConnection

        silence = _SILENCE_S * self._pace
        proxy = _proxy_for(place)
        if proxy is not None:
            link: Any = HTTPSConnection(
                *proxy, timeout=silence, ssl_context=self._context or ssl.create_default_context()
            )
            link.set_tunnel(place.host, place.port, scheme="http")
            return link
        machine = machine_of(place, self._resolve)
        if place.scheme == "http":
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
    timer.daemon = True
    timer.start()
    try:
        yield over
        if over.is_set():
            raise _Passing(f"it took more than {limit_s:.0f} s")
    finally:
        timer.cancel()


def _proxy_for(place: Place) -> tuple[str, int] | None:
    """The proxy that the environment names for a host; none for this machine."""
    if place.host in LOOPBACK or proxy_bypass(place.host):
        return None
    found = getproxies().get(place.scheme)
    if not found:
        return None
    parts = urlsplit(found if "://" in found else f"http://{found}")
    return (parts.hostname or "", parts.port or 8080)


def _range_told(text: str | None, address: str) -> tuple[int, int, int]:
    """(first, last, total) of a Content-Range line; the total is -1 where it is not told."""
    words = (text or "").removeprefix("bytes ").replace("/", "-").split("-")
    try:
        first, last = int(words[0]), int(words[1])
        total = -1 if words[2] == "*" else int(words[2])
    except (ValueError, IndexError):
        raise _wrong_part(address, "a part that it does not name") from None
    if not 0 <= first <= last or (total != -1 and last >= total):
        raise _wrong_part(address, f"bytes {first} to {last} of {total}")
    return first, last, total


def _whole(text: str | None) -> int:
    return int(text) if text is not None and text.strip().isdigit() else -1


_USUALLY = {
    401: "a key is needed, or the one given is not accepted",
    403: "a key is needed, or there is no such file",
    404: "there is no such file: it was moved, or no tile lies there",
    410: "the file was taken away for good",
}


def _refused(status: int, headers: Mapping[str, str], address: str) -> Exception:
    if status in _PASSING:
        return _Passing(f"it answered {status}", _retry_after(headers.get("Retry-After")))
    return Refused(
        "E-NET-03",
        f"{shown(address)} was refused with status {status}"
        + (f": usually {_USUALLY[status]}." if status in _USUALLY else "."),
        rule="A catalogue must name files that can be downloaded.",
        cure="Check the recipe, or wait for its keeper to correct the catalogue.",
        status=status,
    )


class Refused(SitingError):
    """E-NET-03 with its status: a missing tile can be sea, a missing key cannot."""

    def __init__(self, code: str, what: str, *, rule: str, cure: str, status: int = 0) -> None:
        super().__init__(code, what, rule=rule, cure=cure)
        self.status = status


def _retry_after(text: str | None) -> float:
    """Seconds that a server asks to wait, 60 at most."""
    if not text:
        return 0.0
    try:
        wait = float(text)
    except ValueError:
        try:
            wait = email.utils.parsedate_to_datetime(text).timestamp() - time.time()
        except (TypeError, ValueError):
            return 0.0
    return min(max(wait, 0.0), _MOST_RETRY_AFTER_S) if wait == wait else 0.0


def _translated(error: Exception, place: Place) -> Exception:
    """What a library's failure means: gone in a moment, or no network at all."""
    text = str(error)
    names = {kind.__name__ for kind in type(error).__mro__}
    if names & {"SSLCertVerificationError", "CertificateError"} or "CERTIFICATE_VERIFY" in text:
        return _no_network(
            place,
            "its certificate cannot be verified",
            "An office filter needs its certificate known: name the file in SSL_CERT_FILE.",
        )
    if names & {"gaierror", "NameResolutionError"}:
        return _no_network(place, "its name is not known", "Check the connection and the name.")
    if names & {"ProxyError"} or "Tunnel" in text:
        return _no_network(place, "the proxy refused", "Check the variable HTTPS_PROXY.")
    if names & {"ConnectionRefusedError", "NewConnectionError"} and "timed out" not in text:
        return _no_network(place, "no connection was made", "Check the connection, then run again.")
    if isinstance(error, OSError) and not names & {"TimeoutError", "ConnectionError", "SSLError"}:
        return _no_network(place, "no connection was made", "Check the connection, then run again.")
    if names & {"OSError", "HTTPError", "HTTPException", "SSLError"}:
        return _Passing("the answer broke off or did not come")
    return error


def _no_network(place: Place, why: str, cure: str) -> SitingError:
    return ResourceError(
        "E-NET-05",
        f"{place.host} cannot be reached: {why}.",
        rule="Gathering needs the network; everything else works without it.",
        cure=cure,
    )


def _gave_up(address: str, why: str) -> SitingError:
    return ResourceError(
        "E-NET-04",
        f"{shown(address)} did not send a complete answer in time, {_TRIES} times: {why}.",
        rule="Data are used when they are complete, or not at all.",
        cure="Try again in a while with the same command: what has arrived is kept.",
    )


def _wrong_part(address: str, came: str) -> SitingError:
    return SitingError(
        "E-NET-06",
        f"{shown(address)}: {came} came instead of the part that was asked for.",
        rule="A large file is read by parts (HTTP ranges, RFC 9110); the part must be the one "
        "asked.",
        cure="Download the file by hand and give it with --dem or --land-cover.",
    )


def _too_much(address: str, size: int, most: int) -> SitingError:
    return SitingError(
        "E-SIZE-01",
        f"{shown(address)} would send {size / 1e6:,.1f} MB.",
        rule=f"At most {most / 1e6:,.1f} MB were expected here.",
        cure="Check the recipe; for a larger region raise --most-mb.",
    )


def _not_safe(address: str, target: str) -> SitingError:
    return SitingError(
        "E-NET-01",
        f"{shown(address)} leads to {shown(target)!r}, which is not an https address.",
        rule="A safe connection never leads to an unsafe one.",
        cure="Correct the recipe, or report it to the keeper of the catalogue.",
    )
