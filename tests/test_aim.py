"""Headings on built land where the right answer is known."""

from __future__ import annotations

import datetime as dt
import math

import numpy as np
import pytest
from shapely import LineString

from siting.ground.view import ElevationGrid
from siting.heading.judged import HEADINGS_DEG
from siting.heading.line_crossing import Lines
from siting.spot_parts import Aim, HeadingFacts, HeadingWords
from siting.types import CoverRole
from siting.words.spot.heading import heading_words, lens_advice, notes, reason, sun_when
from tests.aim_land import CELL, EAST, GRID, HALF, NORTH, NOWHERE, N, aim_of, land, look

ONLY_SUN = {
    "clear_weight": 0.0,
    "slant_weight": 0.0,
    "private_weight": 0.0,
    "level_weight": 0.0,
    "cover_weight": 0.0,
}


def only(part: str) -> dict[str, float]:
    parts = ("sun", "clear", "slant", "target", "private", "level", "cover")
    return {f"{name}_weight": float(name == part) for name in parts}


def at(values: np.ndarray, heading: float) -> float:
    return float(values[int(heading // 5) % 72])


def turn(a: float, b: float) -> float:
    return abs((a - b + 180) % 360 - 180)


# --- sun: the trade's rule, "common practice, no source" ------------------------------------


@pytest.mark.parametrize("latitude", [42.0, 43.5, 45.0])
@pytest.mark.parametrize(
    "days", [(None, None), (dt.date(2026, 4, 1), dt.date(2026, 11, 30))], ids=["year", "Apr-Nov"]
)
def test_open_flat_ground_north_best_south_second_east_west_worst(
    latitude: float, days: tuple[dt.date | None, dt.date | None]
) -> None:
    aim = aim_of(land(latitude=latitude, days=days))
    assert (aim.heading_deg, aim.second_heading_deg) == (0.0, 180.0)
    north, east, south, west = (at(aim.scores, h) for h in (0, 90, 180, 270))
    assert north > south > max(east, west)
    assert north == aim.scores.max()
    # The worst headings of all lie within 30 degrees of east or west.
    worst = HEADINGS_DEG[aim.scores.argmin()]
    assert min(turn(worst, 90), turn(worst, 270)) <= 30
    assert min(east, west) < aim.scores.min() + 0.1
    assert told(aim).reason == (
        "No low sun in the picture. The ground does not block the view for the first 15 m (49 ft)."
    )


def test_mirrored_at_35_south_by_computation() -> None:
    aim = aim_of(land(latitude=-35.0))
    assert (aim.heading_deg, aim.second_heading_deg) == (180.0, 0.0)
    assert at(aim.scores, 180) > at(aim.scores, 0) > at(aim.scores, 90)


def test_the_equator_works() -> None:
    aim = aim_of(land(latitude=0.0))
    assert {aim.heading_deg, aim.second_heading_deg} == {0.0, 180.0}
    assert "No low sun" in told(aim).reason


@pytest.mark.parametrize("latitude", [66.0, 70.0, 80.0])
def test_high_latitudes_say_that_no_heading_is_free_of_low_sun(latitude: float) -> None:
    assert "Every direction has some low sun here." in told(aim_of(land(latitude=latitude))).notes


def test_below_62_north_heading_is_free() -> None:
    assert "Every direction has some low sun here." not in told(aim_of(land(latitude=62.0))).notes


def test_polar_night() -> None:
    aim = aim_of(land(latitude=75.0, days=(dt.date(2026, 12, 1), dt.date(2026, 12, 31))))
    assert "The sun does not rise on these dates." in told(aim).reason
    assert told(aim).sun_when == ""


def test_evening_sun_facing_west() -> None:
    west = LineString([(0, -60), (0.0, 60)])
    judged = look(land(lines=[Lines("trail", [west])]))
    assert sun_when(judged.sun.by_hour[0, :, 54]) == "evening"
    assert sun_when(judged.sun.by_hour[0, :, 18]) == "morning"
    # At 10 E the sun is south at 11:20 universal time.
    assert sun_when(judged.sun.by_hour[0, :, 36]) == "morning and midday"


def test_a_ridge_to_the_east_cuts_the_morning_sun() -> None:
    """A straight ridge 100 m east, its crest 40 m above the ground at the lens.

    Skyline at azimuth A: atan(39.55 sin A / 100); due east 21.6 degrees, so of the sun below
    30 degrees about 70 % is gone to the east and none to the west.
    """
    height = np.clip(40.0 - 0.8 * np.abs(EAST - 100.0), 0.0, None)
    open_land, ridge = look(land()), look(land(height=height))
    azimuth = ridge.sky.horizon_deg[0]
    for index, degrees in ((36, 90.0), (28, 70.0), (44, 110.0)):
        expected = math.degrees(math.atan(39.55 * math.sin(math.radians(degrees)) / 100))
        assert azimuth[index] == pytest.approx(expected, abs=0.3)
    minutes, before = ridge.sun.minutes[0], open_land.sun.minutes[0]
    assert at(minutes, 90) < 0.5 * at(before, 90)
    assert at(minutes, 270) == pytest.approx(at(before, 270), rel=0.01)
    # With the morning sun gone the middle of the sunless range moves a little to the east.
    assert 0.0 < aim_of(land(height=height), heading=only("sun")).heading_deg <= 30.0


def test_hills_that_keep_off_the_sun_are_told() -> None:
    height = np.clip(40.0 - 0.8 * np.abs(EAST - 100.0), 0.0, None)
    north_south = LineString([(3, -60), (3, 60)])
    # With the sun's weight off and a trail to cross, an eastward slant wins; its sun is told.
    around = land(height=height, lines=[Lines("trail", [north_south])])
    judged = look(around)
    from siting.heading.aim import _facts

    facing_east = _facts(judged, 0, 18, track=around.track, zone_m=15.0, target="")
    assert any("Hills block the low sun for" in note for note in notes(facing_east))


# --- clear view ------------------------------------------------------------------------------


def test_a_bank_ahead_ends_the_clear_ground() -> None:
    """A wall 2 m high at the cell centre 8 m east; bilinear cells slope up from 6 m."""
    judged = look(land(height=np.where(EAST == 8, 2.0, 0.0)))
    # The near face is in sight, what is behind is not; rays aslant meet it up to 10 % later.
    assert 7.5 <= at(judged.ahead.clear_m[0], 90) <= 9.5
    assert at(judged.ahead.clear_m[0], 270) == 15.0
    assert at(judged.parts["clear"][0], 90) < 1.0 == at(judged.parts["clear"][0], 270)


def test_brush_in_the_canopy_raster_blocks_and_trees_do_not() -> None:
    for height, blocked in ((1.5, True), (0.2, False), (12.0, False)):
        canopy = np.where(np.abs(EAST - 6) < 1.5, height, 0.0)
        judged = look(land(canopy_m=canopy))
        assert (at(judged.ahead.clear_m[0], 90) < 8) == blocked
        assert at(judged.ahead.clear_m[0], 270) == 15.0


def test_unknown_canopy_blocks_nothing() -> None:
    judged = look(land(canopy_m=np.full((N, N), np.nan)))
    assert (judged.ahead.clear_m == 15.0).all()


def test_wide_cells_claim_no_view() -> None:
    aim = aim_of(land(dem_cell_m=10.0))
    assert "Check the view on site." in told(aim).reason
    assert "clear" not in aim.parts
    assert aim.best.clear_m is None
    assert "clear" in aim_of(land(dem_cell_m=5.0)).parts


# --- the line crossed -----------------------------------------------------------------------


@pytest.mark.parametrize("bearing", [0.0, 30.0, 77.5, 90.0, 140.0])
@pytest.mark.parametrize("gap", [0.0, 6.0])
def test_a_trail_is_crossed_at_a_slant(bearing: float, gap: float) -> None:
    radian = math.radians(bearing)
    along = np.array([math.sin(radian), math.cos(radian)])
    aside = np.array([math.cos(radian), -math.sin(radian)]) * gap
    trail = LineString([aside - 60 * along, aside + 60 * along])
    aim = aim_of(land(lines=[Lines("trail", [trail])]), heading=only("slant"))
    angle = abs((aim.heading_deg - bearing + 90) % 180 - 90)
    assert 20 <= angle <= 45
    assert "The trail runs diagonally across the picture." in told(aim).reason
    square = aim_of(
        land(lines=[Lines("trail", [trail])]), heading={**only("slant"), "crossing": "square"}
    )
    angle = abs((square.heading_deg - bearing + 90) % 180 - 90)
    assert angle >= 70
    assert "straight across" in told(square).reason


def test_the_camera_looks_towards_the_trail_and_not_away_from_it() -> None:
    trail = LineString([(-60, 8), (60, 8)])
    judged = look(land(lines=[Lines("trail", [trail])]))
    part = judged.parts["slant"][0]
    # 45 degrees from the trail: met 8 / sin 45 = 11.3 m ahead, a little beyond 3 to 10 m; from
    # behind never.
    assert at(part, 45) == pytest.approx(1.0 - 0.2 * (8 * 2**0.5 - 10) / 5)
    assert at(part, 135) == at(part, 225) == pytest.approx(0.2)
    assert at(judged.met.met_m[0], 45) == pytest.approx(8 / math.sin(math.radians(45)))


def test_no_line_no_part() -> None:
    judged = look(land(lines=[Lines("trail", [LineString([(-60, 40), (60, 40)])])]))
    assert np.isnan(judged.parts["slant"]).all()
    assert judged.met.near.kind[0] == ""


def test_a_trail_comes_before_a_nearer_edge() -> None:
    trail = Lines("trail", [LineString([(-60, 8), (60, 8)])])
    edge = Lines("forest edge", [LineString([(2, -60), (2, 60)])])
    assert look(land(lines=[trail, edge])).met.near.kind[0] == "trail"
    assert look(land(lines=[edge, trail])).met.near.kind[0] == "forest edge"


@pytest.mark.parametrize("bearing", [0.0, 45.0, 200.0, 315.0])
def test_the_feature_served_stands_in_the_picture(bearing: float) -> None:
    radian = math.radians(bearing)
    log = (10 * math.sin(radian), 10 * math.cos(radian))
    aim = aim_of(land(), target=log, heading=only("target"))
    assert turn(aim.heading_deg, bearing) <= 25
    assert "In view, 10 m (33 ft) ahead: Log over the brook." in told(aim).reason
    away = reason(facts(target="Log", target_turn_deg=120.0, target_m=10.0))
    assert "Not in view, 10 m (33 ft) away: Log. To get it in the picture, use a tree" in away
    assert away.endswith("on dry ground on its south side.")
    # Where that side is water or closed, it is not sent there.
    wet = reason(facts(target="Log", target_turn_deg=120.0, target_m=10.0, side_open=False))
    assert "Log" not in wet
    far = reason(
        facts(
            target="Log", target_turn_deg=5.0, target_m=18.0, line="trail", met_m=18.0,
            crossing_deg=60.0,
        )
    )  # fmt: skip
    assert far.lower().count("probably too far") == 1
    assert "Probably too far, 18 m (59 ft) ahead: Log." in far


@pytest.mark.parametrize("away", [0.0, 2.0, 31.0])
def test_a_feature_underfoot_or_far_off_does_not_turn_the_camera(away: float) -> None:
    aim = aim_of(land(), target=(0.0, -away))
    assert "target" not in aim.parts
    assert aim.heading_deg == 0.0
    assert "Log" not in told(aim).reason


# --- people and neighbours ------------------------------------------------------------------


def test_the_camera_looks_away_from_the_house() -> None:
    house = (np.abs(EAST) < 6) & (np.abs(NORTH - 40) < 6)
    aim = aim_of(land(people=house))
    assert at(aim.parts["private"], 0) < 0.7
    assert turn(aim.heading_deg, 0) > 30
    assert "road or building" not in told(aim).reason
    towards = look(land(people=house))
    assert at(towards.ahead.people_m[0], 0) == pytest.approx(34, abs=2.5)


def test_a_bank_screens_the_road() -> None:
    road = np.abs(NORTH - 40) < 3
    bank = np.where(np.abs(NORTH - 20) < 3, 4.0, 0.0)
    assert np.isfinite(at(look(land(people=road)).ahead.people_m[0], 0))
    assert np.isinf(at(look(land(people=road, height=bank)).ahead.people_m[0], 0))
    # Wide cells cannot show the bank: the road counts.
    coarse = look(land(people=road, height=bank, dem_cell_m=10.0))
    assert np.isfinite(at(coarse.ahead.people_m[0], 0))


def test_the_view_is_kept_on_the_parcel() -> None:
    aim = aim_of(land(inside=EAST < 12), heading={"sun_weight": 0.0})
    assert at(aim.parts["private"], aim.heading_deg) > 0.9
    assert at(aim.parts["private"], 90) < 0.4
    towards = look(land(inside=EAST < 12))
    assert at(towards.ahead.neighbour_share[0], 90) > 0.8
    assert at(towards.ahead.neighbour_share[0], 270) == 0.0


# --- ground and growth ----------------------------------------------------------------------


def test_a_plane_is_measured_exactly() -> None:
    judged = look(land(height=0.1 * EAST + 0.2 * NORTH))
    for heading in (0.0, 35.0, 90.0, 180.0, 300.0):
        radian = math.radians(heading)
        rise = 0.1 * math.sin(radian) + 0.2 * math.cos(radian)
        right = 0.1 * math.cos(radian) - 0.2 * math.sin(radian)
        # Elevations near 100 m are known to 8e-6 m in single precision, over 15 m: 1e-6.
        measured = (judged.ahead.rise_deg, judged.ahead.tilt_deg)
        slopes = [np.tan(np.radians(at(degrees[0], heading))) for degrees in measured]
        assert slopes == pytest.approx([rise, right], abs=1e-6)


def test_near_flat_ground_is_sought() -> None:
    steep_north = np.where(NORTH > 0, 0.5 * NORTH, 0.0)
    aim = aim_of(land(height=steep_north), heading=only("level"))
    assert turn(aim.heading_deg, 180) <= 90
    assert at(aim.parts["level"], 0) < 0.2


def test_missing_elevations_in_view_are_not_level_and_not_clear() -> None:
    height = np.where((NORTH > 6) & (NORTH < 10), np.nan, 0.0)
    judged = look(land(height=height))
    assert np.isnan(at(judged.parts["level"][0], 0))
    assert at(judged.ahead.clear_m[0], 0) < 8
    assert at(judged.parts["level"][0], 180) == 1.0


def test_shrub_in_view_is_avoided_and_told() -> None:
    role = np.where(NORTH > 0, CoverRole.SHRUB, CoverRole.PASTURE).astype(np.int8)
    aim = aim_of(land(role=role), heading=only("cover"))
    assert turn(aim.heading_deg, 180) <= 90
    facing_north = aim_of(land(role=role), heading=only("sun"))
    assert "There is brush to clear in the view." in told(facing_north).notes


def test_unknown_cover_is_not_judged() -> None:
    aim = aim_of(land(role=np.full((N, N), CoverRole.UNKNOWN, np.int8)))
    assert "cover" not in aim.parts


# --- frame ----------------------------------------------------------------------------------


def test_grid_north_is_not_true_north() -> None:
    """A house due grid north where grid north bears 20 degrees: it is seen at 20 degrees."""
    house = (np.abs(EAST) < 3) & (np.abs(NORTH - 40) < 3)
    judged = look(land(people=house, convergence_deg=20.0), camera={"field_of_view_deg": 10.0})
    seen = HEADINGS_DEG[np.isfinite(judged.ahead.people_m[0])]
    assert seen.mean() == pytest.approx(20.0)
    trail = Lines("trail", [LineString([(0, -60), (0, 60)])])
    assert look(land(lines=[trail], convergence_deg=20.0)).met.near.bearing_deg[0] == 20.0


def test_a_candidate_is_judged_the_same_alone_and_in_company() -> None:
    rng = np.random.default_rng(3)
    around = land(height=rng.normal(size=(N, N)), people=rng.random((N, N)) < 0.002)
    places = tuple((float(x), float(y)) for x, y in rng.uniform(-60, 60, (40, 2)))
    together = look(around, at=places)
    for i in (0, 17, 39):
        alone = look(around, at=(places[i],))
        assert np.array_equal(alone.score[0], together.score[i])


def test_compass_headings_and_their_refusal() -> None:
    aim = aim_of(land())
    assert aim.compass_model == "WMM2025"
    assert aim.compass_day == "2026-06-01"
    assert aim.magnetic_heading_deg == pytest.approx((0.0 - aim.declination_deg) % 360, abs=0.06)
    late = aim_of(land(), day=dt.date(2031, 1, 1))
    assert late.magnetic_heading_deg is None
    assert "No compass heading: the magnetic model only covers 2025 to 2029." in told(late).notes


def test_parts_stay_between_nought_and_one_on_rough_land() -> None:
    rng = np.random.default_rng(11)
    around = land(
        height=rng.normal(size=(N, N)) * 3,
        people=rng.random((N, N)) < 0.01,
        inside=rng.random((N, N)) < 0.9,
        role=rng.integers(0, 11, (N, N)).astype(np.int8),
        canopy_m=rng.random((N, N)) * 4,
        lines=[Lines("trail", [LineString([(-60, 5), (60, 30)])])],
    )
    judged = look(around, at=((0.0, 0.0), (10.3, -4.4)))
    for part in judged.parts.values():
        known = part[np.isfinite(part)]
        assert (known >= 0).all()
        assert (known <= 1).all()
    assert (judged.score > 0).all()
    assert (judged.score <= 1).all()


def test_a_camera_near_the_edge_of_the_elevations() -> None:
    edge = (HALF - 3) * CELL
    aim = aim_of(land(), at=((edge, 0.0),))
    assert aim.heading_deg >= 180 or aim.heading_deg == 0
    assert np.isfinite(aim.scores).all()


def test_far_elevations_bring_a_far_ridge_into_the_sky() -> None:
    from siting.grid import Grid

    grid = Grid(GRID.crs, -3000.0, 3000.0, 30.0, 200, 200)
    east = -3000 + (np.arange(200) + 0.5) * 30
    far = ElevationGrid(
        np.broadcast_to(100.0 + np.where(east > 2000, 600.0, 0.0), (200, 200)), grid
    )
    without, with_far = look(land()), look(land(far=far))
    assert at(with_far.sun.minutes[0], 90) < 0.7 * at(without.sun.minutes[0], 90)
    assert np.median(with_far.sky.reach_m) > 2500


# --- words ----------------------------------------------------------------------------------


def told(aim: Aim) -> HeadingWords:
    return heading_words(aim, lens_height_m=0.45)


def facts(**changes: object) -> HeadingFacts:
    given: dict[str, object] = {
        "heading_deg": 0.0,
        "sun_minutes": 0.0,
        "sun_by_hour": np.zeros(24),
        "least_sun_minutes": 0.0,
        "flat_minutes": 0.0,
        "sun_never_up": False,
        "clear_m": 15.0,
        "zone_m": 15.0,
        "line": "",
        "crossing_deg": float("nan"),
        "met_m": float("nan"),
        "target": "",
        "target_turn_deg": float("nan"),
        "target_m": float("nan"),
        "neighbour_share": 0.0,
        "people_m": float("inf"),
        "rise_deg": 0.0,
        "tilt_deg": 0.0,
        "brush_share": 0.0,
        "water_share": 0.0,
        "reach_m": 5000.0,
    }
    given.update(changes)
    return HeadingFacts(**given)  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("changes", "said"),
    [
        ({"rise_deg": -6.2}, "the ground falls 6° ahead: tilt the lens down to match"),
        ({"rise_deg": 8.0}, "the ground rises 8° ahead: tilt the lens up to match"),
        ({"rise_deg": 1.0}, "level, or tilted slightly down"),
        ({"rise_deg": float("nan")}, "tilt it to match the ground ahead"),
        ({"tilt_deg": 7.0}, "slopes 7° down to the left"),
        ({"tilt_deg": -7.0}, "slopes 7° down to the right"),
    ],
)
def test_lens_advice(changes: dict[str, object], said: str) -> None:
    text = lens_advice(facts(**changes), lens_height_m=0.45)
    assert said in text.lower()
    usual = "Lens 0.45 m (1.5 ft) above the ground; 0.3 to 0.6 m (1 to 2 ft) is usual. "
    assert text.startswith(usual)
    # A protocol beyond what is usual is not called usual.
    high = lens_advice(facts(**changes), lens_height_m=0.8)
    assert high.startswith("Lens 0.80 m (2.6 ft) above the ground. ")


@pytest.mark.parametrize(
    ("changes", "said"),
    [
        (
            {"line": "brook", "crossing_deg": 5.0, "met_m": 4.0},
            "The brook runs straight away from the camera.",
        ),
        (
            {"line": "trail", "crossing_deg": 80.0, "met_m": 4.0},
            "The trail runs straight across the picture.",
        ),
        ({"line": "trail", "crossing_deg": 80.0, "met_m": 44.0}, "The trail is out of view."),
        (
            {"line": "trail", "crossing_deg": 30.0, "met_m": 18.0},
            "The trail is 18 m (59 ft) away in this direction, probably too far.",
        ),
        ({"sun_minutes": 2.0}, "Hardly any low"),
        ({"people_m": 30.0}, "A road or building is in sight at 30 m (98 ft)."),
        ({"neighbour_share": 0.5}, "Part of the view is outside the parcel."),
        ({"clear_m": 1.0}, "The ground blocks nearly all of the view."),
        (
            {"inside_m": 29.6},
            "Beyond 30 m (98 ft) you would see the neighbour's land: turn the camera until it is "
            "out of the picture.",
        ),
        ({"inside_m": 60.0, "neighbour_share": 0.5}, "Beyond 60 m (200 ft) you would see"),
    ],
)
def test_reasons(changes: dict[str, object], said: str) -> None:
    assert said in reason(facts(**changes))


def test_notes() -> None:
    assert notes(facts()) == ()
    said = notes(facts(reach_m=600.0, water_share=0.2))
    assert "The maps show the skyline only as far as 600 m (1970 ft)." in said
    assert "Glare from open water is possible." in said


@pytest.mark.parametrize(
    ("turn_deg", "away_m", "said"),
    [(10.0, 9.0, "is in view"), (60.0, 9.0, "looks closer"), (10.0, 40.0, "looks closer")],
)
def test_what_is_out_of_the_picture_is_not_said_to_be_in_it(turn_deg, away_m, said) -> None:
    known = facts(
        won_by="target", rival_deg=315.0, target="a ford", target_turn_deg=turn_deg, target_m=away_m
    )
    assert said in notes(known)[0]


def test_the_view_is_measured_to_the_edge_of_the_parcel() -> None:
    # The parcel ends 20 m north of the place; straight north the picture leaves it there.
    judged = look(land(inside=NORTH < 20))
    assert at(judged.ahead.inside_m[0], 0) == pytest.approx(20.0, abs=2.5)
    assert np.isinf(at(judged.ahead.inside_m[0], 180))
    assert reason(facts()).count("parcel") == 0


def test_the_sun_is_taken_for_a_reason_that_is_told() -> None:
    aim = aim_of(land(), target=(0.0, -10.0), heading={"target_weight": 10.0})
    assert turn(aim.heading_deg, 180) <= 25
    assert any(
        "there would be less low sun, but this way what draws animals is in view" in note
        for note in told(aim).notes
    )
    assert not any("less low sun, but" in note for note in told(aim_of(land())).notes)


def test_nobody_stands_in_an_empty_frame() -> None:
    assert np.isinf(look(land(people=NOWHERE)).ahead.people_m).all()
