"""Properties 31 to 33: bearings in range, no sun in the frame when it can be had, turned land."""

from __future__ import annotations

import datetime as dt

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st
from shapely import LineString
from shapely.affinity import rotate

from siting.ground.view import ElevationGrid
from siting.heading.judged import Surroundings
from siting.heading.line_crossing import Lines
from siting.settings.protocol_heading import SunRules
from siting.types import CoverRole
from tests.aim_land import CELL, GRID, N, aim_of, land, look

SUN_ONLY = {
    f"{part}_weight": 0.0 for part in ("clear", "slant", "target", "private", "level", "cover")
}


@st.composite
def lands(draw: st.DrawFn) -> Surroundings:
    """Rough land with a house, some brush, a trail, and part of it outside the parcel."""
    rng = np.random.default_rng(draw(st.integers(0, 2**32 - 1)))
    coarse = rng.normal(size=(N // 10 + 1, N // 10 + 1)) * draw(st.floats(0, 6))
    height = np.kron(coarse, np.ones((10, 10)))[:N, :N]
    role = np.kron(rng.integers(1, 10, (16, 16)), np.ones((10, 10)))[:N, :N]
    a, b = rng.uniform(-60, 60, (2, 2))
    first = dt.date(2026, 1, 1) + dt.timedelta(days=draw(st.integers(0, 300)))
    return land(
        height=height,
        role=role.astype(np.int8),
        people=rng.random((N, N)) < 0.001,
        inside=np.kron(rng.random((16, 16)) < 0.8, np.ones((10, 10), bool))[:N, :N],
        lines=[Lines("trail", [LineString([a, b])])],
        latitude=draw(st.floats(-85, 85)),
        days=(first, first + dt.timedelta(days=draw(st.integers(0, 60)))),
    )


cells = st.integers(30, 120)
places = st.tuples(st.floats(-90, 90), st.floats(-90, 90))


@settings(deadline=None, max_examples=40)
@given(around=lands(), place=places)
def test_31_bearings_lie_in_their_range(around: Surroundings, place: tuple[float, float]) -> None:
    aim = aim_of(around, at=(place,))
    for bearing in (
        aim.heading_deg,
        aim.second_heading_deg,
        aim.magnetic_heading_deg,
        aim.second_magnetic_deg,
    ):
        assert bearing is not None
        assert 0.0 <= bearing < 360.0
    assert abs((aim.heading_deg - aim.second_heading_deg + 180) % 360 - 180) >= 90
    assert aim.score >= aim.second_score
    assert aim.score >= aim.scores.max() - 1e-6


@settings(deadline=None, max_examples=40)
@given(around=lands(), place=places)
def test_32_no_sun_in_the_frame_when_it_can_be_had(
    around: Surroundings, place: tuple[float, float]
) -> None:
    aim = aim_of(around, at=(place,), heading=SUN_ONLY)
    # Nothing else weighs: the best heading has the least sun there is (to what scores resolve).
    # Beyond the curve's last knot, three hours a day, all is equally bad.
    minutes = np.minimum(aim.sun_minutes, SunRules().curve[-1][0])
    assert minutes[int(aim.heading_deg // 5)] <= minutes.min() + 0.01


def turned(around: Surroundings, quarter: int) -> Surroundings:
    """The same land turned clockwise by quarters about the origin."""

    def turn(layer: np.ndarray) -> np.ndarray:
        return np.ascontiguousarray(np.rot90(layer, -quarter))

    lines = [
        Lines(group.kind, [rotate(g, -90 * quarter, origin=(0, 0)) for g in group.geometries])
        for group in around.lines
    ]
    return Surroundings(
        ground=ElevationGrid(turn(around.ground.dem), GRID),
        track=around.track,
        role=turn(around.role),
        inside=turn(around.inside),
        people=turn(around.people),
        lines=lines,
        dem_cell_m=around.dem_cell_m,
    )


@settings(deadline=None, max_examples=30)
@given(
    around=lands(), quarter=st.integers(1, 3), col=st.integers(30, 120), row=st.integers(30, 120)
)
def test_33_turning_the_world_turns_the_heading(
    around: Surroundings, quarter: int, col: int, row: int
) -> None:
    # Off the cell centres by an odd fraction: no sample falls on the border of two cells.
    x, y = (col - N // 2) * CELL + 0.3137, -(row - N // 2) * CELL + 0.1713
    x2, y2 = x, y
    for _ in range(quarter):
        x2, y2 = y2, -x2
    before = look(around, at=((x, y),), heading={"sun_weight": 0.0})
    after = look(turned(around, quarter), at=((x2, y2),), heading={"sun_weight": 0.0})
    for part in ("clear", "slant", "private", "level", "cover"):
        np.testing.assert_allclose(
            np.roll(before.parts[part][0], 18 * quarter), after.parts[part][0], atol=1e-4
        )
    np.testing.assert_allclose(np.roll(before.score[0], 18 * quarter), after.score[0], atol=1e-4)


@settings(deadline=None, max_examples=20)
@given(latitude=st.floats(20, 60))
def test_the_two_hemispheres_mirror_each_other(latitude: float) -> None:
    """Open flat land the year round: what faces south in the one faces north in the other."""
    north = look(land(latitude=latitude)).sun.minutes[0]
    south = look(land(latitude=-latitude)).sun.minutes[0]
    # Summer is eight days longer in the north and the sun's path is not quite the same.
    mirrored = np.roll(south[::-1], 37)
    np.testing.assert_allclose(north, mirrored, atol=8.0)


def test_role_values_cover_every_role() -> None:
    for role in CoverRole:
        judged = look(land(role=np.full((N, N), role, np.int8)))
        known = role is not CoverRole.UNKNOWN
        assert np.isfinite(judged.parts["cover"]).all() == known
