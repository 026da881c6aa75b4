"""Openings in forest, where the land cover ends beside them."""

import numpy as np

from siting.ground.cover import openings
from siting.ground.known import least_area_m2


def found(open_ground, woods, known=None):
    everywhere = np.ones(woods.shape, dtype=bool)
    return openings(
        open_ground,
        woods,
        known=everywhere if known is None else known,
        least_cells=4,
        most_cells=1000,
        ring=0.6,
    )


def square(rows, cols):
    out = np.zeros((60, 60), dtype=bool)
    out[rows, cols] = True
    return out


def test_a_gap_in_the_woods_is_an_opening():
    gap = square(slice(20, 40), slice(20, 40))
    np.testing.assert_array_equal(found(gap, ~gap), gap)


def test_a_patch_of_three_source_cells_is_no_opening():
    """Field test A5: one 30 m cell in thicket was an "opening in the forest 5 m to the north"."""
    assert least_area_m2(400.0, source_cell_m=30.0) > 3 * 30.0**2
    assert least_area_m2(400.0, source_cell_m=30.0) <= 4 * 30.0**2
    assert least_area_m2(400.0, source_cell_m=2.0) == 400.0


def test_a_field_that_runs_over_the_border_is_none():
    corner = square(slice(20, 40), slice(0, 20))
    assert not found(corner, ~corner).any()


def test_a_field_that_runs_on_where_the_cover_is_not_known_is_none():
    corner = square(slice(20, 40), slice(20, 40))
    known = ~square(slice(None), slice(40, 60))
    assert not found(corner, ~corner & known, known).any()
