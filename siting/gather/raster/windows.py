"""Windows of GeoTIFFs, on disk or on the network, read cell for cell from the full resolution."""

from __future__ import annotations

import math
import warnings
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, TypeVar

import numpy as np
import rasterio
from affine import Affine
from numpy.typing import NDArray
from rasterio.errors import NotGeoreferencedWarning, RasterioError
from rasterio.io import DatasetReader
from rasterio.windows import Window

from siting.errors import SitingError
from siting.gather.network.addresses import shown
from siting.gather.network.pieces import Changed, Cursor, RemoteFile
from siting.read import library
from siting.read.raster import rasters
from siting.read.raster.notices import unreadable_notices_ignored
from siting.read.raster.rasters import RasterFacts, describe
from siting.settings.given.rasters import RasterInput

Found = TypeVar("Found")
_MOST_CELLS = 400_000_000


@dataclass(frozen=True)
class Tile:
    """One raster file that a layer may be made of.

    Parameters
    ----------
    id : str
        Name for people.
    facts : RasterFacts
        What it says of itself.
    remote : RemoteFile or None
    path : str
        Of a file on disk, "" for one on the network.
    edition : str
        Which edition it belongs to, "" when all are of one.
    when, checksum : str
        As the catalogue states them.
    level, factor : int
        Which reduced copy inside the file it stands for, and cells of the file to one of its own,
        a side; -1 and 1 for the file's own cells.
    """

    id: str
    facts: RasterFacts
    remote: RemoteFile | None = None
    path: str = ""
    edition: str = ""
    when: str = ""
    checksum: str = ""
    level: int = -1
    factor: int = 1


@contextmanager
def opened(
    path: str, remote: RemoteFile | None, *, key: str, level: int = -1
) -> Iterator[DatasetReader]:
    """An open raster of the disk or the network, or one of its reduced copies by its level.

    Only GeoTIFF from the network, and of a file on disk only its own cells.

    A file that came over the network may say of itself that it is anything: the one driver is
    named, so that it can neither point to other files nor to other addresses.
    """
    if remote is None:
        with rasters.opened(path, key=key, spec=RasterInput(file=path)) as dataset:
            yield dataset
        return
    # A name that nobody could have chosen: no file beside ours is ever taken for it.
    name = f"{remote.kept.path.stem}.tif"

    def opener(asked: str, mode: str = "r") -> Any:
        # The library also looks for files beside the raster; there are none.
        if Path(asked).name != name or mode not in ("r", "rb"):
            raise FileNotFoundError(asked)
        return Cursor(remote)

    try:
        with (
            rasterio.Env(**library.AS_WRITTEN),
            warnings.catch_warnings(),
            unreadable_notices_ignored(),
        ):
            # Told by `describe`, in words a user can act on.
            warnings.simplefilter("ignore", NotGeoreferencedWarning)
            # Its own cells, or the one copy asked for: the library never chooses by itself.
            chosen = {"OVERVIEW_LEVEL": str(level)} if level >= 0 else {}
            with rasterio.open(name, "r", driver="GTiff", opener=opener, **chosen) as dataset:
                yield dataset
    except (RasterioError, OSError) as error:
        if remote.fault is not None:
            raise remote.fault from None
        # Its pieces are of a damaged file: when its keeper has put it right they are asked anew.
        remote.kept.clear()
        raise SitingError(
            "E-FILE-02",
            f"{shown(remote.address)} cannot be read as a GeoTIFF: {str(error)[:200]}.",
            rule="A raster of a catalogue must be complete.",
            cure="Run again later, or report it to the catalogue's keeper and use another recipe.",
        ) from error
    finally:
        fault, remote.fault = remote.fault, None
        if fault is not None:
            raise fault


def unchanged(remote: RemoteFile | None, action: Callable[[], Found]) -> Found:
    """Do something with a file; when it changes at the server meanwhile, begin it once again.

    Raises
    ------
    SitingError
        E-CHANGED-01 when it changes a second time.
    """
    try:
        return action()
    except Changed:
        if remote is None:
            raise
        remote.kept.clear()
    try:
        return action()
    except Changed:
        raise SitingError(
            "E-CHANGED-01",
            f"{shown(remote.address)} changed twice while it was being read.",
            rule="All pieces of a raster must be of one state.",
            cure="Wait until its publisher has finished, then run the same command again.",
        ) from None


def facts_of(
    path: str, remote: RemoteFile | None, spec: RasterInput, *, key: str, name: str
) -> RasterFacts:
    """What a raster says of itself; from the network this takes its header alone."""

    def look() -> RasterFacts:
        with opened(path, remote, key=key) as dataset:
            return replace(describe(dataset, spec, key=key), file=name)

    return unchanged(remote, look)


def reduced_facts(facts: RasterFacts, factor: int) -> RasterFacts:
    """The facts of a raster as its reduced copy has them; `factor` divides both sides."""
    rows, cols = facts.shape
    return replace(
        facts,
        shape=(rows // factor, cols // factor),
        transform=facts.transform @ Affine.scale(factor),
        cell_m=facts.cell_m * factor,
    )


def parts_of(
    dataset: DatasetReader, band: int, window: Window, *, level: int = -1
) -> list[tuple[int, int]]:
    """(offset, bytes) of the stored blocks under a window, from the file's own index.

    `dataset` is open at the same level: -1 for the cells themselves, else that reduced copy.
    """
    rows, cols = dataset.block_shapes[band - 1]
    out = []
    for down in range(
        int(window.row_off) // rows, math.ceil((window.row_off + window.height) / rows)
    ):
        for across in range(
            int(window.col_off) // cols, math.ceil((window.col_off + window.width) / cols)
        ):
            at = dataset.get_tag_item(f"BLOCK_OFFSET_{across}_{down}", "TIFF", bidx=band)
            size = dataset.get_tag_item(f"BLOCK_SIZE_{across}_{down}", "TIFF", bidx=band)
            if at and size:
                out.append((int(at), int(size)))
    return out


def bytes_to_come(tile: Tile, window: Window, *, key: str) -> int:
    """Bytes that a window of a tile will take from the network, beyond those that are here."""
    remote = tile.remote
    if remote is None:
        return 0

    def look() -> int:
        with opened(tile.path, remote, key=key, level=tile.level) as dataset:
            parts = parts_of(dataset, tile.facts.band, window, level=tile.level)
        return remote.missing(parts)

    return unchanged(remote, look)


def read_window(tile: Tile, window: Window, *, key: str) -> tuple[NDArray[Any], NDArray[np.bool_]]:
    """(values as stored, where they are known), both (rows, cols)."""
    if window.width * window.height > _MOST_CELLS:
        raise too_large(int(window.height), int(window.width), tile.id)

    def read() -> tuple[NDArray[Any], NDArray[np.bool_]]:
        with opened(tile.path, tile.remote, key=key, level=tile.level) as dataset:
            if tile.remote is not None:
                # All that is needed in few requests, neighbours together.
                parts = parts_of(dataset, tile.facts.band, window, level=tile.level)
                tile.remote.need(parts)
            raw = dataset.read(tile.facts.band, window=window, masked=True)
        values, known = np.ma.getdata(raw), ~np.ma.getmaskarray(raw)
        # What is no number is no height, whether the file declares it or not.
        return values, known & np.isfinite(values)

    return unchanged(tile.remote, read)


def too_large(rows: int, cols: int, what: str) -> SitingError:
    """E-SIZE-02 for a window that would fill the machine."""
    return SitingError(
        "E-SIZE-02",
        f"{what}: {rows:,} x {cols:,} cells lie under this region.",
        rule=f"At most {_MOST_CELLS:,} cells are held at once.",
        cure="Gather a smaller region or margin, or coarser data.",
    )
