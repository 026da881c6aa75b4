"""The attack on what is passed on: find the spots again with the same maps.

The attacker has the same elevations, land cover, streams and trails, works out every layer that the
program works out, knows the files and their documentation, and keeps the cells inside the rounded
place that fit every number and every word written about a spot.
"""

from __future__ import annotations

import csv
import json
import re
from pathlib import Path

import numpy as np
import pytest
import shapely

from siting import criteria
from siting.disk.files import safe_name
from siting.grid import transformer
from siting.ground.distance import cells_covered
from siting.pipeline import site_parcel
from siting.read.land import all_parcels
from siting.read.vector.parcels import checked_parcel
from siting.report import write_report
from siting.report.files import columns, public
from siting.settings.load import load_inputs
from siting.settings.protocol import Protocol
from siting.types import NoGo
from tests.sample_run import sample_result

SAMPLE = Path(__file__).parents[1] / "sample_rasters"
FIGURES = [("slope_deg", "habitat"), ("funnel_ratio", "slope_deg"), ("elevation_m",)]
# What is the same in every file or only counts.
HARMLESS = {"rank", "lon_deg", "lat_deg", "search_radius_m"}


def sample(name):
    if name == "fine":
        inputs = load_inputs(SAMPLE / "inputs.toml")
        return inputs, sample_result()
    inputs = load_inputs(SAMPLE / "batch.toml")
    parcel = next(p for p in all_parcels(inputs) if p.id == name)
    return inputs, site_parcel(inputs, Protocol(), checked_parcel(parcel, file="layers.gpkg"))


@pytest.fixture(scope="module", params=["fine", "P01", "P12"])
def case(request, tmp_path_factory):
    inputs, result = sample(request.param)
    return inputs, result, tmp_path_factory.mktemp(safe_name(request.param))


def written(inputs, result, folder):
    write_report(result, folder, protocol=Protocol(), inputs=inputs, public=True)
    with (folder / "spots.csv").open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def kinds_of(result):
    """The strongest attractor of each cell, worked out cell by cell with the published weights."""
    scores, shape = result.scores, result.no_go.shape
    names = [n for n in criteria.attractors() if n in scores.memberships]
    best, kind = np.zeros(shape), np.full(shape, "", dtype=object)
    for name in names:
        strength = np.nan_to_num(scores.memberships[name]) * scores.weights[name]
        kind[strength > best] = name
        best = np.maximum(best, strength)
    return kind


def known_to_the_attacker(result):
    """Every figure of a cell that can be worked out from the maps, by the name of its column."""
    scores = result.scores
    figures = {**result.layers, "elevation_m": result.land.dem, "site_score": scores.total,
               "attraction": scores.attraction, "conditions": scores.conditions}  # fmt: skip
    return figures | {f"part_{n}": v for n, v in scores.memberships.items()}


def attack(result, row):
    """Cells that fit all that is written about a spot."""
    grid = result.land.grid
    at = transformer("EPSG:4326", grid.crs).transform(float(row["lon_deg"]), float(row["lat_deg"]))
    fits = cells_covered([shapely.Point(at).buffer(float(row["search_radius_m"]))], grid=grid)
    for closed in (NoGo.WATER, NoGo.STEEP, NoGo.ROAD, NoGo.BUILDING, NoGo.BUILT_COVER):
        fits &= (result.no_go & closed) == 0
    figures = known_to_the_attacker(result)
    for name, text in row.items():
        if name in HARMLESS or text == "":
            continue
        if name == "kind":
            fits &= kinds_of(result) == text
        elif name == "habitat":
            codes = [code for code, words in result.land.class_names.items() if words == text]
            fits &= np.isin(result.land.cover_code, codes)
        else:
            # A whole number is one, also where it is written with a point.
            digits = 0 if float(text).is_integer() else len(text.partition(".")[2])
            fits &= np.abs(figures[name] - float(text)) <= 0.51 * 10.0**-digits
    return fits


def needed_m2(result):
    return max(500 * 100.0, 0.1 * result.land.parcel_shape.area)


def test_every_spot_stays_one_of_many(case):
    inputs, result, folder = case
    rows = written(inputs, result, folder)
    assert rows
    for row in rows:
        left_m2 = attack(result, row).sum() * result.land.grid.cell_size_m**2
        assert left_m2 >= needed_m2(result), row


def test_words_of_the_other_files_say_no_more_than_the_table(case):
    """Deployments and descriptor hold the same words, and none about the ground beside them."""
    inputs, result, folder = case
    rows = written(inputs, result, folder)
    with (folder / "deployments.csv").open(encoding="utf-8", newline="") as file:
        planned = list(csv.DictReader(file))
    for row, plan in zip(rows, planned, strict=True):
        assert plan["habitat"] == row["habitat"]
        tags = dict(tag.split(":") for tag in plan["deploymentTags"].split(" | ")[1:])
        assert tags == {"rank": row["rank"]} | ({"feature": row["kind"]} if row["kind"] else {})
        assert plan["featureType"] in ("", *(["waterSource"] if row["kind"] == "water" else []))
        assert (plan["latitude"], plan["longitude"]) == (row["lat_deg"], row["lon_deg"])
        assert plan["locationName"] == f"Spot {row['rank']}"
        empty = ("cameraHeading", "cameraTilt", "detectionDistance", "deploymentGroups")
        assert [plan[name] for name in empty] == [""] * len(empty)
    features = json.loads((folder / "spots.geojson").read_text(encoding="utf-8"))["features"]
    for row, feature in zip(rows, features, strict=True):
        values = {k: "" if v is None else str(v) for k, v in feature["properties"].items()}
        assert values == row


def test_no_identifier_can_be_looked_up(case):
    """No id is made from the parcel's: a list of likely ids would be tried until one fits."""
    inputs, result, folder = case
    written(inputs, result, folder)
    text = "".join(p.read_text(encoding="utf-8") for p in folder.iterdir() if p.name != "run.json")
    assert not re.search(r"\b[0-9a-f]{8,}\b", text)
    ids = re.findall(r"spot-\d\d", text)
    assert set(ids) == {f"spot-{s.rank:02d}" for s in result.spots}


@pytest.mark.parametrize("names", FIGURES)
def test_the_attack_finds_spots_when_a_figure_is_published(case, names, tmp_path):
    """The attack is no straw man: with figures of the ground it leaves next to nothing."""
    inputs, result, _ = case
    exact = {c.name: c for c in columns.COLUMNS}
    row = {c.name: "" for c in public.public_columns()}
    row |= written(inputs, result, tmp_path)[0]
    before = attack(result, row).sum()
    # As a deny-list would have published it: the value of the exact table beside the rounded place.
    from siting.report.shared.facts import spot_facts

    fact = spot_facts(result)[0]
    told = columns.SpotRow(result.land.parcel, fact)
    row |= {name: str(exact[name].cell(told)) for name in names}
    left = attack(result, row)
    assert left[fact.spot.row, fact.spot.col]
    assert left.sum() < 0.2 * before


def test_decimals_that_would_tell_the_place_are_not_used(case):
    _, result, _ = case
    place = public.public_place(result, decimals=3)
    held = place.possible.sum() * result.land.grid.cell_size_m**2
    assert held >= needed_m2(result)
    assert place.radius_m % 1000 == 0
