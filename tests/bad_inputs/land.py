"""The clean piece of land that every bad input starts from, and what is true of it.

60 x 60 cells of 5 m around a parcel of 200 x 200 m: small enough that a run takes a moment. The
place and all that is on it are invented. Heights and classes are functions of the place, so that
whatever is read can be held against them, on any grid and in any coordinate system.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import rasterio
import shapely
from affine import Affine
from numpy.typing import NDArray
from pyproj import Transformer
from shapely.geometry import box, mapping
from shapely.geometry.base import BaseGeometry as Geometry

CRS = "EPSG:32617"
LEFT, TOP = 540000.0, 4765300.0
CELL_M, SIZE = 5.0, 60
# Context of 50 m makes the working grid exactly the raster; few candidates keep a run short.
PROTOCOL = """
[grid]
context_m = 50.0
[candidates]
places = 4
spots = 2
[cover]
speck_m2 = 0.0
[stability]
draws = 0
"""


@dataclass
class Land:
    """Files of one piece of land in a folder, and the inputs that name them.

    Parameters
    ----------
    folder : where the files are
    inputs : nested as the inputs file is
    crs, left, top : the map on which the land's truth is known, and its north-west corner
    height_m : height above datum by (easting, northing) from the corner, metres
    outline : the true parcel on that map
    protocol : text of the protocol file
    options : further words of the command line
    text : the inputs file as it stands, where it cannot be written from `inputs`
    inputs_file : another file to give as the inputs file
    out : output folder to ask for
    working_folder : where the command is given, where that matters
    unreadable : a file or folder whose permissions are taken away while a command runs
    lock : what keeps another program's hold on a file
    payload : hostile text somewhere in the land
    writes : whether the outputs must really be written for the fault to show
    """

    folder: Path
    inputs: dict[str, Any]
    crs: str = CRS
    left: float = LEFT
    top: float = TOP
    height_m: Callable[[Any, Any], Any] = None  # type: ignore[assignment]
    outline: Geometry = None
    protocol: str | bytes = PROTOCOL
    options: list[str] = field(default_factory=list)
    text: str | bytes | None = None
    inputs_file: str = ""
    out: str = ""
    working_folder: Path | None = None
    unreadable: Path | None = None
    lock: Any = None
    writes: bool = False
    payload: str = ""

    def set(self, key: str, value: Any) -> Land:
        """Set one dotted key of the inputs; None removes it."""
        *path, last = key.split(".")
        table = self.inputs
        for part in path:
            table = table.setdefault(part, {})
        if value is None:
            table.pop(last, None)
        else:
            table[last] = value
        return self

    def dem(self, values: NDArray[Any], **how: Any) -> Land:
        """Write another DEM in place of the clean one."""
        raster(self.folder / "dem.tif", values, **({"left": self.left, "top": self.top} | how))
        return self

    def cover(self, values: NDArray[Any], **how: Any) -> Land:
        """Write another land cover in place of the clean one."""
        how = {"left": self.left, "top": self.top, "unit": ""} | how
        raster(self.folder / "cover.tif", values, **how)
        return self

    def parcel(self, *shapes: Any, suffix: str = ".geojson", crs: Any = None) -> Land:
        """Write these shapes (in the land's own map) as the parcel file."""
        path = self.folder / f"outline{suffix}"
        crs = crs or self.crs
        if suffix == ".geojson":
            geojson(path, *[to_lonlat(s, crs) if isinstance(s, Geometry) else s for s in shapes])
        else:
            frame(*shapes, crs=crs).to_file(path)
        return self.set("parcel.file", path.name)


def hill(east: Any, south: Any) -> Any:
    """Gentle hills about 250 m high, below 15 degrees, by metres from the north-west corner."""
    return 250 + 6 * np.sin(east / 55) + 5 * np.cos(south / 48) + 0.02 * east


def wooded(east: Any, south: Any) -> Any:
    """True in the woods of the west and north; hay elsewhere."""
    return (east < 150.0) | (south < 60.0)


def centres(rows: int = SIZE, cols: int = SIZE, cell_m: float = CELL_M) -> tuple[Any, Any]:
    """Metres from the north-west corner to each cell's centre, east and south."""
    south, east = (np.mgrid[0:rows, 0:cols] + 0.5) * cell_m
    return east, south


def relief(rows: int = SIZE, cols: int = SIZE, cell_m: float = CELL_M) -> NDArray[np.float32]:
    """The hills as an array."""
    return np.asarray(hill(*centres(rows, cols, cell_m)), dtype=np.float32)


def codes(rows: int = SIZE, cols: int = SIZE, cell_m: float = CELL_M) -> NDArray[np.uint8]:
    """Woods (41) and hay (81) in the numbers of NLCD."""
    return np.where(wooded(*centres(rows, cols, cell_m)), 41, 81).astype(np.uint8)


def raster(
    path: Path,
    values: NDArray[Any],
    *,
    crs: Any = CRS,
    transform: Affine | None = None,
    left: float = LEFT,
    top: float = TOP,
    cell_m: float = CELL_M,
    unit: str = "m",
    scale: float | None = None,
    offset: float | None = None,
    **profile: Any,
) -> Path:
    """A GeoTIFF of one band or, from an array with three axes, of several."""
    bands = values[np.newaxis] if values.ndim == 2 else values
    place = transform or Affine(cell_m, 0, left, 0, -cell_m, top)
    options = {"driver": "GTiff", "crs": crs, "transform": place} | profile
    path.unlink(missing_ok=True)
    with rasterio.open(
        path,
        "w",
        height=bands.shape[1],
        width=bands.shape[2],
        count=bands.shape[0],
        dtype=options.pop("dtype", bands.dtype.name),
        **options,
    ) as out:
        out.write(bands)
        if unit:
            out.set_band_unit(1, unit)
        if scale is not None:
            out.scales = [scale] * bands.shape[0]
        if offset is not None:
            out.offsets = [offset] * bands.shape[0]
    return path


def to_lonlat(shape: Geometry, crs: str = CRS) -> Geometry:
    """A shape of a map in longitude and latitude."""
    return moved(shape, crs, "EPSG:4326")


def moved(shape: Geometry, source: str, target: str) -> Geometry:
    """A shape in another coordinate system."""
    change = Transformer.from_crs(source, target, always_xy=True)
    return shapely.transform(shape, lambda p: np.column_stack(change.transform(*p.T)))


def frame(*shapes: Any, crs: Any = CRS, **columns: Any) -> gpd.GeoDataFrame:
    """A layer of these shapes."""
    return gpd.GeoDataFrame(columns, geometry=list(shapes), crs=crs)


def geojson(path: Path, *shapes: Any, properties: Sequence[Mapping[str, Any]] = ()) -> Path:
    """A GeoJSON file of shapes in longitude and latitude, written without a library's help."""
    told = [*properties, *[{}] * len(shapes)]
    features = [
        {
            "type": "Feature",
            "properties": dict(told[n]),
            "geometry": mapping(shape) if isinstance(shape, Geometry) else shape,
        }
        for n, shape in enumerate(shapes)
    ]
    whole = {"type": "FeatureCollection", "features": features}
    path.write_text(json.dumps(whole), encoding="utf-8")
    return path


def clean(folder: Path, *, crs: str = CRS, left: float = LEFT, top: float = TOP) -> Land:
    """The land with nothing wrong, on the map `crs` with its corner at (left, top)."""
    outline = box(left + 50, top - 250, left + 250, top - 50)
    inputs = {
        "parcel": {"file": "parcel.gpkg"},
        "dem": {"file": "dem.tif"},
        "land_cover": {"file": "cover.tif", "legend": "nlcd"},
    }
    land = Land(folder, inputs, crs, left, top, hill, outline)
    land.dem(relief(), crs=crs).cover(codes(), crs=crs)
    frame(outline, crs=crs).to_file(folder / "parcel.gpkg", layer="parcel")
    return land


Builder = Callable[[Land, str], Land]
BUILDERS: dict[str, Builder] = {}


def builder(make: Builder) -> Builder:
    """Enter a builder under its name in the table that the manifest refers to."""
    if make.__name__ in BUILDERS:
        raise ValueError(f"two builders are called {make.__name__}")
    BUILDERS[make.__name__] = make
    return make
