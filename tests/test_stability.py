"""What the trials draw, pick and say, by hand and against simulated ground."""

import itertools

import numpy as np
import pytest
from scipy.ndimage import gaussian_filter

from siting.scoring.stability import (
    best_within,
    draw_gradient_errors,
    draw_weights,
    picked,
    ranks_of,
    search_radius,
    told,
    turning_choices,
)
from siting.settings.protocol import Protocol
from siting.words.spot.doubt import stability_words


def weighted_mean(memberships, weights):
    whole = sum(weights.values())
    return sum(weights[name] * values for name, values in memberships.items()) / whole


def test_ties_go_to_the_one_earlier_in_the_list_and_unknown_comes_last():
    np.testing.assert_array_equal(ranks_of(np.array([[0.5, 0.5, 0.9]])), [[1, 2, 0]])
    np.testing.assert_array_equal(ranks_of(np.array([[np.nan, 0.0, 0.1]])), [[2, 1, 0]])


def test_drawn_weights_have_the_stated_interval():
    """A ratio of 1.6 (1.0 to 3.0): 95 % of the draws within, and a condition never above 0."""
    rng = np.random.default_rng(1)
    rule = Protocol().attractors.trail
    drawn = draw_weights(
        {"trail": rule.weight, "view": -0.1},
        spreads={"trail": rule.spread, "view": 0.3},
        n_draws=20_000,
        rng=rng,
        never_above_0=["view"],
    )
    assert drawn["trail"].mean() == pytest.approx(np.log(1.6), abs=0.01)
    assert np.diff(np.quantile(drawn["trail"], (0.025, 0.975)))[0] == pytest.approx(
        np.log(3.0), rel=0.03
    )
    assert drawn["view"].max() == 0.0


def test_draws_are_the_same_for_the_same_seed():
    once, again = (
        draw_weights({"a": 1.0}, spreads={"a": 0.3}, n_draws=9, rng=np.random.default_rng(7))["a"]
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


def test_picks_keep_apart_and_pass_over_closed_points():
    east, north = np.array([0.0, 30.0, 70.0, 200.0]), np.zeros(4)
    total = np.float32([[0.9, 0.8, 0.7, 0.1], [0.1, -np.inf, 0.3, 0.2], [-np.inf] * 4])
    got = picked(total, east, north, spacing_m=60.0, most=3)
    np.testing.assert_array_equal(got, [[0, 2, 3], [2, 3, 0], [-1, -1, -1]])


def test_the_search_circle_holds_its_share_and_no_less_than_the_cells():
    away = np.arange(1.0, 101.0)
    assert search_radius(away, share=0.8, least_m=5.0) == 80.0
    assert search_radius(np.zeros(50), share=0.8, least_m=12.1) == 15.0
    assert search_radius(np.full(5, np.nan), share=0.8, least_m=10.0) == 10.0


def test_words_follow_the_share():
    kept = np.zeros((100, 5), dtype=bool)
    kept[:70, 0] = True
    kept[70:85, 3] = True
    value = np.log(np.linspace(1.0, 3.0, 100)).astype(np.float32)

    def place(rows):
        return told(kept[rows], value[rows], radius_m=20.0, firm_share=0.8, fair_share=0.5)

    firm = place(slice(None))
    assert (firm.word, firm.share_first, firm.share_among, firm.among) == ("firm", 0.7, 0.85, 5)
    assert stability_words(firm) == (
        "Firm: in 100 trials with maps, heights and ratios changed within their errors, it stayed "
        "among the first 5 in 85\u00a0%; its index lay between 1.1 and 2.9."
    )
    assert [place(slice(start, None)).word for start in (40, 80)] == ["fair", "toss-up"]


def test_best_of_some_points_by_hand():
    total = np.float32([[0.1, 0.9, 0.5], [-np.inf, 0.2, -np.inf]])
    best, value = best_within(total, np.array([0, 2]))
    np.testing.assert_array_equal(best, [2, -1])
    np.testing.assert_array_equal(value, np.float32([0.5, -np.inf]))


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
