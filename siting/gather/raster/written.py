"""A joined raster as a file: the lattice, number type and codes of its source, and its line."""

from __future__ import annotations

from typing import Any

import numpy as np
from affine import Affine
from numpy.typing import NDArray
from rasterio.io import MemoryFile

from siting.errors import SitingError
from siting.gather.raster.tiles import Mosaic
from siting.types import BoolArray

_CLASS_NODATA = (255, 0, 254)
_HEIGHT_NODATA = -9999.0


def missing_value(
    values: NDArray[Any], known: BoolArray, mosaic: Mosaic, *, declared: Any
) -> float | int | None:
    """The number that stands for "no data" in the file: the source's own where it has one.

    Raises
    ------
    SitingError
        E-NODATA-01 when there are holes and every candidate is a value in use.
    """
    own = mosaic.first.no_data
    if own is not None:
        return own
    if isinstance(declared, float):
        return declared
    if known.all():
        return None
    if np.issubdtype(values.dtype, np.floating):
        return float("nan")
    # A number that a class or a height has would make holes of good cells.
    used = set(np.unique(values[known]).tolist())
    limits = np.iinfo(values.dtype)
    wanted = (*_CLASS_NODATA, int(_HEIGHT_NODATA), int(limits.min), int(limits.max))
    for value in wanted:
        if limits.min <= value <= limits.max and value not in used:
            return value
    raise SitingError(
        "E-NODATA-01",
        f"{mosaic.first.file} has holes and no number is free to mark them.",
        rule="Unknown cells need a value that no other cell has.",
        cure="Declare nodata in the recipe.",
    )


def tiff(
    values: NDArray[Any], known: BoolArray, *, crs: str, transform: Affine,
    nodata: float | int | None, unit: str, source: str, attribution: str,
    scale: tuple[float, float] = (1.0, 0.0),
) -> bytes:  # fmt: skip
    """A GeoTIFF: 256-cell tiles, deflate, the same bytes for the same cells."""
    out = values
    if nodata is not None and not known.all():
        out = values.copy()
        out[~known] = nodata
    rows, cols = out.shape

    with MemoryFile() as memory:
        with memory.open(
            driver="GTiff",
            height=rows,
            width=cols,
            count=1,
            dtype=out.dtype,
            crs=crs,
            transform=transform,
            nodata=nodata,
            tiled=True,
            blockxsize=256,
            blockysize=256,
            compress="deflate",
            # By kind of number: neighbouring cells differ little, and differences pack well.
            predictor=3 if out.dtype.kind == "f" else 2,
            bigtiff="if_safer",
        ) as file:
            file.write(out, 1)
            if unit:
                file.set_band_unit(1, unit)
            if scale != (1.0, 0.0):
                file.scales, file.offsets = (scale[0],), (scale[1],)
            file.update_tags(SITING_SOURCE=source, SITING_ATTRIBUTION=attribution)
        return bytes(memory.getbuffer())
