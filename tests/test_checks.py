"""One check per concept: what it lets pass, what it refuses, and what it says."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp
from shapely.geometry import box

from siting.errors import SitingError
from siting.read import checks
from siting.read.raster.units import elevation_factor, unit_factor
from siting.types import CoverRole

HILLS = 250 + 8 * np.sin(np.arange(2500).reshape(50, 50) / 90.0)
UTM, UTM_NAVD_FT = "EPSG:32617", "EPSG:32617+6360"


def code_of(call, *args, **kwargs) -> str:
    with pytest.raises(SitingError) as caught:
        call(*args, **kwargs)
    assert caught.value.what
    assert caught.value.rule
    assert caught.value.cure
    return caught.value.code


# --- units ---


@pytest.mark.parametrize(
    ("name", "metres"),
    [
        # International foot and US survey foot: NIST Special Publication 811, appendix B.
        ("ft", 0.3048),
        ("Foot", 0.3048),
        ("us-ft", 1200 / 3937),
        ("US survey foot", 1200 / 3937),
        ("metre", 1.0),
        (" m ", 1.0),
        ("fathom", 1.8288),
        ("cm", 0.01),
    ],
)
def test_units_by_name(name, metres):
    assert unit_factor(name, what="it") == metres


def test_the_unit_of_heights():
    said = {"file": "dem.tif"}
    assert elevation_factor(band_unit="ft", crs=UTM, asserted="", **said) == (0.3048, ())
    assert elevation_factor(band_unit="", crs=UTM, asserted="ft", **said) == (0.3048, ())
    vertical, _ = elevation_factor(band_unit="", crs=UTM_NAVD_FT, asserted="", **said)
    assert vertical == pytest.approx(1200 / 3937, rel=1e-12)
    factor, notes = elevation_factor(band_unit="", crs=UTM, asserted="", **said)
    assert factor == 1.0
    assert [note.code for note in notes] == ["A-UNIT-01"]


@pytest.mark.parametrize(
    ("band_unit", "crs", "asserted", "code"),
    [
        ("m", UTM, "ft", "E-UNIT-02"),
        ("m", UTM_NAVD_FT, "", "E-UNIT-02"),
        ("ells", UTM, "", "E-UNIT-01"),
        ("", "EPSG:2225", "", "E-UNIT-01"),
    ],
)
def test_units_that_are_not_known_or_do_not_agree(band_unit, crs, asserted, code):
    call = {"band_unit": band_unit, "crs": crs, "asserted": asserted, "file": "dem.tif"}
    assert code_of(elevation_factor, **call) == code


def test_the_two_feet_agree_to_a_part_in_500_000():
    """International and survey feet differ by 2 in a million: no contradiction on land."""
    call = {"band_unit": "ft", "crs": UTM, "asserted": "us-ft", "file": "dem.tif"}
    assert elevation_factor(**call)[0] == pytest.approx(0.3048, rel=1e-5)


# --- fill values ---


def sentinels(values, factor=1.0):
    values = np.asarray(values, dtype=np.float64)
    return checks.check_sentinels(values, values * factor, file="dem.tif", key="dem.nodata")


@pytest.mark.parametrize("value", [-9999, -32768, -3.4028234663852886e38, 65535, 0, -1, 10_000, 1])
@pytest.mark.parametrize("place", [(slice(0, 12), slice(0, 12)), (slice(20, 24), slice(20, 24))])
def test_a_fill_value_is_found_wherever_it_stands(value, place):
    values = HILLS.copy()
    values[place] = value
    with pytest.raises(SitingError) as caught:
        sentinels(values)
    assert caught.value.code == "E-NODATA-01"
    told = caught.value.cure.partition("= ")[2].partition(" ")[0]
    assert float(told) == value


def test_a_fill_value_in_feet_is_told_as_it_stands_in_the_file():
    values = HILLS / 0.3048
    values[:9, :9] = -9999
    with pytest.raises(SitingError, match="-9999"):
        sentinels(values, 0.3048)


@pytest.mark.parametrize(
    "values",
    [
        HILLS,
        np.zeros((20, 20)),
        np.full((20, 20), 431.0),
        np.maximum(HILLS - 250, 0),
        np.where(HILLS > 252, 252, HILLS),
        np.linspace(-400, 8800, 2500).reshape(50, 50),
        np.repeat([[0.0, 12.0, 26.0, 39.0]], 9, axis=0),
    ],
    ids=["hills", "sea level", "plain", "shore", "plateau", "from shore to peak", "steps"],
)
def test_ground_is_not_taken_for_a_fill_value(values):
    sentinels(values)


def test_one_peak_or_pit_is_ground():
    values = HILLS.copy()
    values[20, 20] = 330.0
    values[30, 30] = 180.0
    sentinels(values)


def test_millimetres_are_large_numbers_and_no_fill_value():
    values = HILLS * 1000.0
    sentinels(values * 10, 0.0001)


@settings(deadline=None)
@given(hnp.arrays(np.float64, (9, 9), elements=st.floats(-400, 8800)))
def test_rough_ground_of_any_form_is_not_taken_for_a_fill_value(values):
    """Cells that all differ: a fill value is one that several cells share."""
    values = values + np.arange(81).reshape(9, 9) * 1e-3
    if len(np.unique(values)) == 81:
        known = {-9999.0, 9999.0, 0.0}
        if not known & set(values.ravel().tolist()):
            sentinels(values)


# --- heights and relief ---


def test_heights_on_earth():
    checks.check_elevations(np.array([[-430.0, 8849.0]]), file="dem.tif")
    assert code_of(checks.check_elevations, np.array([[-9999.0]]), file="a") == "E-VALUE-02"
    assert code_of(checks.check_elevations, np.array([[29_032.0]]), file="a") == "E-VALUE-02"
    checks.check_elevations(np.array([[np.nan]]), file="a")


@pytest.mark.parametrize(("rise", "warned"), [(0.9, False), (1.1, True), (3.28, True)])
def test_ground_steeper_than_45_degrees_by_half_is_doubted(rise, warned):
    plane = rise * 10.0 * np.arange(30.0)[:, None] + np.zeros((30, 30))
    notes = checks.check_relief(plane, cell_size_m=10.0, file="dem.tif")
    assert [note.code for note in notes] == (["W-STEEP-01"] if warned else [])


def test_relief_of_nothing_known():
    assert checks.check_relief(np.full((5, 5), np.nan), cell_size_m=1.0, file="a") == ()


# --- class codes ---


def test_class_codes():
    values = np.array([41.0, 81.0, np.nan])
    assert checks.check_class_codes(values, file="a").tolist() == [41, 81, -1]
    assert code_of(checks.check_class_codes, np.array([41.5]), file="a") == "E-CODES-02"
    assert code_of(checks.check_class_codes, np.array([-3]), file="a") == "E-CODES-02"
    assert code_of(checks.check_class_codes, np.array([2**40]), file="a") == "E-CODES-02"
    checks.check_class_scale(1.0, 0.0, file="a")
    assert code_of(checks.check_class_scale, 0.1, 0.0, file="a") == "E-CODES-02"


@pytest.mark.parametrize(
    ("role", "share", "warned"),
    [
        (CoverRole.WATER, 0.4, False),
        (CoverRole.WATER, 0.6, True),
        (CoverRole.BUILT, 0.2, False),
        (CoverRole.BUILT, 0.4, True),
        (CoverRole.SNOW, 0.4, True),
        (CoverRole.TREE, 1.0, False),
    ],
)
def test_a_parcel_of_water_or_houses_puts_the_legend_in_doubt(role, share, warned):
    cells = np.full(100, CoverRole.PASTURE, dtype=np.int8)
    cells[: int(share * 100)] = role
    notes = checks.check_roles(cells, legend="nlcd", file="a")
    assert [note.code for note in notes] == (["W-LEGEND-01"] if warned else [])


# --- coverage ---


@pytest.mark.parametrize(
    ("share", "codes"), [(1.0, []), (0.95, []), (0.94, ["W-COVER-01"]), (0.6, ["W-COVER-01"])]
)
def test_coverage_of_the_parcel(share, codes):
    inside = np.zeros((20, 20), dtype=bool)
    inside[5:15, 5:15] = True
    known = np.ones((20, 20), dtype=bool)
    hidden = np.flatnonzero(inside)[: round((1 - share) * 100)]
    known.ravel()[hidden] = False
    found, notes = checks.check_coverage(known, inside, file="a", what="DEM")
    assert found == pytest.approx(share)
    assert [note.code for note in notes] == codes


def test_too_little_coverage():
    inside = np.ones((10, 10), dtype=bool)
    known = inside.copy()
    known.ravel()[:41] = False
    assert code_of(checks.check_coverage, known, inside, file="a", what="DEM") == "E-COVER-02"


def test_coverage_of_the_ground_around():
    inside = np.zeros((20, 20), dtype=bool)
    inside[5:15, 5:15] = True
    _, notes = checks.check_coverage(inside.copy(), inside, file="a", what="DEM")
    assert [note.code for note in notes] == ["W-COVER-02"]


# --- parcels, clocks ---


@pytest.mark.parametrize(
    ("area_m2", "passes"), [(99, False), (100, True), (5e9, True), (5.1e9, False)]
)
def test_areas(area_m2, passes):
    if passes:
        checks.check_area(area_m2, what="it")
    else:
        assert code_of(checks.check_area, area_m2, what="it") == "E-GEOM-03"


def test_a_strip_is_told_how_fine_the_cells_must_be():
    shape, inside = box(0, 0, 200, 1), np.zeros((5, 5), dtype=bool)
    with pytest.raises(SitingError) as caught:
        checks.check_cells(inside, shape, cell_size_m=10.0, what="it")
    assert caught.value.code == "E-GEOM-04"
    assert "1.0 m" in caught.value.cure
    inside.ravel()[:9] = True
    checks.check_cells(inside, shape, cell_size_m=10.0, what="it")


@pytest.mark.parametrize(
    ("zone", "lon", "warned"),
    [
        ("", 0.0, False),
        ("Etc/GMT+5", -80.5, False),
        ("Asia/Shanghai", 76.0, False),
        ("Europe/Madrid", -8.9, False),
        ("Pacific/Kiritimati", -157.4, False),
        ("America/Adak", -176.6, False),
        ("Asia/Tokyo", -80.5, True),
        ("Etc/GMT-5", -80.5, True),
    ],
)
def test_zones_far_from_the_sun(zone, lon, warned):
    assert bool(checks.check_zone(zone, lon)) is warned
