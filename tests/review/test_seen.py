"""What real cameras looked at: the plan's own judgement of a heading, at the noted lens height."""

from __future__ import annotations

import datetime as dt
from dataclasses import replace

import numpy as np
import pytest

from siting.heading.judged import HEADINGS_DEG
from siting.pipeline import judge_parcel
from siting.read.land import read_parcel
from siting.review.assemble import cameras_of
from siting.review.blanks import _months
from siting.review.places import Judged, PlaceScore, judge_places
from siting.review.recorded.effort import CameraRow
from siting.review.recorded.season import Deployment, Season
from siting.review.seen import Seen, heading_column, seen_from
from siting.settings.load import load_inputs
from siting.settings.protocol import Protocol
from tests.review.valley import SAMPLE

MAY = dt.datetime(2026, 5, 1, tzinfo=dt.UTC)


@pytest.fixture(scope="module")
def valley():
    inputs = load_inputs(SAMPLE / "inputs.toml")
    return judge_parcel(inputs, Protocol(), read_parcel(inputs))


def camera(number: int, heading=None, height=None) -> Deployment:
    return Deployment(f"d{number}", -80.5, 43.5, MAY, MAY + dt.timedelta(days=60),
                      heading_deg=heading, height_m=height)  # fmt: skip


def test_a_noted_heading_is_judged_as_a_plans_heading(valley):
    east, north = 539_963.0, 4_819_927.0  # spot 1 of the sample farm
    judged = valley.view.judged(np.array([east]), np.array([north]))
    for heading in (0.0, 90.0, 225.0, 359.0):
        number = round(heading / 5) % 72
        found = seen_from(valley.view, east, north, camera(1, heading))
        if not judged.ahead.limited[0, number]:
            assert found.heading_score == pytest.approx(judged.score[0, number], abs=1e-6)
        assert found.horizon_deg.shape == valley.view.around.track.azimuth_deg.shape
        assert 0 <= found.growth_share <= 1
        zone_m = valley.view.camera.zone_m
        assert found.clear_share == pytest.approx(judged.ahead.clear_m[0, number] / zone_m)
    assert seen_from(valley.view, east, north, camera(1)) is None


def test_a_camera_that_looked_where_none_is_planned_is_data(valley):
    open_row, open_col = np.nonzero(valley.no_go == 0)
    east, north = valley.land.grid.xy(open_row[::400], open_col[::400])
    limited = valley.view.judged(east, north).ahead.limited
    i, number = (int(v[0]) for v in np.nonzero(limited))
    one = camera(1, float(HEADINGS_DEG[number]))
    assert seen_from(valley.view, float(east[i]), float(north[i]), one).heading_score > 0


def test_a_low_lens_sees_a_higher_skyline(valley):
    place = (valley.view, 539_963.0, 4_819_927.0)
    low, high = (seen_from(*place, camera(1, 90.0, height)) for height in (0.3, 4.0))
    assert (high.horizon_deg <= low.horizon_deg + 1e-4).all()
    assert high.horizon_deg.mean() < low.horizon_deg.mean()


def test_hills_keep_low_sun_out_of_the_picture(valley):
    one = camera(1, 90.0)
    row = CameraRow(one, 60.0, {30.0: 1.0}, "", one.id, 60.0)
    season = Season({one.id: one})
    flat = seen_from(valley.view, 539_963.0, 4_819_927.0, one)
    wall = flat._replace(horizon_deg=np.full_like(flat.horizon_deg, 60.0))
    level, hills, walled = (
        [month.sun_min for month in _months(season, row, Protocol(), "Etc/GMT+5", seen)]
        for seen in (None, flat, wall)
    )
    assert all(a >= b for a, b in zip(level, hills, strict=True))
    assert max(walled) == 0 < min(level)


def seen(score: float) -> Seen:
    return Seen(score, np.zeros(72), 0.0)


def test_a_camera_without_a_heading_is_neither_better_nor_worse():
    fails, notes = heading_column([seen(0.9)] * 8 + [seen(0.5)] * 8 + [None] * 4, Protocol())
    assert [n.code for n in notes] == ["W-HEAD-03"]
    assert "16 of 20" in notes[0].text
    assert fails[16:] == pytest.approx(fails[:16].mean())
    assert fails[0] < fails[16] < fails[8]
    assert heading_column([seen(0.9)] * 20, Protocol())[1] == []


@pytest.mark.parametrize(("known", "without"), [(9, 0), (12, 13)])
def test_too_few_headings_are_not_judged(known, without):
    fails, notes = heading_column([seen(0.9)] * known + [None] * without, Protocol())
    assert fails is None
    assert [n.code for n in notes] == ["W-HEAD-04"]
    assert heading_column([None] * 30, Protocol()) == (None, [])


def test_the_heading_is_a_criterion_of_the_review():
    rows, places = [], {}
    for i in range(20):
        one = camera(i, 10.0 * i)
        rows.append(CameraRow(one, 60.0, dict.fromkeys((30.0, 0.0, 60.0), 3.0), "", one.id, 60.0))
        places[one.id] = PlaceScore("", "", 0.5, {"trail": 0.2}, 0, seen=seen(i / 20))
    judged = Judged(places, {"trail": 0.7}, np.zeros(5), ())
    cameras, _ = cameras_of(rows, judged, Protocol())
    assert cameras.names == ("trail", "heading")
    weight = Protocol().conditions.heading.weight
    assert cameras.protocol_w[1] == pytest.approx(weight)
    np.testing.assert_allclose(cameras.score, 0.5 + cameras.columns[:, 1] * weight)
    # Set beside open ground, which has no heading, the place alone counts.
    np.testing.assert_allclose(cameras.of_the_place, 0.5)
    without = replace(judged, places={k: replace(p, seen=None) for k, p in places.items()})
    assert cameras_of(rows, without, Protocol())[0].names == ("trail",)


@pytest.mark.slow
def test_places_of_a_season_carry_what_was_seen():
    held = [replace(camera(1, 45.0), lon=-80.5, lat=43.531), camera(2)]
    inputs = load_inputs(SAMPLE / "inputs.toml")
    found = judge_places([replace(held[0], id="a"), replace(held[1], id="b", lat=43.531)], inputs,
                         Protocol())  # fmt: skip
    assert found.places["a"].seen is not None
    assert found.places["b"].seen is None
