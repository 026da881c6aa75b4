"""The page's ways between the map's plane and the grid, held against PROJ."""

from __future__ import annotations

import numpy as np
import pytest

from siting.grid import Grid, transformer
from siting.report.shared.frame import degrees_of, mercator_of, page_frame, unwrapped, utm_zone

PLACES = [
    ("EPSG:32617", 540000.0, 4820000.0, 2.0, 900),
    ("EPSG:32617", 540000.0, 4820000.0, 10.0, 2000),  # 20 km wide
    ("EPSG:2154", 600000.0, 6400000.0, 5.0, 600),
    ("EPSG:5070", -1200000.0, 2500000.0, 10.0, 400),
    ("EPSG:32734", 400000.0, 6230000.0, 30.0, 300),
    ("EPSG:32701", 165000.0, 8100000.0, 5.0, 600),  # on the 180th meridian
    ("EPSG:32633", 500000.0, 8700000.0, 2.0, 900),  # 78 N
]


def ids(place):
    return f"{place[0]}-{place[3]:g}m-{place[4]}"


@pytest.mark.parametrize("place", PLACES, ids=ids)
def test_fits_follow_proj_within_a_millimetre(place):
    crs, left, top, cell, n = place
    grid = Grid(crs, left, top, cell, n, n)
    frame = page_frame(grid)
    rng = np.random.default_rng(3)
    easting = left + rng.random(500) * n * cell
    northing = top - rng.random(500) * n * cell
    lon, lat = transformer(crs, "EPSG:4326").transform(easting, northing)
    x, y = mercator_of(unwrapped(np.asarray(lon), frame.lon_0), np.asarray(lat))
    found = frame.to_grid(x, y)
    np.testing.assert_allclose(found[0], easting, atol=1e-3)
    np.testing.assert_allclose(found[1], northing, atol=1e-3)
    back = frame.to_mercator(easting, northing)
    np.testing.assert_allclose(back[0], x, atol=1e-3)
    np.testing.assert_allclose(back[1], y, atol=1e-3)
    assert frame.as_data()["max_error_m"] < 1e-3


def test_mercator_is_epsg_3857():
    """PROJ's own EPSG:3857, within a micrometre."""
    lon, lat = np.array([-80.5, 10.0, 179.0]), np.array([43.5, -33.9, 70.0])
    want = transformer("EPSG:4326", "EPSG:3857").transform(lon, lat)
    np.testing.assert_allclose(mercator_of(lon, lat), want, atol=1e-6)


def test_degrees_of_is_the_way_back():
    x, y = mercator_of(np.array([-80.5]), np.array([43.5]))
    assert degrees_of(float(x[0]), float(y[0])) == pytest.approx((43.5, -80.5), abs=1e-12)


@pytest.mark.parametrize(
    ("lon", "lat", "crs", "name"),
    [
        (-80.5, 43.5, "EPSG:32617", "UTM 17 north"),
        (19.0, -34.0, "EPSG:32734", "UTM 34 south"),
        (-179.9, -17.0, "EPSG:32701", "UTM 1 south"),
        (10.0, 88.0, "EPSG:32661", "UPS north"),
    ],
)
def test_utm_zone(lon, lat, crs, name):
    assert utm_zone(lon, lat) == (crs, name)


def test_longitudes_are_unwrapped_about_the_parcel():
    assert unwrapped(np.array([-179.9, 179.9]), 179.95).tolist() == pytest.approx([180.1, 179.9])
