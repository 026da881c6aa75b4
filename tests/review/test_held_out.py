"""Held-out log scores of the design's section 2e, and the floors."""

from __future__ import annotations

import numpy as np
import pytest

from siting.review.cameras import Cameras, level_of
from siting.review.change import inflation
from siting.review.held_out import held_out
from tests.review.test_answer import W0 as RATIOS
from tests.review.test_answer import season
from tests.review.test_check_values import W0, blocks, criteria, savanna  # noqa: F401
from tests.review.test_check_values import pytestmark as with_data

HELD = {
    "all": (-354.7, -350.0, -350.9),
    "ungulates": (-328.0, -324.5, -326.2),
    "carnivores": (-251.3, -244.4, -240.3),
}


@with_data
@pytest.mark.parametrize("group", HELD)
def test_held_out_by_block(group, savanna):  # noqa: F811
    m = criteria(savanna)
    cameras = Cameras(
        tuple(map(str, range(len(m)))), savanna[group], savanna["days"], m @ W0, blocks(savanna), m,
        ("pan", "river", "clear", "road"), W0,
        # The spread of the worked figures; the product's own is wider.
        prior_sd=np.full(4, 0.7),
    )  # fmt: skip
    found = held_out(cameras)
    assert (found.protocol, found.proposed, found.none) == pytest.approx(HELD[group], abs=0.06)
    if group == "carnivores":
        assert found.se_none_proposed == pytest.approx(1.3, abs=0.06)
        assert found.none - found.proposed == pytest.approx(4.1, abs=0.06)


@pytest.mark.parametrize(
    ("numbers", "level"),
    [
        ((9, 9, 999, 99), "list"),
        ((40, 40, 999, 9), "list"),
        ((19, 19, 999, 99), "few"),
        ((40, 9, 999, 99), "few"),
        ((40, 40, 299, 99), "few"),
        ((40, 40, 999, 29), "few"),
        ((39, 39, 999, 99), "headline"),
        ((40, 14, 999, 99), "headline"),
        ((40, 15, 999, 99), "full"),
    ],
)
def test_floors(numbers, level):
    assert level_of(*numbers) == level


def test_columns_that_say_the_same_are_seen():
    rng = np.random.default_rng(1)
    a, b = rng.uniform(size=(2, 50))
    found = inflation(np.column_stack([a, b, a + 0.1 * b]))
    assert found[0] > 5
    assert found[2] > 5
    assert inflation(np.column_stack([a, b])).max() < 1.5


def test_the_suggested_ratios_alone_are_tried_on_cameras_they_have_not_seen():
    """Trails record far more than the protocol says, and nothing else differs."""
    away = np.zeros(6)
    away[0] = 1.2
    cameras = season(80, seed=4, truth=RATIOS + away, alpha=0.3)
    none = held_out(cameras)
    assert (none.fragment, none.se_fragment_protocol) == (none.protocol, 0.0)
    trail = held_out(cameras, [True, *[False] * 5])
    assert trail.fragment > trail.protocol + 5
    # A criterion that is right already gains nothing by being let loose.
    other = held_out(cameras, [False, True, *[False] * 4])
    assert other.fragment < trail.fragment
    # With all of them let loose it is the whole fit, as far as no step is too long for one season.
    every = held_out(season(80, seed=4, alpha=0.3), [True] * 6)
    assert every.fragment == pytest.approx(every.proposed, abs=0.5)
