"""Faults of land cover and of legends."""

from __future__ import annotations

import numpy as np
import rasterio
from rasterio.enums import Resampling

from tests.bad_inputs.land import SIZE, Land, builder, codes

LEGEND = "code,name,role\n41,woods,tree\n81,hay,pasture\n"


@builder
def cover_values(land: Land, text: str) -> Land:
    """A patch of another value, in a number type: "VALUE TYPE"."""
    value, _, kind = text.partition(" ")
    values = codes().astype(kind or "uint8")
    values[3:6, 3:6] = float(value)
    return land.cover(values)


@builder
def cover_type(land: Land, kind: str) -> Land:
    return land.cover(codes().astype(kind))


@builder
def cover_float_no_data(land: Land, _: str) -> Land:
    """Codes as decimals whose value for no data is the lowest number there is."""
    lowest = float(np.finfo(np.float32).min)
    values = codes().astype(np.float32)
    values[:4] = lowest
    return land.cover(values, nodata=lowest)


@builder
def cover_palette(land: Land, _: str) -> Land:
    land.cover(codes(), photometric="palette")
    with rasterio.open(land.folder / "cover.tif", "r+") as out:
        out.write_colormap(1, {41: (0, 90, 0, 255), 81: (220, 200, 90, 255)})
    return land


@builder
def cover_averaged_overviews(land: Land, _: str) -> Land:
    """Overviews built by averaging, which makes codes that exist nowhere."""
    land.cover(codes(), tiled=True, blockxsize=16, blockysize=16)
    with rasterio.open(land.folder / "cover.tif", "r+") as out:
        out.build_overviews([2, 4], Resampling.average)
    return land


@builder
def cover_averaged(land: Land, _: str) -> Land:
    """Codes averaged by someone before: 61 between 41 and 81."""
    values = codes().astype(np.float32)
    values[:, 1:] = (values[:, 1:] + values[:, :-1]) / 2
    return land.cover(values + np.float32(0.25))


@builder
def cover_legend(land: Land, name: str) -> Land:
    return land.set("land_cover.legend", name)


@builder
def cover_numbered(land: Land, text: str) -> Land:
    """Other codes and another legend: "WOODS HAY LEGEND"."""
    woods, hay, legend = text.split()
    land.cover(np.where(codes() == 41, int(woods), int(hay)).astype(np.uint16))
    return land.set("land_cover.legend", legend)


@builder
def cover_two_numberings(land: Land, _: str) -> Land:
    """CORINE codes of three digits and of its raster's own count in one raster."""
    values = np.where(codes() == 41, 311, 231).astype(np.uint16)
    values[:5] = 23
    return land.cover(values).set("land_cover.legend", "corine")


@builder
def cover_own_legend(land: Land, text: str) -> Land:
    """A legend as CSV; the argument is what is done to it."""
    changes = {
        "whole": LEGEND,
        "codes as words": LEGEND.replace("41", "forty-one"),
        "empty": "",
        "no class": "code,name,role\n",
        "no role": "code,name\n41,woods\n81,hay\n",
        "unknown role": LEGEND.replace("pasture", "meadowland"),
        "code twice": LEGEND + "41,wood,tree\n",
        "all no data": "code,name,role\n41,woods,nodata\n81,hay,nodata\n",
        "short lines": "code,name,role\n41,woods\n81\n",
        "NUL": LEGEND.replace("woods", "wo\0ods"),
        "second numbering in words": LEGEND.replace("name", "grid_code,name")
        .replace("41", "41,one")
        .replace("81", "81,2"),
        "huge field": LEGEND.replace("woods", "w" * 200_000),
        "huge code": LEGEND.replace("81", "8" * 5000),
        "semicolons": LEGEND.replace(",", ";"),
    }
    data = (
        changes[text].encode()
        if text in changes
        else LEGEND.replace("hay", "h\xe4y").encode("cp1252")
    )
    (land.folder / "legend.csv").write_bytes(data)
    return land.set("land_cover.legend", "legend.csv")


@builder
def cover_scaled(land: Land, _: str) -> Land:
    return land.cover(codes(), scale=0.1)


@builder
def cover_picture(land: Land, _: str) -> Land:
    return land.cover(np.stack([codes()] * 3), photometric="RGB")


@builder
def cover_flat(land: Land, value: str) -> Land:
    """One class all over."""
    return land.cover(np.full((SIZE, SIZE), int(value), dtype=np.uint8))
