"""Places drawn at random: balanced, in proportion, the same for the same seed, kept apart."""

from __future__ import annotations

import csv
import io
import json
from dataclasses import replace
from xml.etree import ElementTree

import numpy as np
import pytest
import shapely
from click.testing import CliRunner

from siting.cli.main import siting
from siting.grid import Grid
from siting.report import write_report
from siting.scoring.random_places import balanced_points, draw_places, halton, shares
from siting.settings.protocol import Protocol
from siting.settings.protocol_field import RandomRules
from siting.types import CoverRole, NoGo
from tests.fake_result import fake_result
from tests.test_columns import INPUTS, NOW

GRID = Grid("EPSG:32617", 0.0, 1000.0, 10.0, 100, 100)
ROW, COL = np.indices(GRID.shape)
# A frame with a bay, a hole and an island, as open ground has them.
FRAME = (np.hypot(ROW - 50, COL - 50) < 45) & ~((ROW < 40) & (abs(COL - 60) < 12))
FRAME &= np.hypot(ROW - 70, COL - 40) > 9
FRAME[2:10, 2:10] = True


def frame_centres():
    return np.column_stack(GRID.xy(ROW[FRAME], COL[FRAME]))


def imbalance(east, north):
    """Variance of the area nearest to each place, as a share of its mean squared.

    Stevens & Olsen 2004 (doi 10.1198/016214504000000250), section 4: expected inclusion of the
    Voronoi polygons; 0 is perfect balance.
    """
    at = np.column_stack([east, north])
    nearest = shapely.STRtree(shapely.points(at)).nearest(shapely.points(frame_centres()))
    return np.var(np.bincount(nearest, minlength=len(at)) * len(at) / FRAME.sum())


@pytest.mark.parametrize("run", [slice(0, 25), slice(7, 32)], ids=["places", "with spares"])
def test_places_are_better_spread_than_a_simple_random_sample(run):
    """Robertson et al. 2013 (doi 10.1111/biom.12059): well below half the imbalance of SRS."""
    rng = np.random.default_rng(1)
    ours, simple = [], []
    for seed in range(40):
        east, north = balanced_points(FRAME, 40, grid=GRID, seed=(seed,))
        ours.append(imbalance(east[run], north[run]))
        taken = frame_centres()[rng.choice(FRAME.sum(), 25, replace=False)]
        simple.append(imbalance(*taken.T))
    assert np.mean(ours) < 0.6 * np.mean(simple)


def test_every_piece_of_ground_has_the_same_chance():
    """800 draws of 10: counts in 9 pieces of equal size as chance has them."""
    order = np.argsort(ROW[FRAME] // 34 * 10_000 + COL[FRAME])
    piece = np.empty(FRAME.sum(), dtype=int)
    piece[order] = np.arange(FRAME.sum()) * 9 // FRAME.sum()
    where = np.full(GRID.shape, -1)
    where[FRAME] = piece
    counts = np.zeros(9)
    for seed in range(800):
        east, north = balanced_points(FRAME, 10, grid=GRID, seed=(seed,))
        found = where[GRID.rowcol(east, north)]
        assert (found >= 0).all()
        counts += np.bincount(found, minlength=9)
    share = np.bincount(piece) / FRAME.sum()
    # A simple random sample would err by a standard deviation of 30 in 889.
    np.testing.assert_allclose(counts, 8000 * share, atol=90)


def test_radical_inverse_by_hand():
    np.testing.assert_allclose(halton(np.array([1, 2, 3, 5]), 3), [1 / 3, 2 / 3, 1 / 9, 7 / 9])


def test_places_of_strata_are_in_proportion_and_never_more_than_asked():
    assert shares([50, 50], 3) == [2, 1]
    assert shares([97, 2, 1], 10) == [10, 0, 0]
    assert shares([0, 0], 4) == [0, 0]


def drawn(**changes):
    role = np.where(COL < 75, CoverRole.TREE, CoverRole.CROP).astype(np.int8)
    tree_m = np.maximum(COL - 74, 0) * 10.0
    rules = RandomRules(**{"places": 12, **changes.pop("rules", {})})
    return draw_places(
        role, FRAME, grid=GRID, rules=rules, tree_m=tree_m, **{"parcel_id": "P1", **changes}
    )


def test_a_draw_keeps_to_open_ground_strata_and_reach():
    places = drawn()
    main = [p for p in places if not p.spare]
    woods = (FRAME & (COL < 75)).sum() / FRAME.sum()
    assert len(main) == 12
    assert len(places) == 24
    assert sum(p.stratum == "woods" for p in main) == round(12 * woods)
    for place in places:
        row, col = GRID.rowcol(place.easting, place.northing)
        assert FRAME[row, col]
        assert (place.stratum == "woods") == (col < 75)
        assert place.tree_m is None or place.tree_m <= place.reach_m
        density = sum(p.stratum == place.stratum for p in main) / place.stratum_ha
        assert place.inclusion_per_ha == pytest.approx(density, abs=1e-6)
    assert places[: len(main)] == tuple(main)


def test_the_seed_settles_the_draw_and_parcels_have_their_own():
    assert drawn() == drawn()
    assert drawn(rules={"seed": 2}) != drawn()
    assert drawn(parcel_id="P2") != drawn()
    assert drawn(rules={"places": 0}) == ()


def written(folder, *, places=3, public=False):
    result = fake_result()
    protocol = Protocol(random=RandomRules(places=places))
    found = draw_places(
        result.land.role, result.no_go == 0, grid=result.land.grid, rules=protocol.random,
        parcel_id=result.land.parcel.id,
    )  # fmt: skip
    result = replace(result, random_places=found)
    write_report(result, folder, protocol=protocol, inputs=INPUTS, time=NOW, public=public)
    return {path.name: path.read_text("utf-8") for path in folder.glob("random*")}


def test_the_files_say_that_they_are_random_and_how(tmp_path):
    files = written(tmp_path)
    assert files == written(tmp_path / "again")
    rows = list(csv.DictReader(io.StringIO(files["random_places.csv"])))
    planned = list(csv.DictReader(io.StringIO(files["random_deployments.csv"])))
    assert len(rows) == len(planned) == 6
    assert len({row["deploymentID"] for row in planned}) == 6
    for row, plan in zip(rows, planned, strict=True):
        assert row["place"] == plan["locationID"]
        assert "placement:random" in plan["deploymentTags"]
        assert f"stratum:{row['stratum']} | draw:{row['order']}" in plan["deploymentTags"]
    package = json.loads(files["random_datapackage.json"])
    assert package["project"]["samplingDesign"] == "simpleRandom"
    assert package["resources"][0]["path"] == "random_deployments.csv"
    points = ElementTree.fromstring(files["random_places.gpx"])
    assert len(points.findall("{http://www.topografix.com/GPX/1/1}wpt")) == 6
    targeted = json.loads((tmp_path / "datapackage.json").read_text("utf-8"))
    assert targeted["project"]["samplingDesign"] == "targeted"
    assert "random" not in (tmp_path / "deployments.csv").read_text("utf-8")


def test_map_and_sheet_show_the_places_and_what_to_do(tmp_path):
    rows = list(csv.DictReader(io.StringIO(written(tmp_path)["random_places.csv"])))
    page, sheet = (
        (tmp_path / name).read_text("utf-8") for name in ("map.html", "field_sheet.html")
    )
    assert "Place drawn at random" in page
    printed = sheet.split('id="drawn"')[1].split('id="check-visits"')[0]
    assert "spoil the sample" in printed
    for row in rows:
        sign = f"{row['stratum'][0].upper()}{row['order']}"
        assert f"{sign}, {row['stratum']} {row['order']}" in page
        assert f'scope="row">{sign}' in printed
        assert f"{float(row['lat_deg']):.5f}° N" in printed
    assert printed.count('class="drawn"') == 3
    assert printed.count('class="drawn spare"') == 3
    written(tmp_path / "none", places=0)
    assert "W1, woods" not in (tmp_path / "none" / "map.html").read_text("utf-8")
    assert 'id="drawn"' not in (tmp_path / "none" / "field_sheet.html").read_text("utf-8")


def test_a_run_without_a_draw_leaves_none_of_an_earlier_one(tmp_path):
    assert written(tmp_path)
    assert written(tmp_path, places=0) == {}


def test_nothing_of_a_draw_is_in_public_files(tmp_path):
    assert written(tmp_path, public=True) == {}


def test_closed_land_gives_no_place_and_says_so():
    closed = np.full(GRID.shape, NoGo.WATER.value) != 0
    assert draw_places(
        np.ones(GRID.shape, np.int8), ~closed, grid=GRID, rules=RandomRules(places=5),
        parcel_id="P",
    ) == ()  # fmt: skip


def test_the_command_refuses_what_is_no_number_of_places():
    told = CliRunner().invoke(siting, ["score", "x.toml", "-o", "y", "--random", "-3"])
    assert told.exit_code == 2
    assert "--random" in told.output
