"""Time to judge 300 candidates on a 2 m grid: run with `pytest tests/speed --benchmark-enable`."""

from __future__ import annotations

import datetime as dt
from typing import Any

import numpy as np
import pytest
from scipy.ndimage import gaussian_filter
from shapely import LineString

from siting.grid import Grid
from siting.ground.view import ElevationGrid, skyline
from siting.heading.aim import aims
from siting.heading.compass import declination
from siting.heading.heading_scores import judge
from siting.heading.judged import Surroundings
from siting.heading.line_crossing import Lines
from siting.heading.sun import _track, sun_track
from siting.settings.protocol import CameraRules
from siting.settings.protocol_heading import HeadingRules, SunRules

N_CANDIDATES = 300


@pytest.fixture(scope="module")
def around() -> Surroundings:
    """1.8 km x 1.8 km at 2 m, hills, and 24 km x 24 km at 30 m around it."""
    rng = np.random.default_rng(1)
    n = 900
    near = Grid("EPSG:32617", 0.0, 1800.0, 2.0, n, n)
    z = gaussian_filter(rng.normal(size=(n, n)), 40) * 1500 + 200
    far = Grid("EPSG:32617", -11100.0, 12900.0, 30.0, 800, 800)
    wide = gaussian_filter(rng.normal(size=(800, 800)), 20) * 3000 + 200
    trail = LineString(np.c_[np.linspace(600, 1200, 30), 900 + 40 * rng.normal(size=30)])
    return Surroundings(
        ground=ElevationGrid(z.astype(np.float32), near),
        far=ElevationGrid(wide.astype(np.float32), far),
        track=sun_track(43.5, -90.0, time_zone="Etc/GMT+6"),
        role=rng.integers(1, 10, (n, n)).astype(np.int8),
        inside=np.ones((n, n), bool),
        people=rng.random((n, n)) < 0.001,
        canopy_m=(rng.random((n, n)) * 5).astype(np.float32),
        lines=[Lines("trail", [trail])],
        dem_cell_m=2.0,
    )


@pytest.fixture(scope="module")
def places() -> tuple[np.ndarray, np.ndarray]:
    rng = np.random.default_rng(2)
    x, y = rng.uniform(600, 1200, (2, N_CANDIDATES))
    return x, y


def test_skyline_of_300_candidates(benchmark: Any, around: Surroundings, places: Any) -> None:
    found = benchmark(
        skyline, around.ground, places, azimuth_deg=around.track.azimuth_deg, far=around.far
    )
    assert found.horizon_deg.shape == (N_CANDIDATES, 144)


def test_headings_of_300_candidates(benchmark: Any, around: Surroundings, places: Any) -> None:
    rules = {"camera": CameraRules(), "heading": HeadingRules(), "sun": SunRules()}

    targets = np.stack(places, axis=1) + 9.0

    def run() -> Any:
        judged = judge(*places, around=around, targets=targets, **rules)  # type: ignore[arg-type]
        return aims(
            judged,
            track=around.track,
            compass=declination(43.5, -90.0, day=dt.date(2026, 6, 1)),
            zone_m=15.0,
            second_turn_deg=90.0,
            targets=["Saddle"] * N_CANDIDATES,
        )

    assert len(benchmark(run)) == N_CANDIDATES


def test_sun_table_of_a_year(benchmark: Any) -> None:
    def run() -> Any:
        _track.cache_clear()
        return sun_track(43.5, -90.0, time_zone="Etc/GMT+6")

    assert benchmark(run).n_days == 365
