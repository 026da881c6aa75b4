"""Parcels of a batch are compared by the maps that all of them have."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from siting.batch.jobs import options_of, parcel_row
from siting.batch.output.overview import overview_page, page_data
from siting.batch.output.tables import Batch
from siting.batch.rows import comparable_scores
from siting.batch.survey.assign_program import best_few
from siting.lengths import tenths
from siting.pipeline import site_land
from siting.scoring.combine import combine
from siting.scoring.common_maps import best_without, not_common
from siting.settings.protocol_assign import AssignRules
from siting.settings.protocol_score import Scoring
from siting.words.office.compared import compared_notes
from tests.properties.built_land import built_land, calm_protocol

PROTOCOL = calm_protocol(headings=True)


def twin(name, *, trails):
    """The same land, with and without its trails on the map."""
    land = built_land(5)
    if not trails:
        empty = land.vectors["trails"].iloc[:0]
        land = replace(land, vectors={**land.vectors, "trails": empty})
    land = replace(land, parcel=replace(land.parcel, id=name))
    return parcel_row(site_land(land, PROTOCOL), PROTOCOL)


@pytest.fixture(scope="module")
def twins():
    return [twin("well mapped", trails=True), twin("poorly mapped", trails=False)]


def test_twins_rank_alike_whatever_is_mapped(twins):
    """Their best spots differ by more than half; what they are compared by is the same.

    The interval of the trail's ratio is 1.0 to 3.0, so an index of 1.5 and one of 2.5 are alike
    within it; the comparison must be much closer than that.
    """
    well, poorly = twins
    assert well["best_score"] > 1.4 * poorly["best_score"]
    scores = comparable_scores(twins)
    assert scores[0] == pytest.approx(scores[1], rel=0.05)
    left_out = not_common([row["judged_by"] for row in twins])
    assert left_out == ("trails",)
    first = [options_of(row, left_out=left_out)[0].fair_score for row in twins]
    assert first[0] == pytest.approx(first[1], rel=0.05)
    assert len(best_few(options_of(well, left_out=left_out), AssignRules())) > 0
    assert (
        "trails shows nothing on 1 of 2 parcels"
        in compared_notes([row["judged_by"] for row in twins])[0]
    )


def test_the_overview_compares_by_the_same_and_shows_both(twins):
    batch = Batch(rows=twins, failures=(), shapes={}, pages={})
    found = page_data(batch, relief=None)["columns"]
    assert found["index"] == [tenths(score) / 10 for score in comparable_scores(twins)]
    assert found["own_index"] == [tenths(row["best_score"]) / 10 for row in twins]
    assert abs(found["index"][0] - found["index"][1]) <= 0.1
    assert found["own_index"][0] > found["index"][0] + 0.3
    page = overview_page(batch, relief=None, protocol_name="t")
    assert "trails shows nothing on 1 of 2 parcels" in page
    assert "by the maps that all parcels have" in page
    alike = overview_page(replace(batch, rows=[twins[0]] * 2), relief=None, protocol_name="t")
    assert "Signs, list and filter" not in alike


def test_parcels_with_the_same_maps_keep_their_index(twins):
    alike = [twins[0], twins[0]]
    assert comparable_scores(alike) == [row["best_score"] for row in alike]
    assert compared_notes([row["judged_by"] for row in alike]) == []


def test_best_without_by_hand():
    parts = {"trail": np.float32([[1.0, 0.0]]), "water": np.float32([[0.0, 1.0]])}
    logs = {"trail": np.log(1.6), "water": np.log(1.3)}
    scores = combine(parts, weights=logs, scoring=Scoring())
    everywhere = np.ones((1, 2), bool)
    found = best_without(scores, everywhere, scoring=Scoring())
    assert found == {"": 1.6, "trails": 1.3, "water": 1.6}
    assert best_without(scores, ~everywhere, scoring=Scoring()) == {}
