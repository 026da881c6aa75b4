"""What a parcel costs a server, and what a country's extract costs this machine.

    python -m tests.speed.bench_gather

Requests and bytes of `siting gather` for pieces of land on the real open data, served as a
catalogue on the loopback address: tiles as they are, and tiles of the size of the real ones. Before
it an extract of a small country to layers, in seconds of processor and memory. The tables of
docs/gather.md.
"""

from __future__ import annotations

import resource
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import rasterio
from rasterio.transform import from_origin

from tests.gather.catalogue import cog, item, serve_search, serve_static
from tests.gather.server import Site, serving
from tests.gather.test_region import (
    GARDINER,
    GARDINER_POINT,
    WAKE,
    WAKE_POINT,
    catalogue,
    own_recipe,
    run,
)
from tests.real_places import DATA

EXTRACT = DATA / "osm-extract" / "andorra.osm.pbf"
WINDOW = "-110.7336,45.0186,-110.6764,45.0474"  # 4.5 x 3.2 km


def large_tile(source: Path, target: Path, cells: int, *, copies: bool) -> Path:
    """A tile of so many cells a side, made of the source side by side about its own place."""
    with rasterio.open(source) as dataset:
        values, profile = dataset.read(1), dataset.profile
        step, corner = dataset.transform.a, (dataset.transform.c, dataset.transform.f)
    rows, cols = values.shape
    # The copy that lies where the source lies is the middle one.
    up, left = (cells - rows) // 2 // rows, (cells - cols) // 2 // cols
    tiled = np.tile(values, (-(-cells // rows), -(-cells // cols)))[:cells, :cells]
    at = from_origin(corner[0] - left * cols * step, corner[1] + up * rows * step, step, step)
    flat = target.with_suffix(".large.tif")
    profile |= {"width": cells, "height": cells, "transform": at, "driver": "GTiff"}
    with rasterio.open(flat, "w", **profile) as out:
        out.write(tiled, 1)
    made = cog(flat, target, block=512, copies=copies)
    flat.unlink()
    return made


def large(site: Site, folder: Path, *, copies: bool) -> Path:
    """Gardiner as one tile of real size, elevation and classes; the recipe that names them."""
    pairs = (("dem", "dem_third_arcsec.tif", 3600), ("cover", "nlcd_2011.tif", 12_000))
    items = [
        item(site, large_tile(GARDINER / file, folder / f"large-{name}.tif", cells, copies=copies),
             name)
        for name, file, cells in pairs
    ]  # fmt: skip
    serve_search(site, items)
    serve_static(site, items)
    return own_recipe(site, GARDINER, folder, "search")


def cost(site: Site, folder: Path, *words: object) -> str:
    """Requests and bytes of one gathering, catalogue pages and rasters apart."""
    site.asked.clear()
    site.sent = 0
    start = time.process_time()
    run("gather", *words, "-o", folder, "--yes")
    pages = [a for a in site.asked if not a.startswith("/files/")]
    rasters = len(site.asked) - len(pages)
    took = time.process_time() - start
    return f"{len(pages)} | {rasters} | {site.sent / 1000:,.0f} | {took:.1f}"


def rows(folder: Path) -> Iterator[str]:
    """Rows of the table of requests."""
    made = folder / "made"
    made.mkdir()
    for name, place, point, radius in (
        ("degrees", GARDINER, GARDINER_POINT, 300), ("state plane", WAKE, WAKE_POINT, 400)
    ):  # fmt: skip
        with serving() as site:
            catalogue(site, place, made)
            for way in ("search", "items", "walk"):
                rules = own_recipe(site, place, made, way)
                told = cost(site, folder / f"{name}-{way}", "--point", point, "--radius", radius,
                            "--recipe", rules)  # fmt: skip
                yield f"| {name}, point and {radius} m, {way} | {told} |"
    for copies in (False, True):
        yield from large_rows(folder, made, copies=copies)


def large_rows(folder: Path, made: Path, *, copies: bool) -> Iterator[str]:
    """Rows of tiles of real size, with or without reduced copies inside."""
    with serving() as site:
        rules = large(site, made, copies=copies)
        sizes = [len(site.files[f"/files/large-{name}.tif"]) / 1e6 for name in ("dem", "cover")]
        inside = "with" if copies else "without"
        of = f"tiles {inside} copies, of {sizes[0]:.0f} and {sizes[1]:.0f} MB"
        for what, words in (("point and 300 m", ("--point", GARDINER_POINT, "--radius", 300)),
                            ("4.5 x 3.2 km", ("--bounds", WINDOW))):  # fmt: skip
            told = cost(site, folder / f"large-{inside}-{what[:5]}", *words, "--recipe", rules)
            yield f"| {of}, {what} | {told} |"


def extract(folder: Path) -> str:
    """Seconds of processor and memory of a country's extract to layers, in a process of its own."""
    before = resource.getrusage(resource.RUSAGE_CHILDREN)
    command = [sys.executable, "-m", "siting", "gather", "--osm", str(EXTRACT), "-o",
               str(folder / "country")]  # fmt: skip
    start = time.monotonic()
    done = subprocess.run(command, capture_output=True, text=True, check=True)
    clock = time.monotonic() - start
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    user = after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime
    del done
    return (f"{EXTRACT.name}: {user:.1f} s of processor, {clock:.1f} s by the clock, "
            f"{after.ru_maxrss / 1000:.0f} MB at most")  # fmt: skip


def main() -> None:
    """Print both."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        print(extract(folder), flush=True)
        print("| land | catalogue pages | raster requests | kB | s of processor |")
        print("|---|--:|--:|--:|--:|")
        for row in rows(folder):
            print(row, flush=True)


if __name__ == "__main__":
    main()
