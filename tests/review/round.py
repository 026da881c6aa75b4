"""A season made by the sample valley: planned by the tool, counted from a hidden truth, reviewed.

    python -m tests.review.round [SEED]

prints what changed and whether it came nearer the truth: the paragraph of docs/review.md.
"""

from __future__ import annotations

import csv
import datetime as dt
import sys
import tempfile
import tomllib
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import geopandas as gpd
import numpy as np
import shapely

from siting.kernels.bands import one_thread
from siting.pipeline import site_parcel
from siting.read.land import all_parcels
from siting.read.vector.parcels import checked_parcel
from siting.review.places import _place
from siting.review.recorded.season import Deployment
from siting.review.run import Review, review_season, write_review
from siting.settings.inputs import Inputs
from siting.settings.load import load_inputs, load_protocol
from siting.settings.protocol import Protocol
from siting.settings.text.toml import protocol_text
from tests.review.valley import SAMPLE

TODAY = dt.datetime(2026, 11, 26, tzinfo=dt.UTC)
SQUARES, SIDE_M, STEP_M, SPOTS = (6, 3), 280.0, 520.0, 2
# The truth that the tool does not know: rate ratios of criteria, where they differ from its own.
TRUTH = {"trail": 4.0, "edge": 2.6, "water": 0.65}


def land(folder: Path) -> Inputs:
    """Square parcels over the sample valley, and the inputs file that names them."""
    west, south = 538_420.0, 4_818_620.0
    squares = [
        shapely.box(x, y, x + SIDE_M, y + SIDE_M)
        for x in west + STEP_M * np.arange(SQUARES[0])
        for y in south + STEP_M * np.arange(SQUARES[1])
    ]
    names = [f"Q{i:02}" for i in range(len(squares))]
    gpd.GeoDataFrame(
        {"id": names, "label": names, "cell": ["C"] * len(squares)}, geometry=squares, crs=32617
    ).to_file(folder / "squares.gpkg", layer="squares")
    text = (SAMPLE / "batch.toml").read_text(encoding="utf-8")
    text = text.replace("layers.gpkg::parcels", f"{folder / 'squares.gpkg'}::squares")
    text = text.replace('"priority"', '""')
    for name in ("dem_10m.tif", "land_cover.tif", "layers.gpkg"):
        text = text.replace(f'"{name}', f'"{SAMPLE / name}')
    (folder / "inputs.toml").write_text(text, encoding="utf-8")
    return load_inputs(folder / "inputs.toml")


@dataclass
class Plan:
    """Places (lon, lat) of a plan, and what each criterion gives there, (n, k)."""

    at: list[tuple[float, float]]
    columns: np.ndarray
    names: tuple[str, ...]
    weights: np.ndarray
    random: list[bool]
    parcel: list[int]

    def truth(self) -> np.ndarray:
        """Ln of the true rate ratios, (k,)."""
        return np.array([np.log(TRUTH[n]) if n in TRUTH else w
                         for n, w in zip(self.names, self.weights, strict=True)])  # fmt: skip

    def true_score(self, truth: np.ndarray) -> np.ndarray:
        """Ln of the true rate at the places the tool chose, up to a constant."""
        return (self.columns @ truth)[~np.array(self.random)]


def plan(inputs: Inputs, protocol: Protocol, *, random: int = 0, seed: int = 1) -> Plan:
    """Every parcel's best spots by the tool, and so many random places on it besides."""
    rng = np.random.default_rng(seed)
    at, columns, marks, parcels, weights = [], [], [], [], {}
    with one_thread():
        for number, raw in enumerate(all_parcels(inputs)):
            parcel = checked_parcel(raw, file="squares.gpkg")
            result = site_parcel(inputs, protocol, parcel)
            weights = dict(result.scores.weights)
            spots = [(s.lon, s.lat) for s in result.spots[:SPOTS]]
            drawn = _drawn(parcel, rng, random)
            for (lon, lat), mark in [*((p, False) for p in spots), *((p, True) for p in drawn)]:
                place = _place(result, Deployment("", lon, lat, None, None), protocol, True)
                if not place.code:
                    at.append((lon, lat))
                    columns.append([place.columns[name] for name in weights])
                    marks.append(mark)
                    parcels.append(number)
    return Plan(at, np.array(columns), tuple(weights), np.array(list(weights.values())), marks,
                parcels)  # fmt: skip


def _drawn(parcel, rng, count: int) -> list[tuple[float, float]]:
    inner = parcel.geometry.buffer(-15)
    left, bottom, right, top = inner.bounds
    points = [shapely.Point(rng.uniform(left, right), rng.uniform(bottom, top))
              for _ in range(count)]  # fmt: skip
    return [(p.x, p.y) for p in gpd.GeoSeries(points, crs=parcel.crs).to_crs(4326)]


def record(made: Plan, file: Path, *, seed: int = 1) -> None:
    """The season of a plan as a plain table: counts from the hidden truth."""
    rng = np.random.default_rng(seed)
    score = made.columns @ made.truth()
    shift = rng.normal(0, 0.2, max(made.parcel) + 1)[made.parcel]
    mu = 25 * np.exp(score - score.mean() + shift)
    counts = rng.negative_binomial(1 / 0.2, 1 / (1 + 0.2 * mu))
    with file.open("w", encoding="utf-8", newline="") as stream:
        writer = csv.writer(stream)
        writer.writerow(["deployment", "longitude", "latitude", "uncertainty_m", "start", "end",
                         "events_deer", "random"])  # fmt: skip
        for i, ((lon, lat), count) in enumerate(zip(made.at, counts, strict=True)):
            writer.writerow([f"c{i:03}", f"{lon:.6f}", f"{lat:.6f}", 5, "2026-05-01T12:00:00Z",
                             "2026-06-30T12:00:00Z", int(count), made.random[i]])  # fmt: skip


@dataclass
class Round:
    """A plan, its season, what the review said, and the plan that came of it."""

    before: Plan
    review: Review
    changed: dict[str, tuple[float, float, float]]
    after: Plan
    folder: Path

    @property
    def errors(self) -> tuple[float, float]:
        """Root mean square error of ln ratios of the changed criteria, before and after."""
        rows = np.log(np.array(list(self.changed.values())))
        return tuple(float(np.sqrt(((rows[:, k] - rows[:, 2]) ** 2).mean())) for k in (0, 1))

    @property
    def gain(self) -> float:
        """True rate at the spots of the new plan, over that of the old one."""
        truth = self.before.truth()
        old, new = (np.exp(p.true_score(truth)).mean() for p in (self.before, self.after))
        return float(new / old)


def go_round(folder: Path, *, seed: int = 1) -> Round:
    """Plan, season, review, fragment, new protocol, new plan."""
    inputs = land(folder)
    protocol = quick(Protocol())
    before = plan(inputs, protocol, random=1, seed=seed)
    record(before, folder / "season.csv", seed=seed)
    review = review_season([folder / "season.csv"], inputs, protocol, today=TODAY)
    write_review(review, folder / "review", protocol, today=TODAY)
    change = folder / "review" / "protocol-change.toml"
    (folder / "old.toml").write_text(protocol_text(protocol), encoding="utf-8")
    new = load_protocol(folder / "old.toml", changed_by=change)
    truth = dict(zip(before.names, np.exp(before.truth()), strict=True))
    said = tomllib.loads(change.read_text(encoding="utf-8"))
    changed = {
        name: (dict(zip(before.names, np.exp(before.weights), strict=True))[name],
               float(section["ratio"]), float(truth[name]))
        for group in ("attractors", "conditions") for name, section in said.get(group, {}).items()
    }  # fmt: skip
    return Round(before, review, changed, plan(inputs, quick(new), seed=seed), folder)


def quick(protocol: Protocol) -> Protocol:
    """The same rules without trials, and with little ground around: the squares are small."""
    grid = protocol.grid.model_copy(update={"context_m": 100.0})
    quiet = protocol.stability.model_copy(update={"draws": 0})
    return protocol.model_copy(update={"grid": grid, "stability": quiet})


def main(arguments: Sequence[str]) -> None:
    """Print the paragraph."""
    with tempfile.TemporaryDirectory() as folder:
        found = go_round(Path(folder), seed=int(arguments[0]) if arguments else 1)
    answer = found.review.answer
    print(f"{answer.cameras} cameras at {answer.clusters} places, {answer.events:.0f} events")
    print(answer.verdict, answer.slope, answer.pairs, answer.best_pairs)
    for note in answer.notes:
        print(" ", note.code, note.text)
    for row in answer.weights:
        ends = f"({row.low:.2f} to {row.high:.2f}), said {row.said_by_data:.2f}"
        print(f"  {row.name}: {row.protocol:.2f} -> {row.shrunken:.2f} {ends}, {row.code}")
    print("picked over random", answer.picked, answer.random_cameras)
    print("held out", answer.held_out)
    for name, (was, now, true) in found.changed.items():
        print(f"{name}: {was:.2f} -> {now:.2f}, truth {true:.2f}")
    print("errors", found.errors, "true rate of the new plan over the old", found.gain)


if __name__ == "__main__":
    main(sys.argv[1:])
