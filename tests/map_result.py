"""A result for the tests of the map page: real arithmetic on invented memberships, and aims."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
from shapely import LineString

from siting.aim import Aim
from siting.criteria import combine, weights_of
from siting.protocol import Protocol
from siting.stability import PlaceStability
from siting.types import Note, Result, Spot
from siting.walk import Walk
from tests.fake_result import PLACES, fake_result

CELL_CRITERIA = ("trail", "water", "edge", "flat", "view", "quiet", "strap")


def surfaces(shape: tuple[int, int], *, seed: int = 7) -> dict[str, np.ndarray]:
    """Memberships of 0..1 that reach both ends, wavy and each different."""
    rng = np.random.default_rng(seed)
    row, col = np.mgrid[0 : shape[0], 0 : shape[1]]
    out = {}
    for name in CELL_CRITERIA:
        a, b, phase = rng.uniform(5, 25), rng.uniform(5, 25), rng.uniform(0, 6)
        wave = 0.5 + 0.75 * np.sin(row / a + phase) * np.cos(col / b)
        out[name] = np.clip(wave, 0.0, 1.0).astype(np.float32)
    return out


def fake_aim(heading_deg: float, **changes: Any) -> Aim:
    """An aim whose best heading is where it says."""
    turn = np.radians(np.arange(0.0, 360.0, 5.0) - heading_deg)
    scores = (0.5 + 0.48 * np.cos(turn)).astype(np.float32)
    aim = Aim(
        heading_deg=heading_deg,
        second_heading_deg=(heading_deg + 180.0) % 360.0,
        score=0.98,
        second_score=0.5,
        magnetic_heading_deg=(heading_deg + 9.4) % 360.0,
        second_magnetic_deg=(heading_deg + 189.4) % 360.0,
        declination_deg=-9.4,
        compass_model="WMM2025",
        compass_day="2027-04-01",
        scores=scores,
        parts={"sun": scores},
        sun_minutes=(40.0 * (1.0 - scores)).astype(np.float32),
        sun_when="morning",
        clear_m=14.0,
        slope_ahead_deg=2.0,
        slope_right_deg=0.5,
        horizon_reach_m=600.0,
        lens="Hang the lens at 0.45 m and tilt it slightly down.",
        reason="No low sun stands in the picture, and the trail crosses at a slant.",
        second_reason="Some sun in the morning.",
        notes=("The skyline is known for 600 m.",),
    )
    return replace(aim, **changes)


def fake_walk(spot: Spot, **changes: Any) -> Walk:
    """A walk from the farm gate to a spot."""
    line = LineString([(540200, 4820062), (540230, 4820180), (spot.easting, spot.northing)])
    walk = Walk(
        line=line,
        length_m=float(line.length),
        minutes_there=5.4,
        minutes_back=5.0,
        climb_m=6.0,
        drop_m=0.5,
        start_kind="given",
        outside_m=0.0,
        known_crossings=0,
        unknown_crossings=1,
        steepest_deg=6.0,
    )
    return replace(walk, **changes)


def map_result(
    *, protocol: Protocol | None = None, with_heading: bool = True, **land: Any
) -> Result:
    """A result whose scores follow from its memberships by the program's own formula."""
    rules = protocol or Protocol()
    base = fake_result(**land)
    parts = surfaces(base.land.grid.shape)
    weights = weights_of(parts, attractors=rules.attractors, conditions=rules.conditions)
    scores = combine(parts, weights=weights, scoring=rules.scoring)
    spots = [
        _spot(spot, parts, rules, heading=(0.9 - 0.15 * i) if with_heading else None)
        for i, spot in enumerate(base.spots)
    ]
    spots.sort(key=lambda spot: (-round(spot.score, 9), spot.row, spot.col))
    ranked = tuple(replace(spot, rank=i + 1) for i, spot in enumerate(spots))
    notes = (*base.notes, Note("A-DEM-01", "assumption", "Elevations are taken to be metres."))
    return replace(base, scores=scores, spots=ranked, notes=notes)


def _spot(
    spot: Spot, parts: dict[str, np.ndarray], rules: Protocol, *, heading: float | None
) -> Spot:
    own = {name: float(values[spot.row, spot.col]) for name, values in parts.items()}
    details: dict[str, Any] = {"walk": fake_walk(spot)}
    if heading is not None:
        own["heading"] = heading
        details["aim"] = fake_aim(355.0 if spot.rank % 2 else 180.0)
    cells = {name: np.array([value], dtype=np.float32) for name, value in own.items()}
    weights = weights_of(cells, attractors=rules.attractors, conditions=rules.conditions)
    total = combine(cells, weights=weights, scoring=rules.scoring)
    details["stability"] = PlaceStability(
        share_first=0.9,
        share_among=0.95,
        among=3,
        draws=1000,
        word="firm",
        words="Firm: among the first 3 in 19 of 20 draws.",
    )
    general = "Tell someone where you go. Follow your organisation's rules."
    return replace(
        spot,
        score=float(total.total[0]),
        memberships={name: float(values[0]) for name, values in cells.items()},
        cautions=(f"Look out at the {PLACES[spot.rank - 1][2]}; if in doubt, ask.", general),
        details=details,
    )
