"""Tiles of one raster, joined on their own lattice: nothing is resampled, nothing is copied.

The joined raster is a description that GDAL reads (a VRT) made here from tiles that were opened
and checked one by one; a VRT file of somebody else's is never opened.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from xml.sax.saxutils import escape

from affine import Affine
from rasterio.io import DatasetReader

from siting.disk.files import file_state
from siting.errors import SitingError
from siting.read.crs.projection import file_crs, name_of
from siting.read.vector.layer_cache import Kept
from siting.settings.given.rasters import RasterInput

_TYPES = {
    "uint8": "Byte", "int8": "Int8", "uint16": "UInt16", "int16": "Int16", "uint32": "UInt32",
    "int32": "Int32", "float32": "Float32", "float64": "Float64",
}  # fmt: skip
_OFF_LATTICE = 0.01  # of a cell
_MOST_CELLS = 2**31 - 1
_KEPT = Kept(most=8)


@dataclass(frozen=True)
class Tile:
    """What one tile says of itself; all but place, size and name must be the same in all tiles.

    `transform` goes from (col, row) to the unit of `crs`, metres or degrees; `no_data` is in the
    unit of the cells.
    """

    path: str
    crs: str
    transform: Affine
    shape: tuple[int, int]
    dtype: str
    no_data: float | None
    bands: int
    unit: str
    scale: tuple[float, float]

    @property
    def kind(self) -> dict[str, object]:
        """What must be the same in all tiles of one raster, by name."""
        # Rounded: tiles of one product differ in the last digit of their cell size.
        edges = tuple(round(v, 12) for v in (self.transform.a, self.transform.e))
        return {
            "coordinate system": name_of(self.crs),
            "cell size": f"{edges[0]:g} x {-edges[1]:g}",
            "number type": self.dtype,
            "bands": self.bands,
            "unit": self.unit or "none",
            "scale and offset": self.scale,
        }


def joined(
    paths: Sequence[str], spec: RasterInput, *, key: str, open_tile: Callable[[str], Tile]
) -> str:
    """The text of a VRT that lays all tiles on their common lattice.

    Where tiles overlap, the one named first counts (of a folder, the first by name).

    Parameters
    ----------
    paths : the tiles
    open_tile : function of a path; gives the checked facts of a tile

    Raises
    ------
    SitingError
        E-TILES-01 when the tiles differ in system, cell size or kind of number, or do not share
        a lattice.
    """
    state = tuple((path, file_state(path)) for path in paths)
    return _KEPT.get((state, spec.crs, key), lambda: _text([open_tile(p) for p in paths], key))


def tile_of(dataset: DatasetReader, spec: RasterInput, *, path: str, key: str) -> Tile:
    """The facts of an open tile."""
    file = Path(path).name
    return Tile(
        path,
        file_crs(dataset.crs, file=file, asserted=spec.crs, key=f"{key}.crs"),
        dataset.transform,
        dataset.shape,
        dataset.dtypes[0],
        dataset.nodatavals[0],
        dataset.count,
        (dataset.units[0] or "").strip(),
        (float(dataset.scales[0]), float(dataset.offsets[0])),
    )


def _text(tiles: Sequence[Tile], key: str) -> str:
    first = tiles[0]
    for tile in tiles:
        _check_kind(first, tile, key)
    places = [_place(first, tile, key) for tile in tiles]
    left, top = min(c for c, _ in places), min(r for _, r in places)
    cols = max(c + t.shape[1] for (c, _), t in zip(places, tiles, strict=True)) - left
    rows = max(r + t.shape[0] for (_, r), t in zip(places, tiles, strict=True)) - top
    if max(rows, cols) > _MOST_CELLS:
        raise _differ(first, first, key, f"they span {rows:,} x {cols:,} cells")
    t = first.transform
    x, y = t @ (left, top)
    lines = [
        f'<VRTDataset rasterXSize="{cols}" rasterYSize="{rows}">',
        f"<SRS>{escape(first.crs)}</SRS>",
        f"<GeoTransform>{x!r}, {t.a!r}, 0, {y!r}, 0, {t.e!r}</GeoTransform>",
    ]
    no_data = next((tile.no_data for tile in tiles if tile.no_data is not None), None)
    for band in range(1, first.bands + 1):
        lines.append(f'<VRTRasterBand dataType="{_TYPES[first.dtype]}" band="{band}">')
        if no_data is not None:
            lines.append(f"<NoDataValue>{no_data!r}</NoDataValue>")
        lines.append(f"<UnitType>{escape(first.unit)}</UnitType>")
        lines.append(f"<Offset>{first.scale[1]!r}</Offset><Scale>{first.scale[0]!r}</Scale>")
        # The later source lies over the earlier one.
        for tile, (col, row) in reversed(list(zip(tiles, places, strict=True))):
            lines += _source(tile, band, col - left, row - top)
        lines.append("</VRTRasterBand>")
    return "\n".join([*lines, "</VRTDataset>"])


def _source(tile: Tile, band: int, col: int, row: int) -> list[str]:
    rows, cols = tile.shape
    size = f'xSize="{cols}" ySize="{rows}"'
    no_data = "" if tile.no_data is None else f"<NODATA>{tile.no_data!r}</NODATA>"
    return [
        f'<ComplexSource><SourceFilename relativeToVRT="0">{escape(tile.path)}</SourceFilename>'
        f"<SourceBand>{band}</SourceBand>",
        f'<SourceProperties RasterXSize="{cols}" RasterYSize="{rows}" '
        f'DataType="{_TYPES[tile.dtype]}"/>',
        f'<SrcRect xOff="0" yOff="0" {size}/><DstRect xOff="{col}" yOff="{row}" {size}/>'
        f"{no_data}</ComplexSource>",
    ]


def _check_kind(first: Tile, tile: Tile, key: str) -> None:
    for name, value in first.kind.items():
        if tile.kind[name] != value:
            raise _differ(first, tile, key, f"{name} {value} and {tile.kind[name]}")
    if tile.dtype not in _TYPES:
        raise _differ(first, tile, key, f"numbers of type {tile.dtype}")
    turned = tile.transform.b or tile.transform.d or tile.transform.a <= 0 or tile.transform.e >= 0
    if turned:
        raise _differ(first, tile, key, "no north at the top")


def _place(first: Tile, tile: Tile, key: str) -> tuple[int, int]:
    """(col, row) of a tile's corner on the lattice of the first."""
    col, row = ~first.transform @ (tile.transform.c, tile.transform.f)
    if max(abs(col - round(col)), abs(row - round(row))) > _OFF_LATTICE:
        raise _differ(
            first,
            tile,
            key,
            f"lattices {col - round(col):.2f} x {row - round(row):.2f} cells apart",
        )
    return round(col), round(row)


def _differ(first: Tile, tile: Tile, key: str, what: str) -> SitingError:
    names = " and ".join(dict.fromkeys(Path(t.path).name for t in (first, tile)))
    return SitingError(
        "E-TILES-01",
        f"{key}: {names} cannot be joined: {what}.",
        rule="Tiles of one raster have one coordinate system, cell size and kind of number, and "
        "their cells lie on one lattice.",
        cure="Name only tiles of one product and edition; join others in a mapping program first.",
    )
