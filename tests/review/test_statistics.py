"""The estimators by hand, by invariance and by known truth."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from siting.review.change import fit_of
from siting.review.doubts.other_models import other_slopes
from siting.review.held_out import held_out, log_score
from siting.review.statistics import glm, ranks
from siting.review.statistics.headline import headline_slope
from siting.review.statistics.weights import shrunken
from tests.review.test_answer import W0, season


def test_pairs_by_hand():
    four = np.array([1.0, 2, 3, 4])
    # Six pairs; 2 and 3 are the wrong way round.
    assert ranks.pairs_won(four, np.array([1.0, 3, 2, 4])) == pytest.approx(5 / 6)
    assert ranks.pairs_won(four, np.ones(4)) == 0.5
    assert np.isnan(ranks.pairs_won(np.ones(4), four))
    # Of two equal scores nothing is said: one pair of three is left out.
    assert ranks.pairs_won(np.array([1.0, 1, 2]), np.array([5.0, 1, 9])) == 1.0


def test_what_lies_between_properties_is_taken_away():
    """Rates that rise from property to property, and fall by chance within them."""
    rng = np.random.default_rng(4)
    cluster = np.repeat(np.arange(20), 3)
    score = cluster + rng.normal(0, 0.1, 60)
    rate = cluster + rng.normal(0, 0.1, 60)
    assert ranks.pairs_won(score, rate) > 0.95
    assert ranks.permutation_p(score, rate, cluster) > 0.05
    assert ranks.permutation_p(score, rate, np.zeros(60)) < 0.01
    assert np.isnan(ranks.permutation_p(score, rate, np.arange(60)))


def test_where_a_membership_starts_does_not_matter():
    c = season(60)
    base = shrunken(c.events, c.days, c.columns, W0, tau=0.7, cluster=c.cluster)
    moved = shrunken(c.events, c.days, c.columns + 5.0, W0, tau=0.7, cluster=c.cluster)
    np.testing.assert_allclose(moved.w, base.w, atol=1e-6)


def test_properties_that_are_alike_are_seen():
    rng = np.random.default_rng(5)
    cluster = np.repeat(np.arange(40), 3)
    m, days = rng.uniform(size=(120, 3)), rng.integers(14, 61, 120)
    for spread, least, most in ((1.0, 0.6, 1.0), (0.0, 0.0, 0.35)):
        shift = rng.normal(0, 1, 40)[cluster] * spread
        mu = days * np.exp(-2 + m @ [1, 0.5, 0] + shift)
        y = rng.negative_binomial(2, 2 / (2 + mu))
        found = shrunken(y, days, m, np.zeros(3), tau=10.0, cluster=cluster)
        assert least <= found.spread <= most


def test_near_another_program_where_the_prior_says_little():
    """gpboost 1.8.0 by maximum likelihood on the same numbers: 0.694454, 0.350062, 0.023999."""
    rng = np.random.default_rng(5)
    m = rng.uniform(size=(120, 3))
    days = rng.integers(14, 61, 120)
    shift = rng.normal(0, 0.5, 40)
    cluster = np.repeat(np.arange(40), 3)
    mu = days * np.exp(-2 + m @ (1, 0.5, 0) + shift[cluster])
    y = rng.negative_binomial(1 / 0.8, 1 / (1 + 0.8 * mu))
    found = shrunken(y, days, m, np.zeros(3), tau=10.0, cluster=cluster)
    # Its variance of clusters is one number, ours is averaged over a grid.
    np.testing.assert_allclose(found.w, [0.694454, 0.350062, 0.023999], atol=0.08)


def test_rates_of_weeks_in_closed_form():
    """Two kinds of places: ln(-ln(1 - p)) of each; with the logit, ln odds."""
    trail = np.repeat([0, 1], 50)
    detected = np.concatenate([np.repeat([0, 1], 25), np.repeat([0, 3], [10, 40])])
    shares = detected[:50].sum() / 150, detected[50:].sum() / 150
    rate = glm.binomial(detected, np.full(100, 3), trail)
    exact = np.log(-np.log1p(-shares[1])) - np.log(-np.log1p(-shares[0]))
    assert rate.coef[1] == pytest.approx(exact, abs=1e-8)
    odds = glm.binomial(detected, np.full(100, 3), trail, link="logit")
    exact = np.log(shares[1] / (1 - shares[1])) - np.log(shares[0] / (1 - shares[0]))
    assert odds.coef[1] == pytest.approx(exact, abs=1e-8)


def test_cameras_left_out_are_harder_to_foretell():
    c = season(40)
    inside = log_score(fit_of(c, 0.7), c, c, np.ones(40, dtype=bool))
    assert held_out(c).proposed < inside - 1


def test_rates_change_places_within_their_property_only():
    """Score and rate agree wholly on each of two properties; the second is richer by far."""
    score = np.tile(np.arange(5.0), 2)
    rate = score + np.repeat([0.0, 100.0], 5)
    # 2 of 120 x 120 orders agree as well: 0.00014; orders over both properties would say 0.1.
    assert ranks.permutation_p(score, rate, np.repeat(["a", "b"], 5)) < 0.01


def test_other_models_agree_on_a_season_they_fit():
    c = season(150, alpha=0.4, each=1)
    at = np.random.default_rng(1).uniform(0, 20_000, (150, 2))
    found = dict(other_slopes(replace(c, at_m=at)))
    assert set(found) == {"alone", "busy", "field"}
    ours = headline_slope(c.events, c.days, c.score)
    for name in ("alone", "field"):
        assert found[name].value == pytest.approx(ours.value, abs=0.08)
        assert found[name].low < 1 < found[name].high
    assert other_slopes(season(30)) == ()


def test_days_with_a_record_are_asked_by_their_own_model():
    """Days drawn by their own chance 1 - exp(-rate): the complementary log-log gives 1 back."""
    rng = np.random.default_rng(8)
    score, days = rng.normal(0, 0.5, 400), np.full(400, 60.0)
    recorded = rng.binomial(60, -np.expm1(-0.5 * np.exp(score))).astype(float)
    c = season(400, each=1)
    made = replace(c, score=score, days=days, events=recorded, recorded_days=recorded)
    found = dict(other_slopes(made))
    assert found["days"].value == pytest.approx(1, abs=0.06)
    # Taken for counts, the days make the difference look smaller than it is.
    assert found["alone"].high < 0.9


def test_a_model_that_does_not_fit_is_left_out():
    c = season(60)
    same = replace(c, events=np.full(60, 5.0), days=np.full(60, 30.0), score=np.zeros(60))
    assert other_slopes(same) == ()
