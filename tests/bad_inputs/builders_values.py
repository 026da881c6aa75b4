"""Faults of values: no data, number types, bands, units."""

from __future__ import annotations

import numpy as np
import rasterio
from numpy.typing import NDArray

from tests.bad_inputs.land import SIZE, Land, builder, centres, codes, hill, raster, relief

FOOT_M, SURVEY_FOOT_M = 0.3048, 1200 / 3937


def with_corner(values: NDArray, value: float, *, size: int = 12) -> NDArray:
    """A corner of the land, over a part of the parcel too, replaced by one value."""
    out = values.copy()
    out[: size + 10, : size + 10] = value
    return out


@builder
def value_undeclared(land: Land, value: str) -> Land:
    """A value for no data that is not declared: "VALUE" or "VALUE TYPE"."""
    number, _, kind = value.partition(" ")
    values = relief().astype(kind or "float32")
    return land.dem(with_corner(values, float(number)))


@builder
def value_declared(land: Land, value: str) -> Land:
    """The same, declared in the file."""
    return land.dem(with_corner(relief(), float(value)), nodata=float(value))


@builder
def value_stated(land: Land, value: str) -> Land:
    """Not declared in the file but in the inputs."""
    land.dem(with_corner(relief(), float(value)))
    return land.set("dem.nodata", float(value))


@builder
def value_denied(land: Land, _: str) -> Land:
    """Declared in the file, and called real in the inputs."""
    land.dem(with_corner(relief(), -9999.0), nodata=-9999.0)
    return land.set("dem.nodata", "none")


@builder
def value_all(land: Land, value: str) -> Land:
    """Nothing but one value, declared as no data."""
    number = float(value)
    return land.dem(np.full((SIZE, SIZE), number, dtype=np.float32), nodata=number)


@builder
def value_signalling(land: Land, _: str) -> Land:
    """NaN of the kind that signals, as damaged files hold it."""
    values = relief()
    values.view(np.uint32)[2:5, 2:9] = 0x7FA00000
    return land.dem(values)


@builder
def value_infinite(land: Land, _: str) -> Land:
    values = relief()
    values[2:5, 2:9] = np.inf
    return land.dem(values)


@builder
def value_nodata_beyond_type(land: Land, _: str) -> Land:
    """Whole numbers of one byte whose value for no data does not fit into a byte."""
    values = np.round(relief() - 200).astype(np.uint8)
    land.dem(values, offset=200.0)
    path = land.folder / "dem.tif"
    data = path.read_bytes()
    with rasterio.open(path, "r+") as out:
        out.nodata = 255
    # The tag is text; only its digits are changed, so that the file stays whole.
    marked = path.read_bytes()
    path.write_bytes(marked.replace(b"255\0", b"-99\0") if b"255\0" in marked else data)
    land.height_m = lambda e, s: np.round(hill(e, s))
    return land


@builder
def value_nodata_inside_range(land: Land, _: str) -> Land:
    """A height that occurs on the land is declared as no data: 250 m."""
    land.height_m = lambda e, s: np.round(hill(e, s))
    return land.dem(np.round(relief()), nodata=250.0)


@builder
def value_alpha_band(land: Land, _: str) -> Land:
    """Heights with a second band that says where they are valid."""
    alpha = np.full((SIZE, SIZE), 65535.0)
    alpha[:22, :22] = 0
    bands = np.stack([with_corner(np.round(relief()), 0.0), alpha]).astype(np.uint16)
    land.height_m = lambda e, s: np.round(hill(e, s))
    return land.dem(bands, ALPHA="YES")


@builder
def value_mask_file(land: Land, _: str) -> Land:
    """A mask in a file beside the raster."""
    land.dem(with_corner(relief(), 7.0))
    mask = np.full((SIZE, SIZE), 255, dtype=np.uint8)
    mask[:22, :22] = 0
    with (
        rasterio.Env(GDAL_TIFF_INTERNAL_MASK=False),
        rasterio.open(land.folder / "dem.tif", "r+") as out,
    ):
        out.write_mask(mask)
    return land


@builder
def value_scaled(land: Land, kind: str) -> Land:
    """Heights stored as decimetres above 100 m, as the file's scale and offset say."""
    values = np.round((relief() - 100) * 10).astype(np.int16)
    if kind == "with no data":
        values = with_corner(values, -32768)
        return land.dem(values, scale=0.1, offset=100.0, nodata=-32768)
    return land.dem(values, scale=0.1, offset=100.0)


@builder
def value_one_cell(land: Land, _: str) -> Land:
    values = np.full((SIZE, SIZE), np.nan, dtype=np.float32)
    values[30, 30] = 250.0
    return land.dem(values, nodata=np.nan)


@builder
def value_ring(land: Land, _: str) -> Land:
    """No data in a ring around the parcel."""
    values = relief()
    ring = np.ones((SIZE, SIZE), dtype=bool)
    ring[10:50, 10:50] = False
    ring[:3] = ring[-3:] = False
    values[ring] = np.nan
    return land.dem(values, nodata=np.nan)


@builder
def value_type(land: Land, kind: str) -> Land:
    """Heights in another number type, rounded as it must."""
    land.height_m = lambda e, s: np.round(hill(e, s))
    values = np.round(relief())
    if kind == "int8":
        land.height_m = lambda e, s: np.round(hill(e, s)) - 200
        values = values - 200
    if kind == "uint32":
        # Millimetres above a datum of -20 km: numbers that a float32 cannot hold exactly.
        return land.dem((values * 1000 + 20_000_000).astype(kind), scale=0.001, offset=-20_000.0)
    return land.dem(values.astype(kind))


@builder
def value_bands(land: Land, text: str) -> Land:
    """Several bands, heights in the second; "BAND" is asked for, "" for none."""
    bands = np.stack([relief() * 0, relief(), relief() * 0 + 9]).astype(np.float32)
    land.dem(bands)
    return land.set("dem.band", int(text)) if text else land


@builder
def value_picture(land: Land, _: str) -> Land:
    """A shaded picture of the land in place of its heights."""
    bands = np.stack([np.clip(relief() - 200, 0, 255)] * 3).astype(np.uint8)
    return land.dem(bands, photometric="RGB")


@builder
def value_heights(land: Land, factor: str) -> Land:
    return land.dem(relief() * np.float32(factor))


@builder
def unit_of_band(land: Land, text: str) -> Land:
    """Heights in a unit that the band states: "UNIT FACTOR" with metres per unit."""
    unit, _, factor = text.rpartition(" ")
    return land.dem((relief() / float(factor)).astype(np.float32), unit=unit)


@builder
def unit_stated(land: Land, text: str) -> Land:
    """Heights in a unit that only the inputs state."""
    unit, _, factor = text.rpartition(" ")
    land.dem((relief() / float(factor)).astype(np.float32), unit="")
    return land.set("dem.z_unit", unit)


@builder
def unit_missing(land: Land, _: str) -> Land:
    return land.dem(relief(), unit="")


@builder
def unit_contradicts(land: Land, who: str) -> Land:
    """Feet by one statement, metres by another."""
    if who == "vertical system":
        return land.dem(relief(), crs="EPSG:32617+6360", unit="m")
    return land.dem(relief(), unit="ft").set("dem.z_unit", "m")


@builder
def unit_of_vertical_system(land: Land, _: str) -> Land:
    """Feet by the vertical system alone."""
    values = (relief() / SURVEY_FOOT_M).astype(np.float32)
    return land.dem(values, crs="EPSG:32617+6360", unit="")


@builder
def unit_wrong_but_said(land: Land, _: str) -> Land:
    """Steep ground in feet whose band says metres: nothing in the file gives it away."""
    east, south = centres()
    values = 400 + 60 * np.sin(east / 40) + 60 * np.cos(south / 35)
    land.dem((values / FOOT_M).astype(np.float32), unit="m")
    return land


@builder
def unit_map_in_feet(land: Land, _: str) -> Land:
    """A map in feet, and heights without a unit."""
    crs = "+proj=utm +zone=17 +datum=WGS84 +units=us-ft"
    foot = SURVEY_FOOT_M
    return land.dem(
        relief(), crs=crs, unit="", left=land.left / foot, top=land.top / foot, cell_m=5.0 / foot
    )


@builder
def unit_degrees_tagged_metres(land: Land, _: str) -> Land:
    return land.dem(relief(), left=-80.51, top=43.04, cell_m=5e-5)


@builder
def unit_metres_tagged_degrees(land: Land, _: str) -> Land:
    return land.dem(relief(), crs="EPSG:4326")


@builder
def value_canopy_above_the_sea(land: Land, _: str) -> Land:
    """A surface model, heights above the sea, in place of heights above the ground."""
    raster(land.folder / "canopy.tif", relief() + 12)
    return land.set("canopy", {"file": "canopy.tif"})


@builder
def unit_canopy_unknown(land: Land, text: str) -> Land:
    """Heights of the vegetation in a unit that is not known."""
    raster(land.folder / "canopy.tif", codes().astype(np.float32) / 10, unit=text)
    return land.set("canopy", {"file": "canopy.tif"})
