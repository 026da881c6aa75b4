"""Shares that the trials state against shares that whole runs find.

    python -m tests.calibration  # 100 whole runs each, three places
    python -m tests.calibration --runs 40 sample  # fewer, one place
    python -m tests.calibration --ratios 0.3 sample  # the joint test: ratios drawn by 30 %

Each whole run is made on land whose maps were really changed: lines bent, cover moved and misread
in patches, elevations, ratios and costs of travel drawn. A spot is kept where one of the first five
of the new run lies in the circle that was told for it. Real open data lie beside the repository in
../shared/data; a place that is not there is left out and said so.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
import time
from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
import shapely

from siting.pipeline import site_land
from siting.read.land import read_land, read_parcel
from siting.scoring.combine import rule_of
from siting.scoring.trials import elevation_error_m
from siting.settings.load import load_inputs, load_protocol
from siting.settings.protocol import Protocol
from siting.types import CoverRole, Land, Spot
from tests.real_places import DATA, write_place

SAMPLE = Path(__file__).parents[1] / "sample_rasters" / "inputs.toml"
PLACES = ("sample", "wake-nc", "gardiner-mt")
MOVED = ("trails", "water", "roads", "buildings", "crossings", "livestock", "feeders")
WAVES, FIRST, PATCH_M = 96, 5, (8.0, 25.0)
LINE_STEP_M = 20.0
# The curve of radius against certainty: how far one looks around the first five places.
LOOKED_M = (15, 20, 25, 30, 40, 60, 80, 100)


class Field:
    """A smooth random field of standard deviation 1, alike over a distance; x and y in metres."""

    def __init__(self, alike_m: float, rng: np.random.Generator) -> None:
        self.wave = rng.standard_normal((WAVES, 2)) / alike_m
        self.phase = rng.uniform(0, 2 * np.pi, WAVES)

    def at(self, x: Any, y: Any) -> Any:
        out = np.zeros(np.shape(x))
        for (kx, ky), phase in zip(self.wave, self.phase, strict=True):
            out += np.cos(kx * x + ky * y + phase)
        return out * np.sqrt(2 / WAVES)


@dataclass(frozen=True)
class Shift:
    """How far a map is off, east and north."""

    east: Field
    north: Field
    error_m: float

    @classmethod
    def drawn(cls, error_m: float, alike_m: float, rng: np.random.Generator) -> Shift:
        return cls(Field(alike_m, rng), Field(alike_m, rng), error_m)

    def moved(self, xy: Any) -> Any:
        x, y = xy[:, 0], xy[:, 1]
        return np.column_stack(
            [x + self.error_m * self.east.at(x, y), y + self.error_m * self.north.at(x, y)]
        )


def changed_land(land: Land, protocol: Protocol, rng: np.random.Generator) -> Land:
    """The land with every map off by what it may err."""
    rules = protocol.stability
    vectors = dict(land.vectors)
    for name in MOVED:
        if name in vectors and len(vectors[name]):
            shift = Shift.drawn(rules.line_error_m, rules.alike_m, rng)
            frame = vectors[name].copy()
            bent = [
                shapely.transform(shapely.segmentize(shape, LINE_STEP_M), shift.moved)
                for shape in frame.geometry
            ]
            frame.geometry = [shapely.make_valid(shape) for shape in bent]
            vectors[name] = frame
    role, code = _changed_cover(land, protocol, rng)
    error = elevation_error_m(land.dem_cell_m, rules)
    grid = land.grid
    x, y = grid.xy(*np.mgrid[0 : grid.n_rows, 0 : grid.n_cols])
    dem = land.dem + (error * Field(rules.correlation_m, rng).at(x, y)).astype(np.float32)
    return replace(land, vectors=vectors, role=role, cover_code=code, dem=dem)


def _changed_cover(land: Land, protocol: Protocol, rng: np.random.Generator) -> tuple[Any, Any]:
    rules, grid = protocol.stability, land.grid
    shift = Shift.drawn(rules.cover_error_cells * land.cover_cell_m, rules.alike_m, rng)
    x, y = grid.xy(*np.mgrid[0 : grid.n_rows, 0 : grid.n_cols])
    moved = shift.moved(np.column_stack([x.ravel(), y.ravel()]))
    row, col = grid.rowcol(moved[:, 0], moved[:, 1])
    row, col = np.clip(row, 0, grid.n_rows - 1), np.clip(col, 0, grid.n_cols - 1)
    role = land.role[row, col].reshape(grid.shape).copy()
    code = land.cover_code[row, col].reshape(grid.shape)
    kinds = land.role[land.role != CoverRole.UNKNOWN]
    low, high = PATCH_M
    patch_m2 = np.pi * (high**3 - low**3) / (3 * (high - low))
    left, bottom, right, top = grid.bounds
    count = rng.poisson(rules.misread_share * (right - left) * (top - bottom) / patch_m2)
    for _ in range(count):
        east, north = rng.uniform(left, right), rng.uniform(bottom, top)
        r = max(rng.uniform(low, high), grid.cell_size_m / 2)
        (r0, r1), (c0, c1) = grid.rowcol(
            np.array([east - r, east + r]), np.array([north + r, north - r])
        )
        part = slice(max(r0, 0), r1 + 1), slice(max(c0, 0), c1 + 1)
        inside = np.hypot(x[part] - east, y[part] - north) <= r
        role[part][inside] = kinds[rng.integers(kinds.size)]
    return role, code


def changed_protocol(
    protocol: Protocol, rng: np.random.Generator, *, ratios: float | None = None
) -> Protocol:
    """Ratios drawn, costs of travel shaken, no trials of its own.

    Ratios are drawn from their intervals, or their logarithms multiplied by exp(N(0, `ratios`)).
    """
    tables: dict[str, Any] = {}
    for table in ("attractors", "conditions"):
        section = getattr(protocol, table)
        rules = {}
        for name in type(section).model_fields:
            rule = rule_of(name, attractors=protocol.attractors, conditions=protocol.conditions)
            chance = rng.standard_normal()
            drawn = rule.weight + rule.spread * chance
            drawn = min(drawn, 0.0) if table == "conditions" else drawn
            drawn = drawn if ratios is None else rule.weight * np.exp(ratios * chance)
            rules[name] = rule.model_copy(update={"ratio": float(np.exp(drawn))})
        tables[table] = section.model_copy(update=rules)
    spread = protocol.stability.travel_spread
    costs = {
        name: float(np.clip(value * np.exp(spread * rng.standard_normal()), 1.0, 1000.0))
        for name, value in protocol.travel
        if name.startswith("cost_")
    }
    tables["travel"] = protocol.travel.model_copy(update=costs)
    tables["stability"] = protocol.stability.model_copy(update={"draws": 0})
    return protocol.model_copy(update=tables)


@dataclass(frozen=True)
class Calibration:
    """What was told and what was found of the first ten spots of a place."""

    place: str
    told: list[float]
    found: list[float]
    radius_m: list[float]
    kept_of_five: float
    kept_within: dict[int, float]
    runs: int


def calibrate(
    place: str, *, runs: int, seed: int = 1, ratios: float | None = None, report: Any = None
) -> Calibration:
    """Whole runs on changed land, held against what the trials of the unchanged land say."""
    inputs = load_inputs(_inputs_of(place))
    protocol = load_protocol(None)
    land = read_land(
        inputs,
        read_parcel(inputs),
        rules=protocol.grid,
        far_reach_m=protocol.sun.horizon_reach_m,
    )
    survey = (inputs.survey.time_zone, inputs.survey.first_day, inputs.survey.last_day)
    spots = site_land(land, protocol, survey=survey).spots
    rng = np.random.default_rng(seed)
    near = []
    for run in range(runs):
        other = changed_land(land, protocol, rng)
        rules = changed_protocol(protocol, rng, ratios=ratios)
        new = site_land(other, rules, survey=survey).spots[:FIRST]
        near.append([_nearest(spot, new) for spot in spots])
        if report:
            report(f"{place}: {run + 1} of {runs} runs")
    away = np.array(near).reshape(runs, len(spots))
    radius = np.array([spot.search_radius_m for spot in spots])
    kept = away <= radius + 1e-6
    return Calibration(
        place,
        [spot.stability.share_among for spot in spots],
        kept.mean(axis=0).tolist(),
        radius.tolist(),
        float(kept[:, :FIRST].sum(axis=1).mean()),
        {m: float((away[:, :FIRST] <= m).sum(axis=1).mean()) for m in LOOKED_M},
        runs,
    )


def _nearest(spot: Spot, others: tuple[Spot, ...]) -> float:
    away = [np.hypot(o.easting - spot.easting, o.northing - spot.northing) for o in others]
    return float(min(away, default=np.inf))


def _inputs_of(place: str) -> Path:
    if place == "sample":
        return SAMPLE
    return write_place(place, Path(tempfile.mkdtemp()) / place)


def lines_of(found: Calibration) -> Iterator[str]:
    """A table in Markdown, and what it comes to."""
    off = np.abs(np.subtract(found.told, found.found))
    yield f"| {found.place} | " + " | ".join(str(n + 1) for n in range(len(off))) + " |"
    yield "|---" * (len(off) + 1) + "|"
    for name, values, form in (
        ("told", found.told, "{:.2f}"),
        ("found", found.found, "{:.2f}"),
        ("radius, m", found.radius_m, "{:.0f}"),
    ):
        yield f"| {name} | " + " | ".join(form.format(v) for v in values) + " |"
    yield ""
    yield (
        f"{found.runs} whole runs: off by {off.mean():.2f} on average, {off.max():.2f} at most; of "
        f"the first five {found.kept_of_five:.1f} kept in their circles (median radius of the ten "
        f"{np.median(found.radius_m):.0f} m)."
    )
    curve = ", ".join(f"{kept:.1f} within {m} m" for m, kept in found.kept_within.items())
    yield f"Of the first five: {curve}."
    yield ""


def main() -> None:
    reader = argparse.ArgumentParser(description=__doc__)
    reader.add_argument("places", nargs="*", default=PLACES)
    reader.add_argument("--runs", type=int, default=100)
    reader.add_argument("--seed", type=int, default=1)
    reader.add_argument("--ratios", type=float, help="spread of the logarithms, as a share")
    asked = reader.parse_args()
    start = time.monotonic()

    def report(text: str) -> None:
        sys.stderr.write(f"{text} ({time.monotonic() - start:.0f} s)\n")

    for place in asked.places:
        if place != "sample" and not (DATA / place).is_dir():
            sys.stdout.write(f"{place}: left out, its open data are not in {DATA}\n")
            continue
        found = calibrate(
            place, runs=asked.runs, seed=asked.seed, ratios=asked.ratios, report=report
        )
        sys.stdout.write("\n".join(lines_of(found)) + "\n")
        sys.stdout.flush()


if __name__ == "__main__":
    main()
