"""Rank acceptability against exact cases, and shaken slopes against simulated ground."""

import itertools

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp
from scipy.ndimage import gaussian_filter

from siting.ground.terrain import gradient, mean_within, slope_deg
from siting.scoring.stability import (
    draw_gradient_errors,
    draw_weights,
    listed_ranks,
    rank_acceptability,
    ranks_of,
    shaken_slopes,
    stability_of,
    turning_choices,
)
from siting.words.spots import stability_words


def weighted_mean(memberships, weights):
    whole = sum(weights.values())
    return sum(weights[name] * values for name, values in memberships.items()) / whole


def dirichlet_totals(scores, n_draws=100_000, seed=0):
    """Totals with weights drawn evenly from all that sum to 1; scores is (places, criteria)."""
    drawn = np.random.default_rng(seed).dirichlet(np.ones(scores.shape[1]), n_draws)
    return drawn @ scores.T


def test_two_criteria_case_with_exact_answer():
    """(1, 0), (0, 1), (.6, .6) under even weights: first in 0.4, 0.4 and 0.2 of all."""
    scores = np.array([[1, 0], [0, 1], [0.6, 0.6]])
    shares = rank_acceptability(dirichlet_totals(scores))
    # 100,000 draws: within 0.0031, 19 times in 20 (Tervonen & Lahdelma 2007)
    np.testing.assert_allclose(shares[:, 0], [0.4, 0.4, 0.2], atol=0.006)
    np.testing.assert_allclose(shares.sum(axis=0), 1.0)
    np.testing.assert_allclose(shares.sum(axis=1), 1.0)


def test_three_criteria_case_with_exact_answer():
    scores = np.vstack([np.eye(3), np.full((1, 3), 0.5)])
    shares = rank_acceptability(dirichlet_totals(scores))
    np.testing.assert_allclose(shares[:, 0], 0.25, atol=0.006)
    np.testing.assert_allclose(shares[3, 1], 0.75, atol=0.006)


def test_small_case_against_counting_every_weight():
    """All 3^3 weightings of four places, ranked by sorting by hand."""
    scores = np.array([[0.9, 0.1, 0.5], [0.2, 0.8, 0.6], [0.5, 0.5, 0.5], [0.1, 0.1, 0.9]])
    every = list(itertools.product([0.5, 1.0, 2.0], repeat=3))
    counts = np.zeros((4, 4))
    for weights in every:
        totals = [sum(w * s for w, s in zip(weights, row, strict=True)) for row in scores]
        order = sorted(range(4), key=lambda k: (-totals[k], k))
        for rank, place in enumerate(order):
            counts[place, rank] += 1
    drawn = np.array(every)
    np.testing.assert_array_equal(rank_acceptability(drawn @ scores.T), counts / len(every))


def test_ties_go_to_the_one_earlier_in_the_list_and_unknown_comes_last():
    np.testing.assert_array_equal(ranks_of(np.array([[0.5, 0.5, 0.9]])), [[1, 2, 0]])
    np.testing.assert_array_equal(ranks_of(np.array([[np.nan, 0.0, 0.1]])), [[2, 1, 0]])


def test_drawn_weights_have_the_stated_spread():
    rng = np.random.default_rng(1)
    drawn = draw_weights({"a": 0.5, "b": 0.9, "c": 0.0}, spread=0.3, n_draws=20_000, rng=rng)
    logs = np.log(drawn["a"] / 0.5)
    assert logs.mean() == pytest.approx(0, abs=0.01)
    assert logs.std() == pytest.approx(0.3, abs=0.01)
    assert (drawn["c"] == 0).all()
    assert drawn["b"].max() > 1
    capped = draw_weights({"b": 0.9}, spread=0.3, n_draws=500, rng=rng, capped=["b"])
    assert capped["b"].max() == 1.0


def test_draws_are_the_same_for_the_same_seed():
    once, again = (
        draw_weights({"a": 1.0}, spread=0.3, n_draws=9, rng=np.random.default_rng(7))["a"]
        for _ in range(2)
    )
    np.testing.assert_array_equal(once, again)


def simulated_gradients(error_m, correlation_m, seed):
    """Gradients at four places of many made error fields, 10 m cells."""
    cell, n, fields = 10.0, 96, 700
    rng = np.random.default_rng(seed)
    # white noise smoothed with standard deviation s has the covariance exp(-d^2 / 4 s^2)
    smoothing = correlation_m / np.sqrt(2) / cell
    out = []
    for _ in range(fields):
        field = gaussian_filter(rng.standard_normal((n, n)), smoothing, mode="wrap")
        field *= error_m * 2 * np.sqrt(np.pi) * smoothing  # back to the stated deviation
        down, right = np.gradient(field, cell)
        for row, col in itertools.product((20, 70), (20, 70)):
            at = [(row, col), (row, col + 4), (row + 8, col)]
            out.append([(right[p], -down[p]) for p in at])
    return np.array(out)


def test_gradient_errors_are_those_of_correlated_elevation_errors():
    """Covariance drawn in closed form against 2,800 samples of simulated fields."""
    error_m, correlation_m = 1.5, 80.0
    simulated = simulated_gradients(error_m, correlation_m, seed=2).reshape(-1, 6)
    drawn = draw_gradient_errors(
        np.array([0.0, 40.0, 0.0]),
        np.array([0.0, 0.0, -80.0]),
        error_m=error_m,
        correlation_m=correlation_m,
        n_draws=20_000,
        rng=np.random.default_rng(3),
    ).reshape(-1, 6)
    scale = (error_m / correlation_m) ** 2
    ours, theirs = np.cov(drawn.T) / scale, np.cov(simulated.T) / scale
    np.testing.assert_allclose(np.diag(ours), 1.0, atol=0.05)
    # central differences over two cells flatten the simulated gradient by about 1 %
    np.testing.assert_allclose(ours, theirs, atol=0.09)


def test_gradient_errors_of_near_places_are_nearly_the_same():
    drawn = draw_gradient_errors(
        np.array([0.0, 1.0, 5000.0]),
        np.zeros(3),
        error_m=1.0,
        correlation_m=100.0,
        n_draws=4000,
        rng=np.random.default_rng(4),
    )
    correlation = np.corrcoef(drawn[:, :, 0].T)
    assert correlation[0, 1] > 0.999
    assert abs(correlation[0, 2]) < 0.06
    assert drawn[:, 0, 0].std() == pytest.approx(0.01, rel=0.05)


def hilly(n=40):
    return gaussian_filter(np.random.default_rng(5).normal(size=(n, n)), 3) * 60


def test_unshaken_slope_is_the_slope_layer():
    dem = hilly()
    dem[10, 12] = np.nan
    want = mean_within(slope_deg(dem, 10.0), radius_m=25.0, cell_size_m=10.0)
    row, col = np.array([5, 20, 10, 9, 38]), np.array([7, 31, 12, 12, 20])
    east, north = gradient(dem, 10.0)
    got = shaken_slopes(
        east, north, row=row, col=col, radius_cells=2.5, errors=np.zeros((3, row.size, 2))
    )
    np.testing.assert_allclose(got, np.tile(want[row, col], (3, 1)), atol=1e-4)
    assert np.isnan(got[0, 2])


def test_shaken_slope_of_a_plane_by_hand():
    east, north = np.full((9, 9), 0.3), np.full((9, 9), 0.4)
    errors = np.array([[[0.0, 0.0]], [[0.3, 0.4]], [[-0.3, -0.4]], [[0.1, -0.4]]])
    got = shaken_slopes(
        east, north, row=np.array([4]), col=np.array([4]), radius_cells=1.5, errors=errors
    )
    np.testing.assert_allclose(np.tan(np.radians(got[:, 0])), [0.5, 1.0, 0.0, 0.4], atol=1e-6)


def test_words_follow_the_share():
    totals = np.tile([0.9, 0.6, 0.5, 0.4, 0.3, 0.2], (100, 1))
    totals[:30, 1] = 0.1  # the second place drops to the last in 30 of 100 draws
    totals[:65, 2] = 0.05  # the third in 65
    found = stability_of(totals, shown=4, first=2, firm_share=0.8, fair_share=0.4)
    # the fourth of six is of the lower half, and stays there in the other 35
    assert [s.word for s in found] == ["firm", "fair", "toss-up", "toss-up"]
    assert [s.among for s in found] == [2, 2, 3, 3]
    assert (found[3].behind, found[3].share_among) == (True, pytest.approx(0.35))
    assert found[0].share_first == 1.0
    assert found[1].share_among == 0.7
    assert stability_words(found[0]) == (
        "Firm: we changed the weights and heights a little 100 times; it stayed among the first 2 "
        "in 100\u00a0% and came first in 100\u00a0%."
    )
    # Never first: that is not said.
    assert stability_words(found[1]).endswith("among the first 2 in 70\u00a0%.")


def test_among_is_never_more_than_half_of_the_places():
    totals = np.tile([0.9, 0.6, 0.5], (10, 1))
    found = stability_of(totals, shown=10, first=5, firm_share=0.8, fair_share=0.4)
    assert [s.among for s in found] == [1, 1, 1]
    assert [s.behind for s in found] == [False, True, True]
    assert stability_words(found[2]).endswith("it stayed behind the first in 100\u00a0%.")


@pytest.mark.parametrize("n", [2, 3, 4, 7, 11, 19, 40])
def test_a_list_that_nothing_shakes_is_firm_throughout(n):
    """No place is asked whether it keeps a standing that it never had."""
    totals = np.tile(np.linspace(0.9, 0.1, n), (10, 1))
    found = stability_of(totals, shown=10, first=3, firm_share=0.8, fair_share=0.4)
    assert [(s.word, s.share_among) for s in found] == [("firm", 1.0)] * min(n, 10)


def test_a_place_of_the_lower_half_is_asked_how_often_it_stays_there():
    totals = np.tile([0.9, 0.8, 0.7, 0.6, 0.5], (100, 1))
    totals[:45, 3] = 0.85  # the fourth of five comes second in 45 of 100 draws
    found = stability_of(totals, shown=5, first=2, firm_share=0.8, fair_share=0.5)
    assert (found[3].among, found[3].behind, found[3].word) == (2, True, "fair")
    assert stability_words(found[3]).endswith("it stayed behind the first 2 in 55\u00a0%.")


def test_ranks_of_a_list_with_the_best_of_each_kind_by_hand():
    """Three of four are shown; the best pond goes in before the third trail, below the second."""
    totals = np.array([[0.9, 0.8, 0.7, 0.2], [0.1, 0.8, 0.7, 0.9]])
    kinds = ["trail", "trail", "trail", "pond"]
    got = listed_ranks(totals, shown=3, kinds=kinds)
    np.testing.assert_array_equal(got, [[0, 1, 3, 2], [3, 1, 2, 0]])
    np.testing.assert_array_equal(listed_ranks(totals, shown=3), ranks_of(totals))


def test_turning_choices_by_hand():
    """Place 0 (1, 0) against place 1 (0, 1): with weights 0.6 and 0.4 it turns at 2/3 and 3/2."""
    memberships = {"a": np.array([1.0, 0.0]), "b": np.array([0.0, 1.0])}
    found = turning_choices(memberships, {"a": 0.6, "b": 0.4}, combine=weighted_mean)
    assert [c.criterion for c in found] == ["a", "b"]
    assert [c.winner for c in found] == [1, 1]
    # the nearest weight tried is at most one step of 5 % beyond the true turn
    assert 0.4 / 1.06 < found[0].turns_at < 0.4
    assert 0.6 < found[1].turns_at < 0.6 * 1.06


def test_no_choice_turns_a_winner_that_leads_in_everything():
    memberships = {"a": np.array([0.9, 0.1]), "b": np.array([0.8, 0.7])}
    assert turning_choices(memberships, {"a": 1.0, "b": 1.0}, combine=weighted_mean) == ()


def test_capped_weight_is_not_tried_above_one():
    memberships = {"a": np.array([0.0, 1.0]), "b": np.array([1.0, 0.0])}
    weights = {"a": 0.8, "b": 0.9}
    found = turning_choices(memberships, weights, combine=weighted_mean, capped=["a", "b"])
    assert {c.criterion for c in found} == {"a", "b"}
    found = turning_choices(
        memberships, {"a": 0.5, "b": 0.9}, combine=weighted_mean, capped=["a", "b"]
    )
    assert {c.criterion: c.turns_at <= 1 for c in found} == {"a": True, "b": True}


scores = hnp.arrays(
    np.float64, st.tuples(st.integers(1, 12), st.integers(1, 9)), elements=st.floats(0, 1)
)


@settings(deadline=None)
@given(scores)
def test_every_draw_ranks_every_place_once(totals):
    shares = rank_acceptability(totals)
    np.testing.assert_allclose(shares.sum(axis=0), 1.0)
    np.testing.assert_allclose(shares.sum(axis=1), 1.0)


@settings(deadline=None)
@given(scores, st.data())
def test_a_place_that_is_dominated_is_never_more_often_first(totals, data):
    n = totals.shape[1]
    better, worse = data.draw(st.integers(0, n - 1)), data.draw(st.integers(0, n - 1))
    if better == worse:
        return
    totals[:, worse] = totals[:, better] - 0.01
    shares = rank_acceptability(totals).cumsum(axis=1)
    assert (shares[better] >= shares[worse] - 1e-12).all()
