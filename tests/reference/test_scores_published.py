"""The combination of criteria held against published numbers."""

from __future__ import annotations

import math

import numpy as np
import pytest

from siting.curves import membership
from siting.scoring.combine import combine
from siting.settings.protocol import Scoring


def attraction(**parts: float) -> float:
    arrays = {name: np.float32([value]) for name, value in parts.items()}
    scores = combine(arrays, weights=dict.fromkeys(parts, 1.0), scoring=Scoring())
    return float(scores.attraction[0])


def test_fuzzy_algebraic_sum_of_bonham_carter():
    """Bonham-Carter 1994: memberships 0.75 and 0.5 give sum 0.875 (and product 0.375)."""
    assert attraction(trail=0.75, water=0.5) == pytest.approx(0.875, abs=1e-7)
    assert attraction(trail=0.75, water=0.5) != pytest.approx(0.375, abs=1e-3)


def test_weighted_geometric_mean_of_the_human_development_index():
    """UNDP goalposts and formula (read), country row from memory, 0.7666 by arithmetic: the
    geometric mean of three rescaled parts."""
    life = (79.4 - 20) / 65
    school = (8.4 / 15 + 13.9 / 18) / 2
    income = math.log(13413 / 100) / math.log(750)
    parts = {"flat": life, "view": school, "quiet": income}
    arrays = {name: np.float64([value]) for name, value in parts.items()}
    scores = combine(arrays, weights=dict.fromkeys(parts, 1.0), scoring=Scoring())
    assert float(scores.conditions[0]) == pytest.approx(0.7666, abs=5e-5)


def test_weighted_linear_combination_published():
    """0.5, 0.3, 0.2 on 0.9, 0.4, 0.1 give 0.59; the weighted geometric mean gives 0.454715
    (closed form)."""
    values = {"flat": 0.9, "view": 0.4, "quiet": 0.1}
    weights = {"flat": 0.5, "view": 0.3, "quiet": 0.2}
    arrays = {name: np.float64([value]) for name, value in values.items()}
    mean = combine(arrays, weights=weights, scoring=Scoring(method="weighted mean"))
    assert float(mean.total[0]) == pytest.approx(0.59, abs=1e-6)
    both = combine(arrays, weights=weights, scoring=Scoring())
    assert float(both.conditions[0]) == pytest.approx(0.454715, abs=1e-6)


def test_one_failed_condition_spoils_the_spot_and_one_missing_attractor_does_not():
    bad = {"trail": np.float32([1.0]), "flat": np.float32([0.0]), "view": np.float32([1.0])}
    weights = {"trail": 0.9, "flat": 1.0, "view": 1.0}
    assert combine(bad, weights=weights, scoring=Scoring()).total[0] == 0.0
    assert attraction(trail=0.0, water=1.0) == 1.0


def test_curves_are_straight_between_knots_and_nan_stays_nan():
    value = np.array([-5.0, 0.0, 1.5, 3.0, 20.0, 45.0, 60.0, 1e9, np.inf, np.nan])
    got = membership(value, [(0, 0.7), (3, 1), (10, 1), (30, 0.4), (60, 0)])
    want = [0.7, 0.7, 0.85, 1.0, 0.7, 0.2, 0.0, 0.0, 0.0, np.nan]
    np.testing.assert_array_equal(np.isnan(got), np.isnan(want))
    np.testing.assert_allclose(got, want, atol=1e-6)
