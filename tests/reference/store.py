"""Makes the stored outputs of outside programs that the reference tests compare with.

python -m tests.reference.store gdaldem      # needs gdal-bin
python -m tests.reference.store richdem      # needs richdem
"""

from __future__ import annotations

import sys
import tempfile
from pathlib import Path

import numpy as np

from tests.reference.test_terrain_gdaldem import STORED, gdaldem, hill, srtm

PLACES = (("hill", hill, 5.0), ("srtm", srtm, 30.0))


def store_gdaldem() -> None:
    out = {}
    for name, make, cell_m in PLACES:
        with tempfile.TemporaryDirectory() as folder:
            for mode in ("slope", "aspect"):
                found = gdaldem(mode, make(), cell_m, Path(folder))
                out[f"{name}_{mode}"] = found.astype("float32")
    np.savez_compressed(STORED, **out)


def store_richdem() -> None:
    import richdem

    out = {}
    for name, make, cell_m in PLACES:
        z = make()
        dem = richdem.rdarray(np.where(np.isnan(z), -9999, z), no_data=-9999)
        dem.geotransform = (0, cell_m, 0, 0, 0, -cell_m)
        found = np.array(richdem.TerrainAttribute(dem, attrib="slope_degrees"))
        out[f"{name}_slope"] = found.astype("float32")
    np.savez_compressed(STORED.parent / "terrain_richdem.npz", **out)


if __name__ == "__main__":
    STORED.parent.mkdir(exist_ok=True)
    {"gdaldem": store_gdaldem, "richdem": store_richdem}[sys.argv[1]]()
