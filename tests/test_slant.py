"""Local bearing of lines and the geometry of crossing them."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from shapely import LineString, MultiLineString, Point, Polygon

from siting.heading.line_crossing import (
    Lines,
    crossing_angle_deg,
    crossing_distance_m,
    nearest_line,
)

ORIGIN = (np.array([0.0]), np.array([0.0]))


@pytest.mark.parametrize("bearing", [0.0, 17.0, 90.0, 135.0, 179.0])
def test_bearing_of_a_straight_line(bearing: float) -> None:
    dx, dy = math.sin(math.radians(bearing)), math.cos(math.radians(bearing))
    line = LineString(
        [(-50 * dx + 4 * dy, -50 * dy - 4 * dx), (50 * dx + 4 * dy, 50 * dy - 4 * dx)]
    )
    near = nearest_line(*ORIGIN, lines=[Lines("trail", [line])], within_m=15.0)
    assert near.bearing_deg[0] == pytest.approx(bearing, abs=1e-6)
    assert near.distance_m[0] == pytest.approx(4.0)
    assert near.toward_deg[0] == pytest.approx((bearing + 90) % 360)


def test_the_bend_at_hand_counts_and_not_the_far_end() -> None:
    bend = LineString([(-100, 3), (100, 3), (100, 300)])
    near = nearest_line(*ORIGIN, lines=[Lines("trail", [bend])], within_m=15.0)
    assert near.bearing_deg[0] == pytest.approx(90.0)


def test_a_staircase_of_cells_is_smoothed_by_its_half_length() -> None:
    steps = [(x, x + d) for x in range(-100, 100, 10) for d in (0, 10)]
    line = LineString(steps)
    smooth = nearest_line(*ORIGIN, lines=[Lines("edge", [line], 20.0)], within_m=15.0)
    assert smooth.bearing_deg[0] == pytest.approx(45.0, abs=12)


def test_polygons_count_by_their_bank_and_points_not_at_all() -> None:
    pond = Polygon([(5, -50), (50, -50), (50, 50), (5, 50)])
    near = nearest_line(*ORIGIN, lines=[Lines("bank", [pond, Point(1, 1)])], within_m=15.0)
    assert (near.kind[0], near.distance_m[0], near.bearing_deg[0]) == ("bank", 5.0, 0.0)


def test_missing_empty_and_multipart_shapes() -> None:
    shapes = [None, LineString(), MultiLineString([[(0, 5), (10, 5)], [(0, 9), (1, 9)]])]
    near = nearest_line(*ORIGIN, lines=[Lines("trail", shapes)], within_m=15.0)
    assert near.distance_m[0] == 5.0
    assert nearest_line(*ORIGIN, lines=[Lines("trail", [])], within_m=15.0).kind[0] == ""


def test_the_order_of_the_features_does_not_matter() -> None:
    lines = [
        LineString([(-9, 4), (9, 4)]),
        LineString([(-9, -4), (9, -4)]),
        LineString([(4, -9), (4, 9)]),
    ]
    found = [
        nearest_line(*ORIGIN, lines=[Lines("trail", order)], within_m=15.0)
        for order in (lines, lines[::-1], [lines[1], lines[2], lines[0]])
    ]
    assert len({(f.toward_deg[0], f.bearing_deg[0]) for f in found}) == 1


@given(
    line=st.floats(0, 180, exclude_max=True),
    heading=st.floats(0, 360, exclude_max=True),
    gap=st.floats(0.5, 14),
)
def test_crossing_agrees_with_plane_geometry(line: float, heading: float, gap: float) -> None:
    radian = math.radians(line)
    along = np.array([math.sin(radian), math.cos(radian)])
    foot = np.array([math.cos(radian), -math.sin(radian)]) * gap
    trail = LineString([foot - 500 * along, foot + 500 * along])
    near = nearest_line(*ORIGIN, lines=[Lines("trail", [trail])], within_m=15.0)
    h = np.array([heading])
    look = np.array([math.sin(math.radians(heading)), math.cos(math.radians(heading))])
    angle = math.degrees(math.acos(min(abs(float(look @ along)), 1.0)))
    assert crossing_angle_deg(near, h)[0, 0] == pytest.approx(angle, abs=1e-4)
    met = crossing_distance_m(near, h, on_line_m=0.0)[0, 0]
    towards = float(look @ foot) / gap
    if towards > 0.05:
        assert met == pytest.approx(gap / towards, rel=1e-5)
    elif towards < -1e-3:
        assert met == math.inf
