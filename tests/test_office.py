"""What the survey office gets: deployments as reported, check visits, what is due, letters."""

from __future__ import annotations

import csv
import io
import json
import re

import pytest

from siting.batch.output.drawn import random_places_csv
from siting.batch.output.letters import KINDS, letters, templates
from siting.batch.output.office import office_files
from siting.batch.output.tables import Batch
from siting.batch.run import run_batch
from siting.batch.work import Options
from siting.decisions.history import reported
from siting.decisions.model import DecisionsFile, Record
from siting.decisions.places import KnownPlace, named_places, remembered
from siting.decisions.proposal import proposal_of
from siting.disk.files import safe_name
from siting.errors import SitingError
from siting.read.vector.decision_files import Decisions, Given, decisions_of
from siting.settings.inputs import SurveyInput
from siting.settings.load import load_inputs
from siting.settings.protocol import Protocol
from siting.types import Parcel
from tests.batch_tools import Quiet, quick_protocol, small_land

HERE = {"location": "P01-AAAA", "planned_lat": 45.0, "planned_lon": -92.0, "radius_m": 15}
SURVEY = SurveyInput(time_zone="Etc/GMT+6")
STORY = (
    Record(state="camera up", at="2027-04-03T10:20:00-06:00", lat=45.00008, lon=-92.0, height_m=0.6,
           heading_magnetic_deg=54, camera="C-017", card="S-041", position_from="phone",
           accuracy_m=6, **HERE),
    Record(state="checked", at="2027-04-17", battery_percent=70, pictures=2310, clock_off_min=0,
           card_out="S-041", card="S-088", done=["card changed", "walk test"], **HERE),
    Record(state="moved", at="2027-04-20T09:00:00-06:00", lat=45.001, lon=-92.0, **HERE),
)  # fmt: skip


def files_of(records=STORY, **survey):
    decided = {"P01": Decisions(tuple(records)), "P02": Decisions()}
    return office_files(decided, survey=SURVEY.model_copy(update=survey), protocol=Protocol())


def table_of(text):
    return list(csv.DictReader(io.StringIO(text)))


def test_a_camera_that_was_moved_has_two_deployments():
    one, two = table_of(files_of()["deployments.csv"])
    assert one["deploymentID"] == "P01-AAAA-20270403T1020"
    assert (one["locationID"], one["deploymentEnd"]) == ("P01-AAAA", "2027-04-20T09:00:00-06:00")
    assert two["locationID"] not in ("", "P01-AAAA")
    assert two["deploymentStart"] == one["deploymentEnd"]
    # True position, height and heading of the day; the needle points east of north there in 2027.
    assert (one["latitude"], one["cameraHeight"], one["cameraID"]) == ("45.00008", "0.6", "C-017")
    assert 50 <= int(one["cameraHeading"]) <= 58
    assert one["timestampIssues"] == "false"


def test_a_report_under_the_new_name_reaches_the_camera_that_was_moved():
    (_, moved) = table_of(files_of()["deployments.csv"])
    later = Record(state="taken down", at="2027-06-01", location=moved["locationID"])
    one, two = table_of(files_of((*STORY, later))["deployments.csv"])
    assert two["deploymentEnd"].startswith("2027-06-01")
    assert (one["locationID"], two["locationID"]) == ("P01-AAAA", moved["locationID"])


def test_a_camera_that_was_moved_is_asked_for_where_it_stands_now():
    (_, moved) = table_of(files_of()["deployments.csv"])
    found = proposal_of(STORY, {"P01-AAAA": 2}, parcel="P01", offered=("P01-BBBB", "it is best"))
    assert (found.place_id, found.rank) == (moved["locationID"], None)
    assert (found.state, found.lat, found.lon) == ("camera up", 45.001, -92.0)
    down = Record(state="taken down", at="2027-06-01", **HERE)
    offered = proposal_of((*STORY, down), {"P01-BBBB": 1}, parcel="P01",
                          offered=("P01-BBBB", "it is best."))  # fmt: skip
    assert (offered.rank, offered.state, offered.reason) == (1, "proposed", "it is best")


def test_the_state_of_a_parcel_is_that_of_its_camera():
    out = Record(state="ruled out", at="2027-05-01", location="P01-CCCC", reason="wet",
                 planned_lat=45.0, planned_lon=-92.001)  # fmt: skip
    assert reported((*STORY[:2], out), parcel="P01") == ("checked", "2027-04-17")
    assert reported((out,), parcel="P01") == ("ruled out", "2027-05-01")
    assert reported((), parcel="P01") == ("", "")


def test_a_place_is_as_wide_as_it_was_first():
    known = KnownPlace("P01-AAAA", -92.0, 45.0, 40.0)
    found = decisions_of(
        (Given("a.json", "", True, DecisionsFile(format="siting decisions 1", parcel="P01",
                                                 records=STORY[:1])),),
        Parcel("P01", "", None, "EPSG:4326"), known=[known])  # fmt: skip
    (again,) = named_places([(-92.0, 45.0003, 15.0)], found.known, parcel="P01")
    assert again.id == "P01-AAAA"
    assert remembered(found.known, ()) == (known,)


def test_check_visits_and_what_is_due():
    written = files_of(STORY[:2])
    (visit,) = table_of(written["check_visits.csv"])
    assert (visit["battery_percent"], visit["card_out"], visit["card_in"]) == (
        "70",
        "S-041",
        "S-088",
    )
    assert visit["when"] == "2027-04-17T12:00:00-06:00"
    (due,) = table_of(written["due.csv"])
    assert (due["last_visit"], due["due"]) == ("2027-04-17", "2027-04-30")
    assert "empty card" in due["bring"]
    assert table_of(files_of((*STORY[:2], Record(state="taken down", at="2027-05-01", **HERE)))[
        "due.csv"]) == []  # fmt: skip


def test_without_a_camera_there_is_no_table():
    assert files_of([Record(state="chosen", at="2027-04-03", **HERE)]) == {}


def test_the_package_is_valid_by_frictionless(tmp_path):
    frictionless = pytest.importorskip("frictionless")
    for name, text in files_of().items():
        (tmp_path / name).write_bytes(text.encode())
    report = frictionless.Package(str(tmp_path / "datapackage.json")).validate()
    assert report.valid, report.flatten(["message"])


def test_a_camera_at_a_place_drawn_at_random_is_told_apart():
    drawn = {**HERE, "location": "P01-random-open-ground-2"}
    up = {"state": "camera up", "lat": 45.0, "lon": -92.0}
    records = (Record(at="2027-04-03", **up, **drawn), Record(at="2027-04-04", **up, **HERE))
    first, second = (
        row["deploymentTags"] for row in table_of(files_of(records)["deployments.csv"])
    )
    assert first.endswith("placement:random | stratum:open ground | draw:2")
    assert second.endswith("placement:targeted")


def test_a_batch_draws_on_every_parcel_with_pages_and_says_which_have_none(tmp_path):
    inputs = load_inputs(small_land(tmp_path / "land"))
    protocol = quick_protocol(random={"places": 2})
    options = Options(pages=2, workers=0)
    run = run_batch(inputs, protocol, tmp_path / "out", options=options, watcher=Quiet())
    names = []
    for folder in run.batch.pages.values():
        rows = table_of((tmp_path / "out" / folder / "random_places.csv").read_text())
        planned = table_of((tmp_path / "out" / folder / "random_deployments.csv").read_text())
        assert sum(row["spare"] == "false" for row in rows) == 2
        assert all("placement:random" in row["deploymentTags"] for row in planned)
        names += [row["place"] for row in rows]
    assert len(names) == len(set(names)) == 8
    # The table of all parcels has those without pages, too.
    everywhere = [
        row["place"] for row in table_of((tmp_path / "out/random_places.csv").read_text())
    ]
    assert set(names) < set(everywhere)
    assert len(everywhere) == 12
    assert "1 of 3 parcels have none of the maps" in run.batch.notes[-1]


@pytest.fixture(scope="module")
def batch(tmp_path_factory):
    out = tmp_path_factory.mktemp("out")
    path = small_land(tmp_path_factory.mktemp("land"))
    options = Options(pages=0, workers=0, assign=True)
    outcome = run_batch(load_inputs(path), quick_protocol(), out, options=options, watcher=Quiet())
    return outcome.batch, out


def test_every_parcel_has_its_letter(batch):
    found, out = batch
    names = {path.stem for path in (out / "letters").glob("*.txt")}
    assert names == {safe_name(r["parcel_id"]) for r in (*found.rows, *found.failures)}
    cameras = {c.chosen.parcel: c.chosen for c in found.assignment.cells if c.chosen}
    assert cameras
    for row in found.rows:
        text = (out / "letters" / f"{safe_name(row['parcel_id'])}.txt").read_text()
        page = (out / "letters" / f"{safe_name(row['parcel_id'])}.html").read_text()
        assert "{" not in text
        assert text.count("Thank you for offering") == 1
        assert text.startswith("Hello,\n\n")
        assert text.endswith("\n\nKind regards,\n\n____________________\n")
        if row["parcel_id"] in cameras:
            said = f"We propose a camera at spot {cameras[row['parcel_id']].spot}, because"
            assert said in text
            assert said in page
        else:
            assert "We propose" not in text
    (failed,) = found.failures
    text = (out / "letters" / f"{safe_name(failed['parcel_id'])}.txt").read_text()
    assert "new outline" in text


def test_the_surveys_own_template_is_used(batch, tmp_path):
    (tmp_path / "camera.txt").write_text("Hello {land}.\n\n{because}")
    texts = templates(tmp_path)
    assert texts["camera"].startswith("Hello")
    assert set(texts) == set(KINDS)
    found, _ = batch
    written = letters(found, texts)
    assert any(text.startswith("Hello") for text in written.values())
    (tmp_path / "camera.txt").write_text("Hello {owner}")
    with pytest.raises(SitingError, match=r"E-LETTER-01.*owner"):
        templates(tmp_path)


@pytest.mark.slow
def test_the_proposed_spot_reaches_page_sheet_gpx_and_deployments(tmp_path):
    """Two cells so near that one of them must take its second spot: no file names another."""
    path = small_land(tmp_path / "land")
    out = tmp_path / "out"
    outcome = run_batch(load_inputs(path), quick_protocol(), out,
                        options=Options(pages=None, workers=0, assign=True),
                        watcher=Quiet())  # fmt: skip
    chosen = [c for c in outcome.batch.assignment.cells if c.chosen]
    assert chosen
    for choice in chosen:
        folder = out / "parcels" / safe_name(choice.chosen.parcel)
        said = f"The survey proposes spot {choice.chosen.spot} for you, because {choice.because}."
        assert said in (folder / "field_sheet.html").read_text()
        assert said in (folder / "spots.gpx").read_text()
        island = (folder / "map.html").read_text()
        spot = choice.chosen.spot
        assert f'"proposed":{{"spot":{spot},"state":"proposed","because":"' in island
        rows = table_of((folder / "deployments.csv").read_text())
        asked = [row for row in rows if "decision:proposed" in row["deploymentTags"]]
        assert [f"rank:{choice.chosen.spot}" in row["deploymentTags"] for row in asked] == [True]
    again = Quiet()
    run_batch(load_inputs(path), quick_protocol(), out,
              options=Options(pages=None, workers=0, assign=True), watcher=again)  # fmt: skip
    assert again.count == 0


def test_nothing_in_a_letter_can_run():
    label = "<script>alert(1)</script>"
    row = {"parcel_id": "P", "parcel_label": label, "sentence": "", "code": "", "top": []}
    written = letters(Batch([row], [], {}, {}), templates(None))
    page = next(text for name, text in written.items() if name.endswith(".html"))
    assert not re.search(r"<script", page)


def test_places_of_all_parcels_are_kept(batch):
    found, out = batch
    rows = table_of((out / "places.csv").read_text())
    names = {row["spot_id"] for row in rows}
    assert {spot["place_id"] for row in found.rows for spot in row["top"]} == names
    record = json.loads((out / "run.json").read_text())
    assert "places.csv" in record["outputs"]


def test_all_random_places_stand_in_one_table_with_what_became_of_them():
    """Where the camera stood and how far off, why a place was refused, and who has not been."""
    drawn = {"place": "P01-random-woods-1", "lon_deg": -92.0, "lat_deg": 45.0, "reach_m": 10.0}
    names = ("P01-random-woods-1", "P01-random-woods-2", "P01-random-woods-3")
    rows = [
        {"parcel_id": "P01", "survey_cell": "C1", "drawn": [{**drawn, "place": n} for n in names]},
        {"parcel_id": "P02", "survey_cell": "", "drawn": []},
        {
            "parcel_id": "P03",
            "survey_cell": "C2",
            "drawn": [{**drawn, "place": "P03-random-woods-1"}],
        },
    ]
    records = (
        Record(state="camera up", at="2027-04-03", location=names[0], lat=45.00005, lon=-92.0),
        Record(state="checked", at="2027-04-17", location=names[0]),
        Record(state="ruled out", at="2027-04-03", location=names[1], reason="wet", note="=pond"),
    )
    found = table_of(random_places_csv(rows, {"P01": Decisions(records, ())}))
    assert [row["place"] for row in found] == [*names, "P03-random-woods-1"]
    up, refused, untouched, other = found
    assert (up["state"], up["state_since"], up["offset_m"]) == ("checked", "2027-04-17", "5.6")
    assert (refused["state"], refused["refused_because"]) == ("ruled out", "wet: =pond")
    assert (untouched["state"], untouched["used_lon_deg"]) == ("", "")
    assert (other["parcel_id"], other["survey_cell"]) == ("P03", "C2")
    assert random_places_csv(rows[1:2], {}) == ""
