"""Pages of a catalogue: JSON from the network, kept for a day, within limits of size and number."""

from __future__ import annotations

import json
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from siting.disk.files import canonical_json, make_folder, text_hash, write_atomic
from siting.errors import SitingError
from siting.gather.network.addresses import shown
from siting.gather.network.net import Door

_PAGE_BYTES, _RUN_BYTES = 5_000_000, 200_000_000
# A token of a page has some hundred signs; what we send back is never a catalogue's to fill.
_BODY_BYTES = 20_000
# Far deeper than any catalogue: deeper pages are made to exhaust whoever reads them.
_MOST_DEPTH = 50
_MOST_PAGES = 2_000
_DAY_S = 86_400.0


class Pages:
    """Catalogue pages, each asked for once a day at most.

    Parameters
    ----------
    door : Door
    folder : Path
        Where pages are kept.
    now : float
        Seconds since 1970.
    """

    def __init__(self, door: Door, folder: Path, *, now: float) -> None:
        self._door = door
        self._folder = folder
        self._now = now
        self._seen = 0
        self._bytes = 0

    def get(self, address: str, body: Mapping[str, Any] | None = None) -> dict[str, Any]:
        """A page as a mapping; with a body it is asked for by POST.

        Raises
        ------
        SitingError
            E-STAC-01 when it is none, E-STAC-02 when too many were asked for, E-NET-07 for a web
            page.
        """
        self._seen += 1
        if self._seen > _MOST_PAGES:
            raise SitingError(
                "E-STAC-02",
                f"After {_MOST_PAGES:,} pages the catalogue has no end ({shown(address)}).",
                rule=f"At most {_MOST_PAGES:,} pages are read.",
                cure="Name the collection in the recipe, or use a catalogue that can be searched.",
            )
        sent = None if body is None else canonical_json(body).encode()
        if sent is not None and len(sent) > _BODY_BYTES:
            raise bad_page(address, f"asks to be sent {len(sent):,} bytes for the next")
        path = self._folder / f"{text_hash(f'{address} {sent!r}' if sent else address)[:32]}.page"
        text = self._kept(path)
        if text is None:
            answer = self._door.get(address, most=_PAGE_BYTES, body=sent)
            text = answer.body
            page = _parsed(text, address)
            make_folder(self._folder)
            write_atomic(path, text)
        else:
            page = _parsed(text, address)
        self._bytes += len(text)
        if self._bytes > _RUN_BYTES:
            raise bad_page(address, f"with the others is over {_RUN_BYTES / 1e6:.0f} MB")
        return page

    def _kept(self, path: Path) -> bytes | None:
        try:
            # A day: catalogues grow by the week, and a run that is begun again must not ask anew.
            if abs(self._now - path.stat().st_mtime) < _DAY_S:
                return path.read_bytes()
        except OSError:
            return None
        return None


def _parsed(text: bytes, address: str) -> dict[str, Any]:
    head = text[:200].lstrip()
    if head.startswith((b"<", b"\xef\xbb\xbf<")):
        raise SitingError(
            "E-NET-07",
            f"{shown(address)} sent a web page.",
            rule="A catalogue page is JSON.",
            cure="The server may want a login, or the recipe names the wrong address.",
        )
    if _depth(text) > _MOST_DEPTH:
        raise bad_page(address, f"is nested more than {_MOST_DEPTH} deep")
    try:
        page = json.loads(text)
    except (ValueError, RecursionError):
        raise bad_page(address, "is no JSON") from None
    if not isinstance(page, dict):
        raise bad_page(address, "is no JSON object")
    return page


def _depth(text: bytes) -> int:
    """How deep brackets are nested; those in strings count, too, which errs on the safe side."""
    # Counted before it is parsed: Python's reader would end with an error of its own, or not at
    # all.
    deep = most = 0
    for sign in text:
        if sign in b"[{":
            deep += 1
            most = max(most, deep)
        elif sign in b"]}":
            deep -= 1
    return most


def bad_page(address: str, why: str) -> SitingError:
    """E-STAC-01 for a page that is not what a catalogue may send."""
    return SitingError(
        "E-STAC-01",
        f"The catalogue page {shown(address)} {why}.",
        rule=f"A page is JSON of at most {_PAGE_BYTES / 1e6:g} MB, as the STAC standard has it.",
        cure="Check the recipe's endpoint; another catalogue may have the same data.",
    )
