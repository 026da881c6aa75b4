"""Writes a folder of a binary Esri grid, which no open library can write.

By the description of the format by its readers: Warmerdam F, Arc/Info Binary Grid Format (open
notes beside GDAL's driver AIG, from memory). Uncompressed, in tiles of four rows, 32 bits a cell.
"""

from __future__ import annotations

import struct
from pathlib import Path

import numpy as np
import rasterio

# Programs that write such grids use tiles so low: a length must fit into two bytes.
_TILE_ROWS = 4
# First words of every data file of a grid.
_MAGIC = bytes.fromhex("0000270afffffc14")


def write_esri_grid(folder: Path, source: Path) -> Path:
    """Band 1 of a raster (square cells, north up) as the folder of a grid: classes or numbers."""
    with rasterio.open(source) as file:
        whole = np.issubdtype(file.dtypes[0], np.integer)
        nodata = np.int32(-2147483647) if whole else np.float32(-3.4028235e38)
        values = file.read(1).astype(nodata.dtype)
        values[file.read_masks(1) == 0] = nodata
        cell_m, bounds, zone = file.transform.a, file.bounds, int(str(file.crs)[-2:])
    rows, cols = values.shape
    folder.mkdir(parents=True)
    header = bytearray(308)
    header[:8] = b"GRID1.2\0"
    struct.pack_into(">ii", header, 16, 1 if whole else 2, 1)  # its kind of cells; not compressed
    struct.pack_into(">dddd", header, 256, cell_m, cell_m, bounds.left, bounds.bottom)
    tiles = -(-rows // _TILE_ROWS)
    struct.pack_into(">iiiii", header, 288, 1, tiles, cols, 1, _TILE_ROWS)
    (folder / "hdr.adf").write_bytes(header)
    (folder / "dblbnd.adf").write_bytes(
        struct.pack(">dddd", bounds.left, bounds.bottom, bounds.right, bounds.top)
    )
    known = values[values != nodata].astype(float)
    (folder / "sta.adf").write_bytes(
        struct.pack(">dddd", known.min(), known.max(), known.mean(), known.std())
    )
    padded = np.full((tiles * _TILE_ROWS, cols), nodata, dtype=">i4" if whole else ">f4")
    padded[:rows] = values
    # Lengths and places count in shorts; each tile's own length stands before it.
    shorts = _TILE_ROWS * cols * 2
    places = range(50, 50 + tiles * (shorts + 1), shorts + 1)
    data = b"".join(
        struct.pack(">H", shorts) + padded[n * _TILE_ROWS : (n + 1) * _TILE_ROWS].tobytes()
        for n in range(tiles)
    )
    index = b"".join(struct.pack(">ii", at, shorts) for at in places)
    (folder / "w001001.adf").write_bytes(_head(100 + len(data)) + data)
    (folder / "w001001x.adf").write_bytes(_head(100 + len(index)) + index)
    (folder / "prj.adf").write_text(
        f"Projection    UTM\nZone          {zone}\nDatum         WGS84\nUnits         METERS\n"
        "Zunits        METERS\nParameters\n"
    )
    return folder


def _head(size: int) -> bytes:
    head = bytearray(100)
    head[:8] = _MAGIC
    struct.pack_into(">i", head, 24, size // 2)
    return bytes(head)
