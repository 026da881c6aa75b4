"""The engine richdem against our own: asked for by name, equal within stated tolerances.

The live tests run where richdem is installed (.ci/run builds it, richdem 0.3.4); whether it is
asked for, and what happens when it is missing, is tested everywhere.
"""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np
import pytest
from scipy import ndimage

import siting
from siting.errors import SitingError
from siting.ground import terrain
from siting.ground.water import drainage, engines, flow
from tests.reference.test_terrain_gdaldem import hill, srtm
from tests.test_drainage import rough_ground

SAMPLE = Path(__file__).parents[2] / "sample_rasters" / "inputs.toml"
# richdem works in float64 and returns float32.
SLOPE_DEG = 1e-3
GROUNDS = {
    "hill": (hill, 5.0),
    "srtm": (srtm, 30.0),
    "rough": (lambda: rough_ground(hole=False), 10.0),
    "rough with a hole": (rough_ground, 10.0),
}
live = pytest.mark.parametrize("name", GROUNDS)
# Beside missing cells inside the ground richdem holds water back.
whole = pytest.mark.parametrize("name", ["hill", "srtm", "rough"])


def ground(name: str) -> tuple[np.ndarray, float]:
    pytest.importorskip("richdem", reason="richdem is not installed here")
    make, cell_m = GROUNDS[name]
    return np.asarray(make(), dtype=np.float32), cell_m


def without_holes(name: str) -> tuple[np.ndarray, float]:
    dem, cell_m = ground(name)
    return np.where(np.isnan(dem), np.nanmean(dem), dem).astype(np.float32), cell_m


@live
def test_slope(name):
    dem, cell_m = ground(name)
    ours, theirs = (engines.slope_deg(dem, cell_m, engine=e) for e in ("built-in", "richdem"))
    np.testing.assert_array_equal(np.isnan(ours), np.isnan(theirs))
    assert np.isfinite(ours).sum() > 100
    np.testing.assert_allclose(theirs, ours, atol=SLOPE_DEG)


@whole
def test_filling_is_equal(name):
    dem, _ = without_holes(name)
    theirs = engines.fill_depressions(dem, engine="richdem")
    np.testing.assert_array_equal(theirs, engines.fill_depressions(dem))


@whole
def test_every_step_goes_down_as_steeply(name):
    """Where the filled ground falls, both take a steepest way down; ties may go either way."""
    dem, _ = without_holes(name)
    filled = flow.fill_depressions(dem).astype(np.float64)
    ours = engines.flow_directions(dem)
    theirs = engines.flow_directions(dem, engine="richdem")
    np.testing.assert_array_equal(ours == flow.NO_DATA, theirs == flow.NO_DATA)
    falls = steepness(filled, ours) > 0
    assert falls.sum() > 100
    np.testing.assert_allclose(
        steepness(filled, theirs)[falls], steepness(filled, ours)[falls], rtol=1e-6
    )


@whole
def test_water_of_both_leaves_and_never_goes_round(name):
    dem, cell_m = without_holes(name)
    theirs = engines.flow_directions(dem, engine="richdem")
    area = drainage.upstream_area_m2(theirs, cell_size_m=cell_m)
    leaves = theirs == flow.OUTLET
    known = theirs != flow.NO_DATA
    # All the ground drains through the outlets, each cell once.
    assert area[leaves].sum() == pytest.approx(known.sum() * cell_m**2)


@pytest.mark.parametrize("name", ["hill", "srtm"])
def test_streams_of_both_are_the_same_but_for_ties(name):
    """Nine stream cells in ten lie within two cells of the other's: flats and ties move a line."""
    dem, cell_m = without_holes(name)
    threshold_ha = 100 * cell_m**2 / 1e4
    both = [
        drainage.stream_cells(
            drainage.upstream_area_m2(engines.flow_directions(dem, engine=e), cell_size_m=cell_m),
            threshold_ha=threshold_ha,
        )
        for e in ("built-in", "richdem")
    ]
    assert both[0].sum() > 20
    for one, other in (both, both[::-1]):
        near = ndimage.binary_dilation(other, np.ones((5, 5)))
        assert (one & near).sum() >= 0.9 * one.sum()


def steepness(filled: np.ndarray, codes: np.ndarray) -> np.ndarray:
    """Drop per cell width along each cell's direction; 0 at outlets and without data."""
    out = np.zeros(codes.shape)
    rows, cols = np.indices(codes.shape)
    for code, (down, right) in zip(flow.CODES, flow.OFFSETS, strict=True):
        here = codes == code
        to = filled[rows[here] + down, cols[here] + right]
        out[here] = (filled[here] - to) / np.hypot(down, right)
    return out


def test_the_default_never_looks_for_richdem(monkeypatch):
    monkeypatch.setattr(engines, "_richdem", lambda: pytest.fail("richdem was asked for"))
    dem = hill()
    np.testing.assert_array_equal(engines.slope_deg(dem, 5.0), terrain.slope_deg(dem, 5.0))
    np.testing.assert_array_equal(engines.flow_directions(dem), flow.flow_directions(dem))
    assert siting.Protocol().terrain.engine == "built-in"


def test_asked_for_and_missing_is_an_error_with_its_cure(monkeypatch):
    monkeypatch.setitem(sys.modules, "richdem", None)
    with pytest.raises(SitingError, match=r'E-ENGINE-01.*engine = "built-in"'):
        siting.site_parcel(SAMPLE, {"terrain": {"engine": "richdem"}})


def test_a_whole_run_by_richdem():
    pytest.importorskip("richdem", reason="richdem is not installed here")
    own = siting.site_parcel(SAMPLE)
    theirs = siting.site_parcel(SAMPLE, {"terrain": {"engine": "richdem"}})
    np.testing.assert_allclose(theirs.layers["slope_deg"], own.layers["slope_deg"], atol=SLOPE_DEG)
    first = [(s.easting, s.northing) for s in own.spots[:5]]
    near = [min(np.hypot(s.easting - e, s.northing - n) for s in theirs.spots) for e, n in first]
    assert np.sum(np.array(near) < 15) >= 4
