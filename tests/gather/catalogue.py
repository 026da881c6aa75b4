"""A STAC catalogue of rasters on disk, as an interface with search and as static pages."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any
from urllib.parse import urlencode

import rasterio
from rasterio.shutil import copy as copy_raster
from rasterio.warp import transform_bounds
from rasterio.windows import Window

from tests.gather.server import Handler, Site


def cog(
    source: Path, target: Path, *, window: Window | None = None, block: int = 256,
    copies: bool = False,
) -> Path:  # fmt: skip
    """A cloud-optimised copy of a raster or of a window of it, cell for cell.

    `copies` puts reduced copies (overviews) of averaged cells into it.
    """
    with rasterio.open(source) as dataset:
        window = window or Window(0, 0, dataset.width, dataset.height)
        profile = dataset.profile | {
            "driver": "GTiff",
            "height": int(window.height),
            "width": int(window.width),
            "transform": dataset.window_transform(window),
            "tiled": True,
            "blockxsize": block,
            "blockysize": block,
            "compress": "deflate",
        }
        values = dataset.read(1, window=window)
        unit, colours = dataset.units[0], None
    del colours
    flat = target.with_suffix(".flat.tif")
    with rasterio.open(flat, "w", **profile) as out:
        out.write(values, 1)
        if unit:
            out.set_band_unit(1, unit)
    more = {"overview_resampling": "average"} if copies else {"overviews": "none"}
    copy_raster(flat, target, driver="COG", blocksize=block, compress="deflate", **more)
    flat.unlink()
    return target


def box_of(path: Path) -> list[float]:
    with rasterio.open(path) as dataset:
        return list(transform_bounds(dataset.crs, "EPSG:4326", *dataset.bounds))


def item(
    site: Site, path: Path, collection: str, *, asset: str = "data",
    when: str = "2021-01-01T00:00:00Z", **properties: Any,
) -> dict[str, Any]:  # fmt: skip
    """An item whose file is served."""
    address = f"/files/{path.name}"
    site.files[address] = path.read_bytes()
    return {
        "type": "Feature",
        "stac_version": "1.0.0",
        "id": path.stem,
        "collection": collection,
        "bbox": box_of(path),
        "geometry": None,
        "properties": {"datetime": when, **properties},
        "assets": {asset: {"href": site.base + address, "type": "image/tiff"}},
        "links": [],
    }


def serve_search(
    site: Site, items: list[dict[str, Any]], *, page: int = 100, keep: bool = False
) -> None:
    """GET /stac/search and /stac/collections/NAME/items by box, in pages."""

    def reply(handler: Handler) -> None:
        query = handler.query
        box = [float(v) for v in query["bbox"].split(",")]
        name = query.get("collections") or handler.path.split("/")[3]
        found = [
            i
            for i in items
            if i["collection"] == name
            and i["bbox"][0] <= box[2]
            and box[0] <= i["bbox"][2]
            and i["bbox"][1] <= box[3]
            and box[1] <= i["bbox"][3]
        ]
        start = int(query.get("at", 0))
        links = []
        if start + page < len(found):
            more = urlencode({**query, "at": start + page})
            links = [{"rel": "next", "href": f"{handler.path.split('?')[0]}?{more}"}]
        body = {"type": "FeatureCollection", "features": found[start : start + page]}
        handler.send(200, json.dumps({**body, "links": links}).encode())

    if "/stac/search" not in site.replies or not keep:
        site.replies["/stac/search"] = reply
    for name in {i["collection"] for i in items}:
        site.replies[f"/stac/collections/{name}/items"] = reply
        boxes = [i["bbox"] for i in items if i["collection"] == name]
        whole = [
            min(b[0] for b in boxes), min(b[1] for b in boxes),
            max(b[2] for b in boxes), max(b[3] for b in boxes),
        ]  # fmt: skip
        site.put_json(
            f"/stac/collections/{name}",
            {"type": "Collection", "id": name, "extent": {"spatial": {"bbox": [whole]}}},
        )


def serve_static(site: Site, items: list[dict[str, Any]]) -> None:
    """/static/catalog.json with collections and items, all links relative."""
    names = sorted({i["collection"] for i in items})
    site.put_json(
        "/static/catalog.json",
        {
            "type": "Catalog",
            "id": "root",
            "links": [{"rel": "child", "href": f"./{n}/collection.json"} for n in names],
        },
    )
    for name in names:
        own = [i for i in items if i["collection"] == name]
        site.put_json(
            f"/static/{name}/collection.json",
            {
                "type": "Collection",
                "id": name,
                "extent": {"spatial": {"bbox": [i["bbox"] for i in own]}},
                "links": [
                    {"rel": "parent", "href": "../catalog.json"},
                    *({"rel": "item", "href": f"./{i['id']}.json"} for i in own),
                ],
            },
        )
        for one in own:
            site.put_json(f"/static/{name}/{one['id']}.json", one)


RASTER = """
[{layer}]
title = "{title}"
publisher = "Example survey"
way = "{way}"
endpoint = "{endpoint}"
collection = "{collection}"
asset = "data"
hosts = ["127.0.0.1"]
licence = "CC-BY-4.0"
licence_url = "https://creativecommons.org/licenses/by/4.0/"
attribution = "\u00a9 Example survey, {title}"
short = "\u00a9 Example survey"
"""


def raster_recipe(layer: str, way: str, endpoint: str, collection: str, more: str = "") -> str:
    title = f"Test {layer.replace('_', ' ')}"
    text = RASTER.format(
        layer=layer, title=title, way=way, endpoint=endpoint, collection=collection
    )
    return text + more


def recipe(*rasters: str) -> str:
    head = 'title = "Test"\nchecked = 2026-11-26\nverified = "On the loopback address only."\n'
    return head + "".join(rasters)
