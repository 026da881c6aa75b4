"""Catalogues of rasters in the SpatioTemporal Asset Catalog form (STAC 1.0, and 0.9).

Two ways: a search interface (GET, by box and collection; further pages also by POST where the
catalogue wants it) and a static catalogue that is walked.
What a catalogue says is text and addresses of strangers: addresses go through the door, text is
shortened, and nothing in it names a file of ours.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from typing import Any
from urllib.parse import urlencode

from siting.disk.files import canonical_json
from siting.errors import SitingError
from siting.gather.network.addresses import joined, shown
from siting.gather.network.pages import Pages, bad_page

Box = tuple[float, float, float, float]
_MOST_SIGNS = 200


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
        asked = {"collections": [wanted.collection], "bbox": list(box), "limit": 100}
        for page, here in _linked(pages, address, asked if path == "search" else {}):
            for feature in _list(page, "features"):
                item = _item(feature, here, wanted, boxes)
                if item is not None:
                    found[item.key] = item
    return [found[key] for key in sorted(found)]


def _linked(
    pages: Pages, address: str, asked: Mapping[str, Any]
) -> Iterator[tuple[dict[str, Any], str]]:
    """A page and those that follow it; a request made twice ends the row.

    `asked` is what the first request asks for, as the body of a request by POST has it: a link may
    tell only what is to be changed in it (STAC API, "Pagination", merge).
    """
    seen: set[str] = set()
    body: Mapping[str, Any] | None = None
    while address and (key := canonical_json([address, body])) not in seen:
        seen.add(key)
        page = pages.get(address, body)
        yield page, address
        link = next((one for one in _list(page, "links") if one.get("rel") == "next"), {})
        address = joined(address, str(link.get("href", ""))) if link.get("href") else ""
        body = _body(link, asked, address) if address else None
        asked = body or asked


def _body(
    link: Mapping[str, Any], asked: Mapping[str, Any], address: str
) -> Mapping[str, Any] | None:
    """What is posted for the next page; None where it is asked for by GET.

    Headers that a link wants are never sent: they could be a key's.
    """
    method = str(link.get("method") or "GET").upper()
    if method == "GET":
        return None
    body = link.get("body", {})
    if method != "POST" or not isinstance(body, dict):
        raise bad_page(address, "asks for the next one in a way that is not of the standard")
    return {**asked, **body} if link.get("merge") is True else body


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
    href = str(asset["href"])
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
        if isinstance(one.get("href"), str) and one["href"]:
            return one
        raise SitingError(
            "E-STAC-04",
            f"Item {item} does not say where its file {wanted!r} lies.",
            rule="A catalogue names the address of each file (href).",
            cure="Report it to the catalogue's keeper; use another recipe in the meantime.",
        )
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
