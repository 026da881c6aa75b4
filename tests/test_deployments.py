"""Planned deployments: valid by the open standard when dated, an honest template when not."""

from __future__ import annotations

import csv
import datetime as dt
import io
import json
from dataclasses import replace
from pathlib import Path

import pytest
from frictionless import Package, Resource, Schema

from siting.report.files import deployments as planned
from siting.report.shared.facts import spot_facts
from siting.settings.inputs import SurveyInput
from siting.settings.protocol import CameraRules
from tests.fake_result import fake_result, with_details

STANDARD = (
    Path(__file__).parents[1]
    / ".."
    / "shared"
    / "reference"
    / "standards"
    / "deployments-table-schema.json"
)
DATED = SurveyInput(
    time_zone="America/Toronto", first_day=dt.date(2027, 3, 1), last_day=dt.date(2027, 11, 30)
)
DAYS_ONLY = SurveyInput(first_day=dt.date(2027, 3, 1), last_day=dt.date(2027, 11, 30))


@pytest.fixture(scope="module")
def result():
    return with_details(fake_result())


def table(result, survey=DATED, camera=None):
    return planned.deployments_csv(
        result, spot_facts(result), survey=survey, camera=camera or CameraRules()
    )


def rows(result, survey=DATED):
    return list(csv.DictReader(io.StringIO(table(result, survey), newline="")))


def written(result, survey, folder):
    """Both files on disk, as a run writes them."""
    facts = spot_facts(result)
    (folder / "deployments.csv").write_bytes(table(result, survey).encode("utf-8"))
    text = planned.datapackage_json(result, facts, survey=survey)
    (folder / "datapackage.json").write_bytes(text.encode("utf-8"))
    return folder / "datapackage.json"


def faults(path):
    """Type and field of every fault that frictionless finds in a package."""
    report = Package(str(path)).validate()
    found = {
        (error.type, getattr(error, "field_name", ""))
        for task in report.tasks
        for error in task.errors
    }
    return found | {(error.type, "") for error in report.errors}


def test_dated_package_is_valid(result, tmp_path):
    assert faults(written(result, DATED, tmp_path)) == set()


def test_dated_table_is_valid_by_the_published_schema(result, tmp_path):
    # Table schema of Camtrap DP 1.0.2, run by frictionless.
    if not STANDARD.exists():
        pytest.skip("the published table schema is not beside the repository")
    schema = Schema.from_descriptor(json.loads(STANDARD.read_text()))
    written(result, DATED, tmp_path)
    resource = Resource(path="deployments.csv", basepath=str(tmp_path), schema=schema)
    assert resource.validate().valid
    # A planted fault: a feature type that is not on the list.
    text = (tmp_path / "deployments.csv").read_text().replace("trailGame", "trail")
    (tmp_path / "bad.csv").write_text(text)
    bad = Resource(path="bad.csv", basepath=str(tmp_path), schema=schema)
    assert not bad.validate().valid


def test_our_fields_are_those_of_the_standard():
    if not STANDARD.exists():
        pytest.skip("the published table schema is not beside the repository")
    standard = json.loads(STANDARD.read_text())
    ours = planned.schema()
    keep = ("name", "type", "format", "constraints")
    theirs = [{k: field[k] for k in keep if k in field} for field in standard["fields"]]
    assert ours["fields"] == theirs
    for key in ("name", "missingValues", "primaryKey"):
        assert ours[key] == standard[key]


def test_the_24_columns_in_their_order(result):
    assert len(planned.FIELDS) == 24
    assert list(rows(result)[0]) == [field.name for field in planned.FIELDS]


def test_values(result):
    first, *_, last = rows(result)
    spot = result.spots[0]
    assert first["deploymentID"] == "P01-01-20270301T0000"
    assert float(first["latitude"]) == pytest.approx(spot.lat, abs=1e-7)
    assert float(first["longitude"]) == pytest.approx(spot.lon, abs=1e-7)
    assert first["coordinateUncertainty"] == "15"
    assert first["cameraHeight"] == "0.45"
    assert first["cameraHeading"] == "340"
    assert first["baitUse"] == "false"
    assert first["habitat"] == "Deciduous forest"
    assert first["featureType"] == ""  # the standard has no word for a crossing
    assert "feature:crossing" in first["deploymentTags"]
    assert last["featureType"] == "trailGame"
    assert first["cameraTilt"] == first["cameraID"] == first["timestampIssues"] == ""
    assert "true north" in first["deploymentComments"]


def test_times_carry_the_offset_of_their_day(result):
    # Toronto keeps UTC-5 in winter; 1 July would be UTC-4 (tz database).
    first = rows(result)[0]
    assert first["deploymentStart"] == "2027-03-01T00:00:00-05:00"
    assert first["deploymentEnd"] == "2027-11-30T23:59:59-05:00"
    summer = SurveyInput(
        time_zone="America/Toronto", first_day=dt.date(2027, 7, 1), last_day=dt.date(2027, 7, 9)
    )
    assert planned.planned_times(summer)[0] == "2027-07-01T00:00:00-04:00"


@pytest.mark.parametrize("survey", [SurveyInput(), DAYS_ONLY, SurveyInput(time_zone="Etc/UTC")])
def test_without_days_or_zone_it_is_a_template(result, survey, tmp_path):
    path = written(result, survey, tmp_path)
    # Exactly the two times are missing, and nothing else is wrong.
    assert faults(path) == {
        ("constraint-error", "deploymentStart"),
        ("constraint-error", "deploymentEnd"),
    }
    package = json.loads(path.read_text())
    assert package["fieldDay"]["mustFill"] == ["deploymentStart", "deploymentEnd"]
    assert "template" in package["description"]
    assert "temporal" not in package
    assert "Fill in deploymentStart" in rows(result, survey)[0]["deploymentComments"]


def test_dated_package_says_what_is_left_to_do(result, tmp_path):
    package = json.loads(written(result, DATED, tmp_path).read_text())
    assert package["fieldDay"]["mustFill"] == []
    assert set(package["fieldDay"]["fillOrCorrect"]) <= {f.name for f in planned.FIELDS}
    assert package["temporal"] == {"start": "2027-03-01", "end": "2027-11-30"}
    assert package["profile"] == "data-package"  # no claim to be the whole standard yet
    assert "media" in package["description"]
    assert package["project"]["samplingDesign"] == "targeted"
    assert package["spatial"]["type"] == "Polygon"


@pytest.mark.parametrize(("use", "word"), [("game", "trailGame"), ("quiet", ""), ("busy", "")])
def test_only_a_game_trail_is_called_one(result, use, word):
    trails = result.land.vectors["trails"].assign(use=[use])
    vectors = {**result.land.vectors, "trails": trails}
    changed = replace(result, land=replace(result.land, vectors=vectors))
    assert rows(changed)[3]["featureType"] == word
    bare = {name: layer for name, layer in vectors.items() if name != "trails"}
    unknown = replace(result, land=replace(result.land, vectors=bare))
    assert rows(unknown)[3]["featureType"] == ""


def test_water_is_a_source(result):
    spot = replace(result.spots[0], kind="water")
    assert rows(replace(result, spots=(spot,)))[0]["featureType"] == "waterSource"


def test_feature_types_are_on_the_list():
    assert set(planned.FEATURE_OF_KIND.values()) <= set(planned.FEATURE_TYPES)


def test_unknown_heading_stays_empty():
    bare = fake_result()
    assert {row["cameraHeading"] for row in rows(bare)} == {""}


@pytest.mark.parametrize("text", ["a|b:c", "=1+1", "<script>", "line\nbreak", "ü|"])
def test_text_of_users_keeps_the_table_valid(text, tmp_path):
    bad = with_details(fake_result(label=text, parcel_id=text))
    assert faults(written(bad, DATED, tmp_path)) == set()
    for row in rows(bad):
        assert row["deploymentGroups"].count("|") == 1  # parcel and survey cell
        assert not row["deploymentID"].startswith("=")


def test_same_bytes_every_time(result):
    again = with_details(fake_result())
    assert table(result) == table(again)
    first, second = (
        planned.datapackage_json(r, spot_facts(r), survey=DATED) for r in (result, again)
    )
    assert first == second
