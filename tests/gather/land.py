"""Invented rasters in tiles, and a catalogue of them, for tests that need no real data."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import rasterio
from affine import Affine
from click.testing import CliRunner, Result

from siting.cli.main import siting
from tests.gather.catalogue import item, raster_recipe, recipe, serve_search, serve_static
from tests.gather.server import Site

CRS = "EPSG:32617"
LEFT, TOP = 540_000.0, 4_770_000.0
POINT = "-80.472,43.0545"
"""In the middle of the invented land, 6 km a side."""
SIDE = 200
CELL = 30.0


def heights(rows: int = SIDE, cols: int = SIDE, *, row0: int = 0, col0: int = 0) -> np.ndarray:
    """Rolling hills; the same ground wherever the window begins."""
    y, x = np.mgrid[row0 : row0 + rows, col0 : col0 + cols]
    rise = 300 + 25 * np.sin(x / 9.0) * np.cos(y / 11.0) + 8 * np.sin((x + 2 * y) / 5.0)
    return rise.astype("float32")


def classes(rows: int = SIDE, cols: int = SIDE) -> np.ndarray:
    y, x = np.mgrid[0:rows, 0:cols]
    return np.where(np.sin(x / 7.0) + np.sin(y / 6.0) > 0, 41, 81).astype("uint8")


def write(
    path: Path, values: np.ndarray, *, left: float = LEFT, top: float = TOP, cell: float = CELL,
    crs: str = CRS, nodata: float | None = None, unit: str = "m", **more: Any,
) -> Path:  # fmt: skip
    """A small tiled GeoTIFF."""
    with rasterio.open(
        path, "w", driver="GTiff", height=values.shape[0], width=values.shape[1], count=1,
        dtype=values.dtype, crs=crs, transform=Affine(cell, 0, left, 0, -cell, top),
        nodata=nodata, tiled=True, blockxsize=64, blockysize=64, compress="deflate", **more,
    ) as file:  # fmt: skip
        file.write(values, 1)
        if unit:
            file.set_band_unit(1, unit)
    return path


def halves(folder: Path, *, east: Callable[[np.ndarray], np.ndarray] | None = None,
           **more: Any) -> list[Path]:  # fmt: skip
    """The land in two tiles, the eastern one changed where asked."""
    whole = heights()
    cut = SIDE // 2 + 3
    right = whole[:, cut:] if east is None else east(whole[:, cut:])
    one = write(folder / "west.tif", whole[:, :cut])
    two = write(folder / "east.tif", right, **{"left": LEFT + cut * CELL, **more})
    return [one, two]


def cover(folder: Path) -> Path:
    return write(folder / "cover.tif", classes(), nodata=250, unit="")


def items_of(site: Site, folder: Path) -> list[dict[str, Any]]:
    """The usual catalogue: elevation in two tiles, land cover in one."""
    items = [item(site, path, "dem") for path in halves(folder)]
    return [*items, item(site, cover(folder), "cover")]


def serve(site: Site, items: list[dict[str, Any]], *, keep: bool = False) -> None:
    serve_search(site, items, keep=keep)
    serve_static(site, items)


def rules(
    site: Site, folder: Path, *, way: str = "search", dem: str = "", land_cover: str = "",
    end: str = "",
) -> Path:  # fmt: skip
    """A recipe of the catalogue, with lines of the test's own."""
    end = end or (f"{site.base}/static/catalog.json" if way == "walk" else f"{site.base}/stac")
    text = recipe(
        raster_recipe("dem", way, end, "dem", f'surface = "no"\n{dem}'),
        raster_recipe("land_cover", way, end, "cover", f'legend = "nlcd"\n{land_cover}'),
    )
    path = folder / "own.toml"
    path.write_text(text, encoding="utf-8")
    return path


def gather(
    out: Path, recipe_file: Path, *more: object, point: str = POINT, radius: int = 300
) -> Result:
    """Run the command as a user would."""
    place = ("--point", point, "--radius", radius)
    return gather_words(*place, "-o", out, "--recipe", recipe_file, *more)


def gather_words(*words: object) -> Result:
    """Run the command with these words."""
    return CliRunner().invoke(siting, ["gather", *(str(word) for word in words)])


def files_in(folder: Path) -> dict[str, bytes]:
    """Every file below a folder that is not ours for waiting."""
    return {
        str(p.relative_to(folder)): p.read_bytes()
        for p in sorted(folder.rglob("*"))
        if p.is_file() and not p.relative_to(folder).parts[0].startswith(".")
    }
