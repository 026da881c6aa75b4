"""The table of sun minutes: totals, windows, zones, poles, equator, and a ridge."""

from __future__ import annotations

import datetime as dt

import numpy as np
import pandas as pd
import pytest

from siting.errors import SitingError
from siting.heading.sun import (
    SUN_RADIUS_DEG,
    SunTrack,
    in_view,
    low_somewhere,
    low_sun_minutes,
    sun_track,
)
from siting.heading.sun_position import sun_position

HEADINGS = np.arange(0, 360, 5.0)


def minutes(track: SunTrack, horizon: np.ndarray | float = 0.0, low: float = 30.0) -> np.ndarray:
    """Low sun in the frame per heading for one skyline, half view 25 degrees."""
    sky = np.broadcast_to(horizon, (1, len(track.azimuth_deg)))
    by_azimuth = low_sun_minutes(track, sky, low_sun_deg=low).sum(axis=1)
    return (by_azimuth @ in_view(track.azimuth_deg, HEADINGS, half_view_deg=25.0))[0]


def at(values: np.ndarray, heading: int) -> float:
    return float(values[heading // 5])


def test_day_lengths_at_the_equinox_are_twelve_hours_and_a_little() -> None:
    day = dt.date(2025, 3, 20)
    track = sun_track(0.0, 0.0, first_day=day, last_day=day, time_zone="UTC", step_min=1)
    above = track.minutes[:, :, track.elevation_edge_deg[:-1] >= 0].sum()
    # Refraction of about 0.5 degree at both ends of the day: 4 minutes.
    assert above == pytest.approx(724, abs=4)


def test_minutes_of_a_year_agree_with_collected_values() -> None:
    """Hours a year within 25 degrees of the heading and below 20 degrees (checks, item 4b)."""
    expected = {40: (0, 437, 0, 437), 45: (0, 435, 41, 434), 50: (0, 435, 246, 434)}
    for latitude, hours in expected.items():
        year = minutes(sun_track(float(latitude), 0.0, time_zone="UTC"), low=20.0) * 365 / 60
        found = [at(year, heading) for heading in (0, 90, 180, 270)]
        # 2 %: every fourth day, steps of ten minutes, bins of half a degree.
        assert found == pytest.approx(hours, abs=9), latitude


@pytest.mark.parametrize("latitude", [42.0, 43.5, 45.0])
@pytest.mark.parametrize("window", [(None, None), (dt.date(2026, 4, 1), dt.date(2026, 11, 30))])
def test_rule_of_practice_on_open_flat_ground(
    latitude: float, window: tuple[dt.date | None, dt.date | None]
) -> None:
    """North best, south second, east and west worst; common practice, no source."""
    for sign, best, second in ((1, 0, 180), (-1, 180, 0)):
        # South of the equator the same months are another season; the year round holds for both.
        days = window if sign > 0 else (None, None)
        track = sun_track(
            sign * latitude, 10.0, first_day=days[0], last_day=days[1], time_zone="UTC"
        )
        found = minutes(track)
        assert at(found, best) == found.min() == 0.0
        assert at(found, best) < at(found, second) < 0.8 * min(at(found, 90), at(found, 270))


def test_35_south_is_mirrored() -> None:
    found = minutes(sun_track(-35.0, 20.0, time_zone="Africa/Johannesburg"))
    assert at(found, 180) == 0.0
    assert 0.0 < at(found, 0) < at(found, 90)


def test_at_the_equator_north_and_south_are_alike() -> None:
    found = minutes(sun_track(0.0, 100.0, time_zone="Asia/Bangkok"))
    assert at(found, 0) == at(found, 180) == 0.0
    assert at(found, 90) == pytest.approx(at(found, 270), rel=0.05)


def test_no_heading_is_free_of_low_sun_at_70_north() -> None:
    assert minutes(sun_track(70.0, 25.0, time_zone="Europe/Oslo")).min() > 10


def test_polar_night_and_polar_day() -> None:
    night = sun_track(
        78.0,
        15.0,
        first_day=dt.date(2026, 12, 1),
        last_day=dt.date(2026, 12, 31),
        time_zone="Arctic/Longyearbyen",
    )
    assert night.never_up
    assert minutes(night).max() == 0.0
    day = sun_track(
        78.0,
        15.0,
        first_day=dt.date(2026, 6, 10),
        last_day=dt.date(2026, 6, 30),
        time_zone="Arctic/Longyearbyen",
    )
    assert day.minutes.sum() == pytest.approx(24 * 60, abs=1)


def test_hours_are_those_of_the_local_clock() -> None:
    day = {"first_day": dt.date(2026, 3, 20), "last_day": dt.date(2026, 3, 20)}
    london = sun_track(51.5, 0.0, **day, time_zone="UTC").minutes.sum(axis=(1, 2))
    tokyo = sun_track(51.5, 0.0, **day, time_zone="Asia/Tokyo").minutes.sum(axis=(1, 2))
    assert np.flatnonzero(london).tolist() == list(range(6, 19))
    # Nine hours ahead: the sun of that place rises in the afternoon of that clock.
    assert set(np.flatnonzero(tokyo)) == {*range(15, 24), *range(4)}


def test_day_with_a_clock_change_and_leap_day() -> None:
    for day in (dt.date(2026, 3, 29), dt.date(2026, 10, 25), dt.date(2028, 2, 29)):
        track = sun_track(48.0, 2.0, first_day=day, last_day=day, time_zone="Europe/Paris")
        assert track.n_days == 1
        assert 600 < track.minutes.sum() < 800


@pytest.mark.parametrize("year", [1900, 2100])
def test_far_years(year: int) -> None:
    track = sun_track(
        45.0,
        179.99,
        first_day=dt.date(year, 1, 1),
        last_day=dt.date(year, 12, 31),
        time_zone="Pacific/Auckland",
    )
    assert track.minutes.sum() == pytest.approx(737, abs=5)


def test_long_windows_are_sampled_without_bias() -> None:
    """The 92-day limit must not change what a window of 200 days gives by more than 2 %."""
    window = {"first_day": dt.date(2026, 4, 1), "last_day": dt.date(2026, 10, 17)}
    sampled = minutes(sun_track(45.0, 0.0, **window, time_zone="UTC"))
    every = np.mean(
        [
            minutes(sun_track(45.0, 0.0, first_day=day, last_day=day, time_zone="UTC"))
            for day in pd.date_range(window["first_day"], window["last_day"]).date
        ],
        axis=0,
    )
    assert sampled == pytest.approx(every, abs=1.5)


def test_a_ridge_to_the_east_cuts_the_morning_sun() -> None:
    """A straight ridge 1 km east, 200 m above the lens: skyline atan(0.2 sin A) to the east."""
    track = sun_track(45.0, 0.0, time_zone="UTC")
    radians = np.radians(track.azimuth_deg)
    skyline = np.degrees(np.arctan(0.2 * np.clip(np.sin(radians), 0, None)))
    flat, cut = minutes(track), minutes(track, skyline)
    # The same by brute force, instant by instant, with no table.
    times = pd.date_range("2025-01-01", "2025-12-31 23:55", freq="5min", tz="UTC")
    sun = sun_position(times, latitude_deg=45.0, longitude_deg=0.0)
    turn = np.abs((sun.azimuth_deg - 90 + 180) % 360 - 180)
    ridge = np.degrees(np.arctan(0.2 * np.clip(np.sin(np.radians(sun.azimuth_deg)), 0, None)))
    seen = sun.apparent_elevation_deg
    for found, sky in ((flat, 0.0), (cut, ridge)):
        exact = 5 * ((turn < 25) & (seen > sky - SUN_RADIUS_DEG) & (seen < 30)).sum() / 365
        assert at(found, 90) == pytest.approx(exact, abs=1.5)
    assert at(cut, 90) < 0.7 * at(flat, 90)
    assert at(cut, 270) == at(flat, 270)


def test_a_skyline_below_level_counts_as_level() -> None:
    track = sun_track(45.0, 0.0, time_zone="UTC")
    assert minutes(track, -5.0) == pytest.approx(minutes(track, 0.0))


def test_a_wall_all_round_leaves_no_low_sun() -> None:
    track = sun_track(45.0, 0.0, time_zone="UTC")
    assert minutes(track, 40.0).max() == 0.0


def test_where_the_sun_never_stands_low_a_skyline_keeps_none_out() -> None:
    """A score looks along no other rays, so none of them may matter."""
    summer = dt.date(2025, 5, 1), dt.date(2025, 8, 1)
    track = sun_track(45.0, 0.0, first_day=summer[0], last_day=summer[1], time_zone="UTC")
    asked = low_somewhere(track, low_sun_deg=30.0)
    assert 0.2 < asked.mean() < 0.8
    wall = np.full((1, len(asked)), 90.0)
    seen, kept = (
        low_sun_minutes(track, sky, low_sun_deg=30.0)
        for sky in (np.where(asked, 0.0, wall), np.where(asked, wall, 0.0))
    )
    np.testing.assert_array_equal(seen, low_sun_minutes(track, 0.0 * wall, low_sun_deg=30.0))
    assert not kept.any()


def test_in_view_adds_up_to_the_field_of_view() -> None:
    azimuths = np.arange(144) * 2.5
    share = in_view(azimuths, HEADINGS, half_view_deg=25.0)
    assert share.sum(axis=0) * 2.5 == pytest.approx(50.0)


@pytest.mark.parametrize(
    ("change", "code"),
    [
        ({"time_zone": "Middle-earth/Shire"}, "E-TIME-01"),
        ({"time_zone": ""}, "E-TIME-01"),
        ({"time_zone": None}, "E-TIME-01"),
        ({"first_day": dt.datetime(2026, 4, 1, 12)}, "E-TIME-01"),
        ({"last_day": dt.datetime(2026, 4, 1, 12)}, "E-TIME-01"),
        ({"first_day": dt.date(2026, 4, 2), "last_day": dt.date(2026, 4, 1)}, "E-TIME-02"),
        ({"first_day": dt.date(1, 1, 1)}, "E-TIME-02"),
        ({"last_day": dt.date(9999, 12, 31)}, "E-TIME-02"),
        ({"latitude_deg": 91.0}, "E-CRS-07"),
        ({"longitude_deg": float("nan")}, "E-CRS-07"),
    ],
)
def test_faults_have_a_code_and_a_cure(change: dict[str, object], code: str) -> None:
    given: dict[str, object] = {"latitude_deg": 45.0, "longitude_deg": 0.0, "time_zone": "UTC"}
    given.update(change)
    place = [given.pop("latitude_deg"), given.pop("longitude_deg")]
    with pytest.raises(SitingError) as caught:
        sun_track(*place, **given)  # type: ignore[arg-type]
    assert caught.value.code == code
    assert caught.value.cure


def test_a_time_with_its_zone_becomes_the_local_day() -> None:
    late = dt.datetime(2026, 4, 1, 23, tzinfo=dt.UTC)
    track = sun_track(-33.0, 151.0, first_day=late, last_day=late, time_zone="Australia/Sydney")
    assert track.first_day == track.last_day == dt.date(2026, 4, 2)


def test_naive_times_are_refused() -> None:
    with pytest.raises(SitingError, match="E-TIME-01"):
        sun_position(pd.DatetimeIndex(["2026-04-01 12:00"]), latitude_deg=45.0, longitude_deg=0.0)


def test_one_end_of_the_window_gives_a_year() -> None:
    track = sun_track(45.0, 0.0, first_day=dt.date(2026, 5, 1), time_zone="UTC")
    assert (track.n_days, track.first_day) == (365, dt.date(2026, 5, 1))
    track = sun_track(45.0, 0.0, last_day=dt.date(2026, 5, 1), time_zone="UTC")
    assert (track.n_days, track.last_day) == (365, dt.date(2026, 5, 1))


def test_the_180th_meridian_is_a_place_from_either_side():
    """A map's arithmetic gives -180.00000000000003 back; the parcel there was refused."""
    days = {"first_day": dt.date(2027, 4, 1), "last_day": dt.date(2027, 4, 3)}
    east, west = (
        sun_track(-17.0, lon, time_zone="Pacific/Fiji", **days)
        for lon in (-180.00000000000003, -180.0)
    )
    assert np.array_equal(east.azimuth_deg, west.azimuth_deg)
