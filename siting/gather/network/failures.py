"""What a failure on the network means: gone in a moment, for good, or no network at all."""

from __future__ import annotations

import email.utils
import time
from collections.abc import Mapping

from siting.errors import ResourceError, SitingError
from siting.gather.network.addresses import (
    Place,
    shown,
)

TRIES = 4
_MOST_RETRY_AFTER_S = 60.0
_PASSING = {429, 500, 502, 503, 504}


class Passing(Exception):
    """A failure that may be gone in a moment; `wait_s` is what the server asked for."""

    def __init__(self, why: str, wait_s: float = 0.0) -> None:
        super().__init__(why)
        self.why = why
        self.wait_s = wait_s


_USUALLY = {
    401: "a key is needed, or the one given is not accepted",
    403: "a key is needed, or there is no such file",
    404: "there is no such file: it was moved, or no tile lies there",
    410: "the file was taken away for good",
}


def refused(status: int, headers: Mapping[str, str], address: str) -> Exception:
    if status in _PASSING:
        return Passing(f"it answered {status}", _retry_after(headers.get("Retry-After")))
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
    # A minute at most: nobody sits before a program that waits for an hour without a word.
    return min(max(wait, 0.0), _MOST_RETRY_AFTER_S) if wait == wait else 0.0


def translated(error: Exception, place: Place) -> Exception:
    """What a library's failure means: gone in a moment, or no network at all."""
    text = str(error)
    names = {kind.__name__ for kind in type(error).__mro__}
    # By the names of their classes: urllib3 wraps, and moves its classes from version to version.
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
    # Whatever else breaks on the way may be gone at the next try.
    if names & {"OSError", "HTTPError", "HTTPException", "SSLError"}:
        return Passing("the answer broke off or did not come")
    return error


def _no_network(place: Place, why: str, cure: str) -> SitingError:
    return ResourceError(
        "E-NET-05",
        f"{place.host} cannot be reached: {why}.",
        rule="Gathering needs the network; everything else works without it.",
        cure=cure,
    )


def gave_up(address: str, why: str) -> SitingError:
    return ResourceError(
        "E-NET-04",
        f"{shown(address)} did not send a complete answer in time, {TRIES} times: {why}.",
        rule="Data are used when they are complete, or not at all.",
        cure="Try again in a while with the same command: what has arrived is kept.",
    )


def wrong_part(address: str, came: str) -> SitingError:
    return SitingError(
        "E-NET-06",
        f"{shown(address)}: {came} came instead of the part that was asked for.",
        rule="A large file is read by parts (HTTP ranges, RFC 9110); the part must be the one "
        "asked.",
        cure="Download the file by hand and give it with --dem or --land-cover.",
    )


def too_much(address: str, size: int, most: int) -> SitingError:
    return SitingError(
        "E-SIZE-01",
        f"{shown(address)} would send {size / 1e6:,.1f} MB.",
        rule=f"At most {most / 1e6:,.1f} MB were expected here.",
        cure="Check the recipe; for a larger region raise --most-mb.",
    )


def not_safe(address: str, target: str) -> SitingError:
    return SitingError(
        "E-NET-01",
        f"{shown(address)} leads to {shown(target)!r}, which is not an https address.",
        rule="A safe connection never leads to an unsafe one.",
        cure="Correct the recipe, or report it to the keeper of the catalogue.",
    )
