"""Field test A10: what a heading must never do, on built land with one closed thing at a time."""

from __future__ import annotations

import numpy as np
import pytest

from siting.heading.aim import best_and_second, by_eight
from siting.heading.judged import HEADINGS_DEG
from siting.heading.limits import Closed, in_picture
from siting.words.spot.heading import heading_words
from tests.aim_land import EAST, NORTH, NOWHERE, aim_of, land, look

# A sun-free land would look north; the closed thing lies there, 12 m ahead.
AHEAD = (NORTH > 12) & (np.abs(EAST) < 40)


def closed(**changes):
    return Closed(**({"filled": NOWHERE, "sighted": NOWHERE, "tracks": NOWHERE} | changes))


def turn(a, b):
    return abs((a - b + 180) % 360 - 180)


def test_the_open_land_looks_north():
    assert aim_of(land()).heading_deg == 0


@pytest.mark.parametrize("kind", ["filled", "sighted", "tracks"])
def test_no_heading_into_what_is_closed(kind):
    judged = look(land(closed=closed(**{kind: AHEAD})))
    assert judged.ahead.limited[0, 0]
    assert judged.score[0, 0] == 0
    for heading in HEADINGS_DEG[judged.ahead.limited[0]]:
        assert turn(heading, 0) < 110
    aim = aim_of(land(closed=closed(**{kind: AHEAD})))
    assert turn(aim.heading_deg, 0) > 45
    assert np.isnan(aim.second_heading_deg) or turn(aim.second_heading_deg, 0) > 45


def test_of_eight_directions_the_middle_stands_for_the_span():
    """Ground and lines known to tens of metres give one of eight directions, not degrees."""
    judged = by_eight(look(land(closed=closed(filled=AHEAD))))
    (best,), _ = best_and_second(judged, second_turn_deg=90.0)
    assert HEADINGS_DEG[best] % 45 == 0
    assert len(np.unique(judged.score[0].round(9))) <= 8
    open_land = by_eight(look(land()))
    assert HEADINGS_DEG[best_and_second(open_land, second_turn_deg=90.0)[0][0]] == 0
    # A direction is closed with a quarter of its headings, whatever its middle.
    assert judged.ahead.limited[0, 0]
    assert judged.ahead.limited[0].reshape(-1)[[68, 71, 0, 4]].all()


def test_a_strip_at_the_side_of_the_picture_is_no_bar():
    """A fifth of the picture may be water: a brookside spot still looks along the brook."""
    pond = EAST > 14
    judged = look(land(closed=closed(filled=pond)))
    assert not judged.ahead.limited[0, 0]
    assert judged.ahead.limited[0, 18]  # east


def test_a_house_counts_farther_off_than_a_pond_and_a_track():
    far = (np.abs(NORTH - 50) < 4) & (np.abs(EAST) < 8)
    assert look(land(closed=closed(sighted=far))).ahead.limited[0, 0]
    assert not look(land(closed=closed(tracks=far))).ahead.limited[0, 0]
    assert not look(land(closed=closed(filled=far))).ahead.limited[0, 0]


def test_a_bank_hides_a_house_only_where_cells_can_show_a_bank():
    house = (np.abs(NORTH - 50) < 4) & (np.abs(EAST) < 8)
    bank = 6.0 * ((NORTH > 24) & (NORTH < 30))
    fine = look(land(height=bank, closed=closed(sighted=house)))
    assert not fine.ahead.limited[0, 0]
    coarse = look(land(height=bank, dem_cell_m=10.0, closed=closed(sighted=house)))
    assert coarse.ahead.limited[0, 0]


def test_where_all_is_closed_no_heading_has_a_score():
    judged = look(land(closed=closed(filled=np.hypot(EAST, NORTH) > 8)))
    assert judged.ahead.limited.all()
    assert (judged.score == 0).all()


@pytest.mark.parametrize(
    ("offset", "heading", "shown"),
    [
        ((0, 8), 0, True),
        ((0, 8), 24, True),
        ((0, 8), 90, False),  # beside the picture
        ((0, 18), 0, False),  # too far to be photographed
        ((1, -1), 0, True),  # on it: a step back brings it in
        ((-6, 0), 275, True),
    ],
)
def test_what_a_spot_is_named_for_is_in_its_picture(offset, heading, shown):
    got = in_picture(offset, heading, half_view_deg=25.0, most_m=10.0, on_it_m=3.0)
    assert got is shown


def test_tilt_is_not_claimed_from_wide_cells():
    """Field test A11: "the ground rises 4 degrees" from inside one cell of 25 m."""
    slope = 0.1 * NORTH
    fine, coarse = (look(land(height=slope, dem_cell_m=cell)) for cell in (2.0, 25.0))
    assert np.isfinite(fine.ahead.rise_deg).all()
    assert np.isnan(coarse.ahead.rise_deg).all()
    said = heading_words(aim_of(land(height=slope, dem_cell_m=25.0)), lens_height_m=0.45)
    assert "rises" not in said.lens


def test_less_low_sun_is_never_promised_in_the_direction_chosen():
    """Field test A10: "facing north-west there is less low sun" for a heading of 315."""
    from siting.heading.aim import _rather
    from siting.lengths import compass_word

    judged = look(land(), target=(12.0, 12.0))
    for chosen in range(72):
        won_by, rival_deg = _rather(judged, 0, chosen)
        assert not won_by or compass_word(rival_deg) != compass_word(float(HEADINGS_DEG[chosen]))
