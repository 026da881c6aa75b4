"""One camera in five at a random place: which cells, what is said, and back to a review."""

from __future__ import annotations

import csv
import io
import math
from collections import Counter
from dataclasses import replace

import numpy as np
import pytest

from siting.batch.output.letters import letters, templates
from siting.batch.output.tables import assignments_csv
from siting.batch.run import run_batch
from siting.batch.survey.assign import Assignment
from siting.batch.survey.at_random import with_random
from siting.batch.work import Options
from siting.decisions.model import FORMAT, DecisionsFile, Record
from siting.disk.files import safe_name
from siting.grid import Grid
from siting.review.recorded.package import read_season
from siting.scoring.random_places import draw_places, place_by_lot
from siting.settings.load import load_inputs
from siting.settings.protocol_assign import AssignRules
from siting.settings.protocol_field import RandomRules
from siting.types import CoverRole
from tests.batch_rows import invented_batch
from tests.batch_tools import Quiet, quick_protocol, run, small_land

GRID = Grid("EPSG:32617", 0.0, 1000.0, 10.0, 100, 100)
ROW, COL = np.indices(GRID.shape)


@pytest.fixture(scope="module")
def batch():
    return invented_batch(700, failures=0)


def drawn(batch, *, share=0.2, seed=1) -> Assignment:
    rules = AssignRules(random_share=share, distance_m=500.0)
    return with_random(batch.assignment, batch.rows, rules=rules, seed=seed)


def at_random(found: Assignment) -> set[str]:
    return {c.cell for c in found.cells if c.lot is not None}


def test_one_camera_in_five_by_lot_within_each_kind_of_place(batch):
    before = {c.cell: c.chosen for c in batch.assignment.cells if c.chosen}
    found = drawn(batch)
    cells = at_random(found)
    assert len(cells) == math.floor(0.2 * len(before) + 0.5)
    assert len(cells) > 1
    kinds = Counter(option.kind for option in before.values())
    mine = Counter(before[cell].kind for cell in cells)
    for kind, count in kinds.items():
        assert abs(mine[kind] - 0.2 * count) <= 1.0, kind
    assert drawn(batch) == found
    assert at_random(drawn(batch, seed=2)) != cells
    assert drawn(batch, share=0.0) == batch.assignment


def test_every_cell_has_the_same_chance(batch):
    """400 seeds: each cell as often as a binomial allows (standard deviation of the share 0.02)."""
    count = Counter(cell for seed in range(400) for cell in at_random(drawn(batch, seed=seed)))
    filled = [c.cell for c in batch.assignment.cells if c.chosen]
    shares = np.array([count[cell] / 400 for cell in filled])
    wanted = math.floor(0.2 * len(filled) + 0.5) / len(filled)
    assert shares.mean() == pytest.approx(wanted)
    # Four standard deviations of a share of 400.
    np.testing.assert_allclose(shares, wanted, atol=4 * math.sqrt(wanted * (1 - wanted) / 400))


def test_cameras_at_random_places_already_count_and_settled_ones_are_not_drawn(batch):
    first = at_random(drawn(batch))
    cells, rows = [], {row["parcel_id"]: dict(row) for row in batch.rows}
    for choice in batch.assignment.cells:
        if choice.cell in first:
            row = rows[choice.chosen.parcel]
            row["decided"] = {"state": "camera up", "spot": None, **row["lot"]}
            choice = replace(choice, chosen=replace(choice.chosen, decided="camera up"))
        cells.append(choice)
    standing = replace(batch, assignment=Assignment(tuple(cells), 0.0), rows=list(rows.values()))
    assert not at_random(drawn(standing))
    more = at_random(drawn(standing, share=0.4))
    assert more
    assert not more & first


def test_table_and_letter_say_who_gets_a_random_place_and_why(batch):
    found = replace(batch, assignment=drawn(batch))
    rows = list(csv.DictReader(io.StringIO(assignments_csv(found))))
    cameras = {row["survey_cell"]: row for row in rows if row["role"] == "camera"}
    texts = letters(found, templates(None))
    cells = at_random(found.assignment)
    for choice in found.assignment.cells:
        if choice.chosen is None:
            continue
        row = cameras[choice.cell]
        letter = texts[f"{safe_name(row['parcel_id'])}.txt"]
        assert (row["placement"] == "random") == (choice.cell in cells)
        assert ("drawn at random: woods 1" in letter) == (choice.cell in cells)
        if choice.cell in cells:  # to praise another place is to send the camera there
            assert "best" not in letter.replace("a better place close by", "")
            assert "the maps show" not in letter.lower()
        if choice.cell in cells:
            assert row["spot"] == row["score"] == ""
            assert float(row["lon_deg"]) == pytest.approx(choice.lot["lon_deg"])
            assert "Drawn by lot" in row["reason"]
            assert "We propose" not in letter


def lot(**changes):
    role = np.where(COL < 75, CoverRole.TREE, CoverRole.CROP).astype(np.int8)
    ground = np.hypot(ROW - 50, COL - 50) < 45
    rules = RandomRules(**changes.pop("rules", {}))
    asked = {"grid": GRID, "rules": rules, "parcel_id": "P1", **changes}
    return role, ground, asked, place_by_lot(role, ground, **asked)


def test_the_lot_falls_on_each_habitat_by_its_area():
    """600 parcels: the share of woods within three standard deviations of its share of ground."""
    role, ground, _, _ = lot()
    share = (role[ground] == CoverRole.TREE).mean()
    found = [lot(parcel_id=f"P{k}")[3].stratum for k in range(600)]
    assert Counter(found)["woods"] / 600 == pytest.approx(share, abs=3 * 0.0204)


def test_the_lot_is_the_first_place_of_its_habitats_own_draw():
    role, ground, asked, place = lot()
    named = draw_places(role, ground, named=(place.stratum, 1), **asked)
    whole = draw_places(role, ground, **{**asked, "rules": RandomRules(places=8)})
    for places in (named, whole):
        first = next(p for p in places if p.stratum == place.stratum and p.order == 1)
        assert (first.easting, first.northing) == (place.easting, place.northing)
    assert [p.spare for p in named] == [False, True]
    assert lot(rules={"places": 8})[3].stratum in {p.stratum for p in whole if not p.spare}


def test_without_open_ground_there_is_no_lot():
    role, ground, asked, _ = lot()
    assert place_by_lot(role, np.zeros_like(ground), **asked) is None


def camera_up(row: dict[str, str], folder) -> None:
    """What a volunteer reports of the camera of a cell."""
    record = Record(
        state="camera up", at="2027-04-03", location=row["place"], lat=float(row["lat"]),
        lon=float(row["lon"]), accuracy_m=5.0,
    )  # fmt: skip
    file = DecisionsFile(format=FORMAT, parcel=row["parcel"], saved="2027-04-03T12:00:00Z",
                         records=(record,))  # fmt: skip
    (folder / f"{row['parcel']}.json").write_text(file.model_dump_json(exclude_defaults=True))


def test_from_the_proposal_to_a_review(tmp_path):
    """Asked for, named on the page and in its files, reported, and read back as random."""
    inputs_file = small_land(tmp_path / "land", count=3)
    protocol = quick_protocol(assign={"random_share": 0.5, "distance_m": 0.0, "lowest": 0.0})
    out = tmp_path / "out"
    batch = run(inputs_file, out, protocol=protocol, pages=3).batch
    (choice,) = [c for c in batch.assignment.cells if c.lot is not None]
    parcel = choice.chosen.parcel
    folder = out / batch.pages[parcel]
    assert "drawn at random" in (folder / "map.html").read_text()
    places = list(csv.DictReader(io.StringIO((folder / "random_places.csv").read_text())))
    assert places[0]["place"] == choice.lot["place_id"]
    assert float(places[0]["lon_deg"]) == pytest.approx(choice.lot["lon_deg"], abs=2e-6)
    assert "drawn at random" in (folder / "spots.gpx").read_text()
    others = [name for name in batch.pages.values() if name != batch.pages[parcel]]
    assert not any((out / name / "random_places.csv").exists() for name in others)

    said = tmp_path / "said"
    said.mkdir()
    lot = choice.lot
    camera_up({"parcel": parcel, "place": lot["place_id"], "lat": lot["lat_deg"],
               "lon": lot["lon_deg"]}, said)  # fmt: skip
    inputs = load_inputs(inputs_file, {"survey": {"visited": [str(said)]}})
    options = Options(pages=0, workers=0, assign=True)
    again = run_batch(inputs, protocol, out, options=options, watcher=Quiet()).batch
    assert not [c for c in again.assignment.cells if c.lot is not None], "it counts already"
    assert "placement:random" in (out / "deployments.csv").read_text()
    package = tmp_path / "season"
    package.mkdir()
    (package / "deployments.csv").write_text((out / "deployments.csv").read_text())
    heads = "observationID,deploymentID,eventStart,observationLevel,observationType,"
    heads += "scientificName,count\n"
    (package / "observations.csv").write_text(heads)
    (one,) = read_season([package]).deployments.values()
    assert one.at_random
