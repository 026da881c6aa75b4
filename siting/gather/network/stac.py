"""Catalogues of rasters in the SpatioTemporal Asset Catalog form (STAC 1.0, and 0.9).

Two ways: a search interface (GET, by box and collection) and a static catalogue that is walked.
What a catalogue says is text and addresses of strangers: addresses go through the door, text is
shortened, and nothing in it names a file of ours.
"""

from __future__ import annotations

import json
import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any
from urllib.parse import urlencode

from siting.disk.files import make_folder, text_hash, write_atomic
from siting.errors import SitingError
from siting.gather.network.addresses import joined, shown
from siting.gather.network.net import Door

Box = tuple[float, float, float, float]
_PAGE_BYTES, _RUN_BYTES = 5_000_000, 200_000_000
# Far deeper than any catalogue: deeper pages are made to exhaust whoever reads them.
_MOST_DEPTH = 50
_MOST_PAGES = 2_000
_MOST_SIGNS = 200
_DAY_S = 86_400.0


@dataclass(frozen=True)
class Item:
    """One raster of a catalogue.

    Parameters
    ----------
    id : str
    address : str
        Whole address of its file.
    when : str
        Date as the catalogue states it, "" when it states none.
    box : (west, south, east, north) in degrees, or None
    checksum : str
        Multihash of the file as the catalogue states it, or "".
    properties : mapping of the item's own facts
    """

    id: str
    address: str
    when: str = ""
    box: Box | None = None
    checksum: str = ""
    properties: Mapping[str, Any] = field(default_factory=dict)

    @property
    def key(self) -> tuple[str, str]:
        """What tells it from others: catalogues give two tiles one name, or none."""
        # Without the query, which may be a signature that is another one on each page.
        return self.id, shown(self.address)


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

    def get(self, address: str) -> dict[str, Any]:
        """A page as a mapping.

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
        path = self._folder / f"{text_hash(address)[:32]}.page"
        text = self._kept(path)
        if text is None:
            answer = self._door.get(address, most=_PAGE_BYTES)
            text = answer.body
            page = _parsed(text, address)
            make_folder(self._folder)
            write_atomic(path, text)
        else:
            page = _parsed(text, address)
        self._bytes += len(text)
        if self._bytes > _RUN_BYTES:
            raise _bad_page(address, f"with the others is over {_RUN_BYTES / 1e6:.0f} MB")
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
        raise _bad_page(address, f"is nested more than {_MOST_DEPTH} deep")
    try:
        page = json.loads(text)
    except (ValueError, RecursionError):
        raise _bad_page(address, "is no JSON") from None
    if not isinstance(page, dict):
        raise _bad_page(address, "is no JSON object")
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


def _bad_page(address: str, why: str) -> SitingError:
    return SitingError(
        "E-STAC-01",
        f"The catalogue page {shown(address)} {why}.",
        rule=f"A page is JSON of at most {_PAGE_BYTES / 1e6:g} MB, as the STAC standard has it.",
        cure="Check the recipe's endpoint; another catalogue may have the same data.",
    )


@dataclass(frozen=True)
class Wanted:
    """What is asked of a catalogue: where, which collection, which file of an item, which items."""

    endpoint: str
    collection: str
    asset: str
    where: Mapping[str, Any] = field(default_factory=dict)
    rewrite: Mapping[str, str] = field(default_factory=dict)


def search(pages: Pages, wanted: Wanted, boxes: list[Box], *, path: str = "search") -> list[Item]:
    """Items of a searchable catalogue that touch the boxes, each once.

    `path` is "search" (STAC API) or "items" (older servers: the items of one collection).
    """
    found: dict[tuple[str, str], Item] = {}
    base = wanted.endpoint.rstrip("/")
    for box in boxes:
        query = {"bbox": ",".join(f"{v:.6f}" for v in box), "limit": "100"}
        if path == "search":
            address = f"{base}/search?{urlencode({'collections': wanted.collection, **query})}"
        else:
            address = f"{base}/collections/{wanted.collection}/items?{urlencode(query)}"
        for page, here in _linked(pages, address):
            for feature in _list(page, "features"):
                item = _item(feature, here, wanted, boxes)
                if item is not None:
                    found[item.key] = item
    return [found[key] for key in sorted(found)]


def _linked(pages: Pages, address: str) -> Iterator[tuple[dict[str, Any], str]]:
    """A page and those that follow it; an address met twice ends the row."""
    seen: set[str] = set()
    while address and address not in seen:
        seen.add(address)
        page = pages.get(address)
        yield page, address
        # Only by GET: what a catalogue wants posted is not sent.
        nexts = [
            link
            for link in _list(page, "links")
            if link.get("rel") == "next" and str(link.get("method", "GET")).upper() == "GET"
        ]
        address = joined(address, str(nexts[0].get("href", ""))) if nexts else ""


def walk(pages: Pages, wanted: Wanted, boxes: list[Box]) -> list[Item]:
    """Items of a static catalogue that touch the boxes: links are followed, each address once."""
    found: dict[tuple[str, str], Item] = {}
    seen: set[str] = set()
    waiting = [wanted.endpoint]
    while waiting:
        # Depth first, in the order of the links, so that items come up in the catalogue's own
        # order.
        address = waiting.pop()
        if address in seen:
            continue
        seen.add(address)
        page = pages.get(address)
        if page.get("type") == "Feature":
            item = _item(page, address, wanted, boxes)
            if item is not None:
                found[item.key] = item
        elif _may_hold(page, wanted, boxes):
            waiting += [
                joined(address, str(link.get("href", "")))
                for link in reversed(_list(page, "links"))
                if link.get("rel") in ("child", "item") and link.get("href")
            ]
    return [found[key] for key in sorted(found)]


def _may_hold(page: Mapping[str, Any], wanted: Wanted, boxes: list[Box]) -> bool:
    """Whether a collection is the one asked for and reaches the land; a catalogue always may."""
    if page.get("type") != "Collection" and "extent" not in page:
        return True
    if wanted.collection and page.get("id") != wanted.collection:
        return False
    try:
        told = page["extent"]["spatial"]["bbox"]
        extents = [_box(one) for one in told]
    except (KeyError, TypeError, ValueError):
        return True
    return any(_touch(extent, box) for extent in extents if extent for box in boxes)


def _item(
    feature: Mapping[str, Any], address: str, wanted: Wanted, boxes: list[Box]
) -> Item | None:
    """An item that fits, its file's address made whole; None when it is another or lies elsewhere.

    Raises
    ------
    SitingError
        E-STAC-04 when it lacks the file that is wanted.
    """
    box = _box(feature.get("bbox"))
    # An item without a box may lie anywhere: it is looked at, not passed over.
    if box is not None and not any(_touch(box, one) for one in boxes):
        return None
    of = feature.get("collection")
    if wanted.collection and isinstance(of, str) and of != wanted.collection:
        return None
    properties = feature.get("properties")
    properties = properties if isinstance(properties, dict) else {}
    if any(properties.get(key) != value for key, value in wanted.where.items()):
        return None
    name = _plain(feature.get("id")) or "without a name"
    asset = _asset(feature.get("assets"), wanted.asset, name)
    links = [v for v in _list(feature, "links") if v.get("rel") == "self" and v.get("href")]
    base = joined(address, str(links[0]["href"])) if links else address
    href = str(asset.get("href", ""))
    for start, new in wanted.rewrite.items():
        href = new + href[len(start) :] if href.startswith(start) else href
    return Item(
        name,
        joined(base, href),
        _plain(properties.get("datetime") or properties.get("start_datetime")),
        box,
        _plain(asset.get("file:checksum")),
        properties,
    )


def _asset(assets: Any, wanted: str, item: str) -> Mapping[str, Any]:
    every = assets if isinstance(assets, dict) else {}
    named = [key for key in sorted(every) if key == wanted or _fits(key, wanted)]
    if len(named) == 1 and isinstance(every[named[0]], dict):
        one: Mapping[str, Any] = every[named[0]]
        return one
    keys = ", ".join(_plain(key) for key in list(every)[:12]) or "none"
    raise SitingError(
        "E-STAC-04",
        f"Item {item} has {len(named) or 'no'} files {wanted!r}; it has {keys}.",
        rule="The recipe names the one file of each item that is wanted.",
        cure="Correct asset in the recipe; a surface model is no bare earth.",
    )


def _fits(key: str, wanted: str) -> bool:
    """Some catalogues name a file after its tile: "*_2_2056.tif" fits its ending."""
    return wanted.startswith("*") and len(wanted) > 1 and key.endswith(wanted[1:])


def _list(page: Mapping[str, Any], key: str) -> list[dict[str, Any]]:
    value = page.get(key)
    return [one for one in value if isinstance(one, dict)] if isinstance(value, list) else []


def _box(value: Any) -> Box | None:
    """(west, south, east, north) of a box of 4 or 6 numbers; None when it is none."""
    if not isinstance(value, list) or len(value) not in (4, 6):
        return None
    try:
        numbers = [float(v) for v in value]
    except (TypeError, ValueError):
        return None
    # Six numbers have heights between the corners.
    half = len(numbers) // 2
    ends = (numbers[0], numbers[1], numbers[half], numbers[half + 1])
    # Nothing can be said of a box that has no ends: its item is looked at.
    return ends if all(math.isfinite(v) for v in ends) else None


def _touch(one: Box, other: Box) -> bool:
    """Whether two boxes share ground; a box whose west is east of its east crosses 180 degrees."""
    if one[3] < other[1] or other[3] < one[1]:
        return False
    first = [(one[0], one[2])] if one[0] <= one[2] else [(one[0], 180.0), (-180.0, one[2])]
    second = (
        [(other[0], other[2])] if other[0] <= other[2] else [(other[0], 180.0), (-180.0, other[2])]
    )
    # Touching counts: a tile that only shares its edge with the land costs one look.
    return any(a[0] <= b[1] and b[0] <= a[1] for a in first for b in second)


def _plain(value: Any) -> str:
    """Foreign text: one line, no control characters, 200 signs at most."""
    text = "" if value is None else str(value)
    text = "".join(c if c.isprintable() else " " for c in text[: 4 * _MOST_SIGNS])
    return " ".join(text.split())[:_MOST_SIGNS]
