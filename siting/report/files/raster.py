"""The score of every cell and the no-go reasons as a Cloud Optimized GeoTIFF."""

from __future__ import annotations

import numpy as np
from rasterio.io import MemoryFile

from siting.report.shared.credits import one_line
from siting.types import Land, NoGo, NoGoArray, Scores

NO_GO_BITS = ", ".join(f"{bit.value} {str(bit.name).lower()}" for bit in NoGo)
"""What each bit of band 2 means, for the file's own description."""


def suitability_tif(land: Land, scores: Scores, no_go: NoGoArray) -> bytes:
    """The raster's bytes: band 1 the index, band 2 the no-go bits.

    Both bands are float32, since a TIFF has one type of number; the bits are whole numbers of
    0..4095 and exact in it. NaN is "no data" in both. `no_go` is (rows, cols). The same land gives
    the same bytes.
    """
    grid = land.grid
    score = scores.total.astype(np.float32)
    bits = no_go.astype(np.float32)
    with MemoryFile() as memory:
        with memory.open(
            driver="COG",
            width=grid.n_cols,
            height=grid.n_rows,
            count=2,
            dtype="float32",
            crs=grid.crs,
            transform=grid.transform,
            nodata=float("nan"),
            # Every GDAL reads it; newer ways of packing depend on how a GDAL was built.
            compress="DEFLATE",
            predictor="YES",
            blocksize=256,
            # The mean of two sums of bits is no reason that anybody gave.
            overview_resampling="nearest",
            # One thread: the bytes must not depend on the number of processors.
            num_threads="1",
        ) as file:
            file.write(np.stack([score, bits]))
            file.descriptions = ("score", "no_go")
            file.update_tags(1, unit="times plain ground", meaning="index without the heading")
            file.update_tags(2, unit="sum of bits", meaning=NO_GO_BITS)
            if land.credits:
                file.update_tags(SITING_ATTRIBUTION=one_line(land.credits))
        return bytes(memory.getbuffer())
