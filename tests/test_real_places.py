"""The whole path on real open data: other coordinate systems, legends, units and hemispheres."""

from __future__ import annotations

import math

import numpy as np
import pytest

from siting.pipeline import site_parcel
from siting.read.land import read_parcel
from siting.settings.load import load_inputs
from siting.settings.protocol import Protocol
from tests.real_places import DATA, TEXTS, write_place

pytestmark = [
    pytest.mark.slow,
    pytest.mark.skipif(
        not DATA.exists(),
        reason="the real open data are not beside the repository (../shared/data)",
    ),
]
# place: (working system, cell m, hemisphere, a word that a note must hold)
FACTS = {
    "wake-nc": ("EPSG:32119", 10.0, "N", "resampled"),
    "gardiner-mt": ("EPSG:32612", 8.7, "N", "Worked in"),
    "lot-fr": ("EPSG:32631", 28.0, "N", "Worked in"),
    "fort-bragg-nc": ("EPSG:3358", 1.0, "N", "cells used as they are"),
    "swellendam-za": ("EPSG:32734", 10.0, "S", "off by"),
    "robit-et": ("EPSG:32637", 30.0, "N", "Valley lines"),
}


@pytest.mark.parametrize("place", TEXTS)
def test_a_real_place_is_ranked_sensibly(place, tmp_path):
    inputs = load_inputs(write_place(place, tmp_path))
    result = site_parcel(inputs, Protocol(), read_parcel(inputs))
    crs, cell_m, side, word = FACTS[place]
    grid = result.land.grid
    assert grid.crs == crs
    assert grid.cell_size_m == pytest.approx(cell_m, rel=0.1)
    assert any(word in note.text for note in result.notes)
    assert result.spots, [note.text for note in result.notes]
    attractors = Protocol().attractors
    most = math.prod(getattr(attractors, name).ratio for name in type(attractors).model_fields)
    for spot in result.spots:
        assert result.no_go[spot.row, spot.col] == 0
        assert (spot.lat > 0) == (side == "N")
        # The index is a product of rate ratios, and 1 is plain ground.
        assert 0 < spot.score <= most
        assert np.isfinite(spot.elevation_m)
        assert spot.search_radius_m >= 5 * np.ceil((0.5**0.5 * result.land.dem_cell_m + 5) / 5)
    scores = [spot.score for spot in result.spots]
    assert scores == sorted(scores, reverse=True)


def test_land_cover_missing_is_said(tmp_path):
    """Swellendam without its land cover: the run says what could not be judged."""
    text = write_place("swellendam-za", tmp_path).read_text()
    start = text.index("[land_cover]")
    end = text.index("[layers]")
    (tmp_path / "inputs.toml").write_text(text[:start] + text[end:])
    inputs = load_inputs(tmp_path / "inputs.toml")
    result = site_parcel(inputs, Protocol(), read_parcel(inputs))
    assert "W-NOCOVER-01" in {note.code for note in result.notes}
    assert any('"forest-field edge"' in note.text for note in result.notes)
    assert result.spots
