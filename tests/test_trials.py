"""The list put to the test: what is shaken, and what is told."""

from __future__ import annotations

import numpy as np
import pytest

from siting.grid import Grid
from siting.scoring.combine import combine
from siting.scoring.trials import elevation_error_m, try_ranks
from siting.settings.protocol import Protocol, Scoring
from siting.settings.protocol_travel import StabilityRules
from siting.types import Candidate
from siting.words.notes import notes_of

GRID = Grid("EPSG:32617", 0.0, 600.0, 10.0, 60, 60)
FLAT_CURVE = Protocol().conditions.flat.curve


def places_at(*cells):
    out = []
    for row, col in cells:
        easting, northing = GRID.xy(row, col)
        out.append(Candidate(row, col, float(easting), float(northing), 0.5, 1))
    return out


def tried(parts, weights, *, dem=None, cells=((10, 10), (30, 40), (50, 15)), **changes):
    scores = combine(
        {name: np.float32(values) for name, values in parts.items()},
        weights=weights,
        scoring=Scoring(),
    )
    return try_ranks(
        places_at(*cells),
        scores,
        shown=len(cells),
        dem=np.zeros(GRID.shape, dtype=np.float32) if dem is None else dem,
        grid=GRID,
        dem_cell_m=10.0,
        view_m=15.0,
        steep_deg=20.0,
        flat_curve=FLAT_CURVE,
        scoring=Scoring(),
        rules=StabilityRules(**changes),
    )


def test_a_clear_winner_is_firm_and_nothing_turns_it():
    firm, remarks = tried(
        {"trail": [1.0, 0.3, 0.2], "flat": [1.0, 1.0, 1.0]}, {"trail": 0.9, "flat": 1.0}
    )
    assert firm[0].word == "firm"
    assert firm[0].share_first > 0.99
    assert "No single weight" in notes_of(remarks)[0].text


def test_two_equal_places_are_a_toss_up_and_the_weight_that_turns_them_is_named():
    firm, remarks = tried(
        {"trail": [0.8, 0.0, 0.0], "edge": [0.0, 0.8, 0.1], "flat": [1.0, 1.0, 1.0]},
        {"trail": 0.61, "edge": 0.6, "flat": 1.0},
    )
    assert firm[0].word in ("toss-up", "fair")
    assert 0.4 < firm[0].share_first < 0.7
    assert '(spot 2) if "game trail or quiet path" counted' in notes_of(remarks)[0].text


def test_elevation_error_makes_steep_places_doubtful():
    """A place just under the limit of 20 degrees drops out of about half of the trials."""
    col = np.indices(GRID.shape)[1]
    dem = np.where(col < 25, col * 10 * np.tan(np.radians(19.9)), 91.0).astype(np.float32)
    parts = {"trail": [1.0, 0.5, 0.2], "flat": [0.2, 1.0, 1.0], "view": [1.0, 1.0, 1.0]}
    weights = {"trail": 0.9, "flat": 0.05, "view": 1.0}
    firm, _ = tried(parts, weights, dem=dem, weight_spread=0.0)
    assert 0.2 < firm[0].share_first < 0.7
    calm, _ = tried(parts, weights, dem=dem, weight_spread=0.0, error_medium_m=0.0)
    assert calm[0].share_first == 1.0


def test_nothing_shaken_gives_the_list_itself():
    firm, _ = tried(
        {"trail": [0.9, 0.8, 0.7], "flat": [1.0, 1.0, 1.0]},
        {"trail": 0.9, "flat": 1.0},
        weight_spread=0.0,
        error_medium_m=0.0,
    )
    assert [f.share_first for f in firm] == [1.0, 0.0, 0.0]


def test_one_place_or_no_trials_say_nothing():
    parts, weights = {"trail": [0.9], "flat": [1.0]}, {"trail": 0.9, "flat": 1.0}
    assert tried(parts, weights, cells=((10, 10),)) == ((), ())
    three = {"trail": [0.9, 0.8, 0.7], "flat": [1.0, 1.0, 1.0]}
    assert tried(three, weights, draws=0) == ((), ())


@pytest.mark.parametrize(("cell_m", "error_m"), [(1.0, 0.2), (10.0, 1.0), (30.0, 3.0)])
def test_error_goes_by_the_cells_of_the_file(cell_m, error_m):
    assert elevation_error_m(cell_m, StabilityRules()) == error_m
