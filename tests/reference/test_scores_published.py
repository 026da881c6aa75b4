"""The combination of criteria held against published numbers."""

from __future__ import annotations

import numpy as np
import pytest

from siting.criteria import conditions
from siting.kernels.curves import membership
from siting.scoring.combine import combine, weights_of
from siting.settings.load import protocol_for
from siting.settings.protocol import Protocol
from siting.settings.ratios.targets import TARGETS

PLAIN = dict.fromkeys(conditions(), 1.0)


def index(protocol: Protocol | None = None, **given: float) -> float:
    """Index of a place: plain ground but for the memberships given."""
    rules = protocol or Protocol()
    parts = {n: np.float64([v]) for n, v in {**PLAIN, **given}.items()}
    weights = weights_of(parts, attractors=rules.attractors, conditions=rules.conditions)
    return float(combine(parts, weights=weights, scoring=rules.scoring).total[0])


def test_plain_ground_is_one():
    assert index() == pytest.approx(1.0, abs=1e-7)
    assert index(trail=0.0, water=0.0, edge=0.0) == pytest.approx(1.0, abs=1e-7)


# What was measured, the membership it stands for, the group of animals, its 95 % interval.
PUBLISHED = [
    # Cusack et al. 2015, doi 10.1371/journal.pone.0126373; refitted from its open data
    ("game trail, all pictures", {"trail": 1}, "all mammals", 1.32, 1.79),
    ("game trail, ungulates", {"trail": 1}, "deer and other ungulates", 1.15, 1.61),
    ("game trail, carnivores", {"trail": 1}, "carnivores", 1.57, 3.53),
    # Rooney et al. 2025, doi 10.5061/dryad.k0p2ngfhn; refitted from its open data
    # (its carnivores, 0.72 to 2.33, and six states' hiking trails, Rota et al. 2016, 3.6 to 6.9,
    # disagree: the default of 3.5 lies between, and its interval of 1.5 to 7.0 touches both)
    ("trail or dirt road, rodents and rabbits", {"trail": 1}, "small mammals", 0.27, 1.18),
    ("trail or dirt road, deer, elk, moose", {"trail": 1}, "deer and other ungulates", 1.25, 3.80),
    # Moll et al. 2020, doi 10.1071/WR19004: 2 to 3 times fewer behind cover for 5 of 8 species,
    # so between 3 ** -(5 / 8) and 2 ** -(5 / 8)
    ("view blocked", {"view": 0}, "all mammals", 3 ** (-5 / 8), 2 ** (-5 / 8)),
]


@pytest.mark.parametrize(("what", "place", "target", "low", "high"), PUBLISHED)
def test_published_effects_with_an_interval_are_met_within_it(what, place, target, low, high):
    rules = protocol_for(target)
    assert low <= index(rules, **place) <= high


def test_crossing_counts_water_once_and_trail_little():
    """A log over a brook: 2.0 x 1.3 with the water under it, and 1.6 ** 0.3 for a trail to it."""
    assert index(crossing=1, water=1) == pytest.approx(2.0 * 1.3, rel=1e-6)
    assert index(crossing=1, water=1, trail=1) == pytest.approx(2.6 * 1.6**0.3, rel=1e-6)


@pytest.mark.parametrize("target", TARGETS)
def test_rules_of_practice_come_out(target):
    """Common practice, no source: trail, water, crossing, edge above plain woods; slope, roads and
    a blocked view below. Small mammals: logs, not trails (Kolowski & Forrester 2017)."""
    rules = protocol_for(target)
    for draw in ("crossing", "water", "edge"):
        assert index(rules, **{draw: 1}) > 1.0
    assert index(rules, trail=1) >= (1.0 if target == "small mammals" else 1.4)
    for fails in ("flat", "quiet", "view", "heading"):
        assert index(rules, **{fails: 0}) < 1.0


def test_a_gentle_slope_is_not_punished_and_a_steep_one_is():
    """Sultaire et al.: gentle slopes as good as flat for six species, steepest worse for three."""
    curve = Protocol().conditions.flat.curve
    gentle, steep = membership(np.array([10.0, 28.0]), curve)
    assert index(flat=float(gentle)) == pytest.approx(1.0)
    assert index(flat=float(steep)) < 0.65


def test_curves_are_straight_between_knots_and_nan_stays_nan():
    value = np.array([-5.0, 0.0, 1.5, 3.0, 20.0, 45.0, 60.0, 1e9, np.inf, np.nan])
    got = membership(value, [(0, 0.7), (3, 1), (10, 1), (30, 0.4), (60, 0)])
    want = [0.7, 0.7, 0.85, 1.0, 0.7, 0.2, 0.0, 0.0, 0.0, np.nan]
    np.testing.assert_array_equal(np.isnan(got), np.isnan(want))
    np.testing.assert_allclose(got, want, atol=1e-6)
