"""Edges of what is written: the 180th meridian, the corner of the rounding, cells of a table."""

from __future__ import annotations

import csv
import io
import math
import re
from dataclasses import replace

import pytest

from siting.report.files.gpx import gpx
from siting.report.files.public import public_place
from siting.report.files.tables import cell, table
from siting.report.shared.facts import spot_facts
from tests.fake_result import fake_result


@pytest.mark.parametrize("lon", [180.0, 179.99999999, 181.0, -180.0])
def test_no_longitude_of_a_waypoint_reaches_180(lon):
    """GPX 1.1 (topografix.com): longitudeType is -180.0 up to but not 180.0."""
    result = fake_result()
    facts = [replace(fact, lon=lon) for fact in spot_facts(result)]
    found = [float(text) for text in re.findall(r'<wpt [^>]*lon="([^"]+)"', gpx(result, facts))]
    assert found
    assert all(-180.0 <= value < 180.0 for value in found)


def test_no_longitude_of_a_table_reaches_180():
    result = fake_result()
    spots = tuple(replace(spot, lon=179.99999999) for spot in result.spots)
    assert {fact.lon for fact in spot_facts(replace(result, spots=spots))} == {-180.0}


def test_the_radius_covers_the_corner_of_the_rounding():
    """A parcel in the corner of its square of rounding is as far off as half the diagonal."""
    result = fake_result()
    for decimals in (1, 2):
        place = public_place(result, decimals=decimals)
        half_m = 0.5 * 10.0**-place.decimals * 111_320.0
        corner_m = math.hypot(half_m, half_m * math.cos(math.radians(place.lat)))
        assert place.radius_m >= corner_m + math.sqrt(result.land.parcel_shape.area)


@pytest.mark.parametrize("start", ["=", "+", "-", "@", "\t", "\r"])
def test_no_cell_of_text_is_a_formula(start):
    """What spreadsheets run (OWASP, CSV injection; from memory) has an apostrophe before it."""
    text = f"{start}1+2"
    assert cell(text) == f"'{text}"
    (row,) = csv.DictReader(io.StringIO(table(["a"], [{"a": text}]), newline=""))
    assert row["a"][0] == "'"
