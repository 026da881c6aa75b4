"""Slope held against richdem (Barnes, version 0.3.4): stored outputs, and live where it imports."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from siting.ground.terrain import slope_deg
from tests.reference.test_terrain_gdaldem import hill, srtm

STORED = Path(__file__).parent / "stored" / "terrain_richdem.npz"
# richdem works in float64 and returns float32; its border and holes use the cell's own height
# where a neighbour is missing, so only cells with nine known cells are compared.
TOLERANCE_DEG = 1e-3
PLACES = [("hill", hill, 5.0), ("srtm", srtm, 30.0)]


@pytest.mark.parametrize(("name", "make", "cell_m"), PLACES)
def test_stored_richdem_slope(name, make, cell_m):
    """`richdem.TerrainAttribute(dem, 'slope_degrees')`; made by tests/reference/store.py."""
    got, want = slope_deg(make(), cell_m), np.load(STORED)[f"{name}_slope"]
    known = np.isfinite(got)
    assert known.sum() > 0.9 * got.size
    np.testing.assert_allclose(got[known], want[known], atol=TOLERANCE_DEG)


@pytest.mark.parametrize(("name", "make", "cell_m"), PLACES)
def test_live_richdem_slope(name, make, cell_m):
    richdem = pytest.importorskip("richdem", reason="richdem is not installed (an optional extra)")
    z = make()
    dem = richdem.rdarray(np.where(np.isnan(z), -9999, z), no_data=-9999)
    dem.geotransform = (0, cell_m, 0, 0, 0, -cell_m)
    want = np.array(richdem.TerrainAttribute(dem, attrib="slope_degrees"))
    got = slope_deg(z, cell_m)
    known = np.isfinite(got)
    np.testing.assert_allclose(got[known], want[known], atol=TOLERANCE_DEG)


def test_a_planted_fault_is_seen():
    want = np.load(STORED)["srtm_slope"]
    got = slope_deg(srtm(), 28.0)
    known = np.isfinite(got)
    assert not np.allclose(got[known], want[known], atol=TOLERANCE_DEG)
