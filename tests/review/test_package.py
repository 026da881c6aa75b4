"""Reading what cameras recorded: the standard's example, and the traps of packages and tables."""

from __future__ import annotations

import csv
import datetime as dt
import io
import zipfile
from pathlib import Path

import pytest

from siting.errors import SitingError
from siting.review.recorded.effort import ALL_WILD, camera_days, camera_rows, count_events
from siting.review.recorded.package import read_season
from tests.real_places import DATA

TODAY = dt.datetime(2026, 11, 26, tzinfo=dt.UTC)
EXAMPLE = DATA / "camtrap-example"
DEPLOYMENT = {
    "deploymentID": "d1", "locationID": "p1", "longitude": "-80.50712", "latitude": "43.03871",
    "coordinateUncertainty": "10", "deploymentStart": "2026-05-01T12:00:00-05:00",
    "deploymentEnd": "2026-06-01T12:00:00-05:00", "cameraID": "c1", "cameraHeight": "0.5",
    "cameraHeading": "35", "baitUse": "false", "deploymentComments": "",
}  # fmt: skip
OBSERVATION = {
    "deploymentID": "d1", "eventStart": "2026-05-03T06:00:00-05:00", "observationLevel": "event",
    "observationType": "animal", "cameraSetupType": "", "scientificName": "Vulpes vulpes",
    "sex": "", "lifeStage": "", "classificationMethod": "human", "classificationProbability": "",
}  # fmt: skip
BLANK = {**OBSERVATION, "observationType": "blank", "scientificName": "",
         "eventStart": "2026-05-28T06:00:00-05:00"}  # fmt: skip


def text_of(rows: list[dict[str, str]]) -> str:
    stream = io.StringIO()
    writer = csv.DictWriter(stream, fieldnames=list(rows[0]))
    writer.writeheader()
    writer.writerows(rows)
    return stream.getvalue()


def package(folder: Path, deployments, observations) -> Path:
    folder.mkdir(exist_ok=True)
    rows = [{**DEPLOYMENT, **change} for change in deployments]
    seen = [{**OBSERVATION, **change} for change in observations] + [BLANK]
    (folder / "deployments.csv").write_text(text_of(rows), encoding="utf-8")
    (folder / "observations.csv").write_text(text_of(seen), encoding="utf-8")
    return folder


def codes(path: Path, **options) -> set[str]:
    season = read_season([path])
    _, notes = camera_rows(season, today=TODAY, **options)
    return {note.code for note in (*season.notes, *notes)}


def failing(path: Path, **options) -> str:
    with pytest.raises(SitingError) as caught:
        read_season([path], **options)
    assert caught.value.rule
    assert caught.value.cure
    return caught.value.code


@pytest.mark.skipif(
    not EXAMPLE.exists(),
    reason="the real open data are not beside the repository (../shared/data)",
)
def test_the_example_of_the_standard():
    """Camera Trap Data Package 1.0.2, tdwg/camtrap-dp @ e4d14670: 366 animal rows, 26 events."""
    season = read_season([EXAMPLE])
    rows, _ = camera_rows(season, today=TODAY)
    days = [row.days for row in rows]
    assert days == pytest.approx([32.280602, 9.952072, 9.106505, 22.032431], abs=5e-7)
    assert [row.events[30.0] for row in rows] == [9, 9, 5, 3]
    assert len(season.records) == 29
    assert "W-LEVEL-01" in {note.code for note in season.notes}


@pytest.mark.skipif(
    not EXAMPLE.exists(),
    reason="the real open data are not beside the repository (../shared/data)",
)
@pytest.mark.parametrize("gap", [5.0, 30.0, 60.0])
def test_media_rows_alone_give_the_same_events(gap, tmp_path):
    rows = list(csv.DictReader((EXAMPLE / "observations.csv").open(encoding="utf-8")))
    media = [row for row in rows if row["observationLevel"] == "media"]
    (tmp_path / "observations.csv").write_text(text_of(media), encoding="utf-8")
    whole = (EXAMPLE / "deployments.csv").read_text(encoding="utf-8")
    (tmp_path / "deployments.csv").write_text(whole, encoding="utf-8")
    season = read_season([tmp_path])

    by_key: dict[tuple[str, str], list[dt.datetime]] = {}
    for record in season.records:
        by_key.setdefault((record.deployment, record.species), []).append(record.time)
    assert sum(count_events(times, gap_min=gap) for times in by_key.values()) == 26


def test_a_night_of_clock_change_is_an_hour_shorter():
    start, end = (dt.datetime.fromisoformat(t) for t in
                  ("2026-03-01T12:00:00-05:00", "2026-03-31T12:00:00-04:00"))  # fmt: skip
    assert camera_days(start, end) == 30 - 1 / 24


def test_1_times_without_a_zone(tmp_path):
    made = package(tmp_path / "p", [{"deploymentStart": "2026-05-01T12:00:00"}], [{}])
    assert failing(made) == "E-TIME-01"


def test_2_and_4_no_end_or_no_effort(tmp_path):
    made = package(
        tmp_path / "p",
        [{}, {"deploymentID": "d2", "deploymentEnd": "", "longitude": "-80.6"},
         {"deploymentID": "d3", "deploymentEnd": "2027-01-01T00:00:00Z", "longitude": "-80.7"},
         {"deploymentID": "d4", "deploymentEnd": "2026-05-01T20:00:00-05:00"}],
        [{}],
    )  # fmt: skip
    rows, notes = camera_rows(read_season([made]), today=TODAY)
    assert [row.left_out for row in rows] == ["", "W-EFFORT-01", "W-EFFORT-01", "W-EFFORT-03"]
    assert all(row.days == 0 for row in rows if row.left_out)
    told = " ".join(note.text for note in notes)
    assert "d2, d3" in told
    assert "d4" in told


def test_3_a_camera_that_fell_silent(tmp_path):
    made = package(tmp_path / "p", [{}, {"deploymentID": "d2"}], [{"deploymentID": "d2"}])
    rows, notes = camera_rows(read_season([made]), today=TODAY)
    assert [row.fell_silent for row in rows] == [False, True]
    assert rows[1].days == 31
    assert rows[1].days_to_last == pytest.approx(1.75)
    assert "W-EFFORT-02" in {note.code for note in notes}


def test_5_a_camera_without_animals_is_there(tmp_path):
    made = package(tmp_path / "p", [{}, {"deploymentID": "d2"}], [{}])
    rows, _ = camera_rows(read_season([made]), today=TODAY)
    assert [row.events[30.0] for row in rows] == [1, 0]


@pytest.mark.parametrize("change", [{}, {"locationID": "p2", "longitude": "-80.50690"}])
def test_6_and_9_one_place_is_one_cluster(change, tmp_path):
    made = package(tmp_path / "p", [{}, {"deploymentID": "d2", **change}], [{}])
    rows, notes = camera_rows(read_season([made]), today=TODAY)
    assert rows[0].cluster == rows[1].cluster
    assert "W-PLACE-02" in {note.code for note in notes}
    far = package(tmp_path / "q", [{}, {"deploymentID": "d2", "locationID": "p2",
                                        "longitude": "-80.50"}], [{}])  # fmt: skip
    rows, _ = camera_rows(read_season([far]), today=TODAY)
    assert rows[0].cluster != rows[1].cluster


def test_7_two_rows_of_one_deployment(tmp_path):
    assert failing(package(tmp_path / "p", [{}, {}], [{}])) == "E-DEPLOY-01"


def test_8_one_camera_at_two_places_at_once(tmp_path):
    made = package(tmp_path / "p", [{}, {"deploymentID": "d2", "longitude": "-80.6"}], [{}])
    assert "W-DEPLOY-02" in codes(made)


def test_10_rounded_places(tmp_path):
    all_rounded = package(tmp_path / "p", [{"longitude": "-80.5", "latitude": "43.04"}], [{}])
    assert failing(all_rounded) == "E-PLACE-01"
    one = package(tmp_path / "q", [{}, {"deploymentID": "d2", "longitude": "-80.507",
                                        "latitude": "43.038"}], [{}])  # fmt: skip
    assert "W-PLACE-04" in codes(one)


def test_11_uncertainty_not_stated(tmp_path):
    made = package(tmp_path / "p", [{"coordinateUncertainty": ""}], [{}])
    assert "W-PLACE-03" in codes(made)


@pytest.mark.parametrize(
    "change", [{"latitude": "-180.1"}, {"longitude": "0", "latitude": "0"}, {"latitude": "91"}]
)
def test_12_no_place_on_earth(change, tmp_path):
    assert failing(package(tmp_path / "p", [change], [{}])) == "E-CRS-07"


def test_16_pictures_are_not_visits(tmp_path):
    minutes = [{"eventStart": f"2026-05-03T06:0{m}:00-05:00"} for m in range(6)]
    made = package(tmp_path / "p", [{}], minutes)
    rows, notes = camera_rows(read_season([made]), today=TODAY)
    assert rows[0].events == {30.0: 1, 0.0: 6, 60.0: 1}
    assert "W-EVENT-01" in {note.code for note in notes}


def test_17_and_18_a_herd_on_three_rows_is_one_event(tmp_path):
    made = package(tmp_path / "p", [{}], [{"sex": "female"}, {"sex": "male"}, {}])
    rows, _ = camera_rows(read_season([made]), today=TODAY)
    assert rows[0].events[30.0] == 1


def test_19_people_set_up_pictures_and_unclassified(tmp_path):
    made = package(
        tmp_path / "p", [{}],
        [{"observationType": "human"}, {"cameraSetupType": "setup"},
         {"observationType": "unclassified"}],
    )  # fmt: skip
    season = read_season([made])
    assert season.records == ()
    assert "W-TYPE-01" in {note.code for note in season.notes}


def test_20_blanks_not_handed_over(tmp_path):
    made = package(tmp_path / "p", [{}], [{}])
    (made / "observations.csv").write_text(text_of([OBSERVATION]), encoding="utf-8")
    assert "W-BLANK-01" in codes(made)


def test_23_rows_twice_count_once(tmp_path):
    made = package(tmp_path / "p", [{}], [{}, {}])
    rows, _ = camera_rows(read_season([made]), today=TODAY)
    assert rows[0].events[0.0] == 1
    assert "W-TWICE-01" in codes(made)


def test_24_several_packages(tmp_path):
    one = package(tmp_path / "p", [{}], [{}])
    same = package(tmp_path / "q", [{}, {"deploymentID": "d2"}], [{}])
    season = read_season([one, same])
    assert list(season.deployments) == ["d1", "d2"]
    assert len(season.records) == 1
    other = package(tmp_path / "r", [{"longitude": "-80.6"}], [{}])
    with pytest.raises(SitingError, match="E-PACK-01"):
        read_season([one, other])


def test_25_and_26_names(tmp_path):
    made = package(
        tmp_path / "p", [{}],
        [{}, {"scientificName": "Bos taurus"}, {"scientificName": "Vulpes"}],
    )  # fmt: skip
    season = read_season([made])
    rows, notes = camera_rows(season, group="foxes", groups={"Vulpes vulpes": "foxes"}, today=TODAY)
    assert rows[0].events[30.0] == 1
    told = {note.code: note.text for note in notes}
    assert "Vulpes (1)" in told["W-NAME-01"]
    assert "Bos taurus (1)" in told["W-NAME-02"]
    rows, _ = camera_rows(season, group=ALL_WILD, today=TODAY)
    assert rows[0].events[30.0] == 2


def test_27_machine_labels(tmp_path):
    unsure = {"classificationMethod": "machine", "classificationProbability": "0.4"}
    assert "W-LABEL-01" in codes(package(tmp_path / "p", [{}], [unsure]))


def test_28_records_outside_the_dates(tmp_path):
    made = package(tmp_path / "p", [{}], [{"eventStart": "2025-05-03T06:00:00-05:00"}])
    assert "W-CLOCK-01" in codes(made)
    assert read_season([made]).records == ()


def test_30_headings_of_zero_are_not_noted(tmp_path):
    made = package(
        tmp_path / "p",
        [{"deploymentID": f"d{i}", "cameraHeading": "0" if i < 3 else "35"} for i in range(5)],
        [{}],
    )
    season = read_season([made])
    assert [d.heading_deg for d in season.deployments.values()] == [None, None, None, 35, 35]
    assert "W-HEAD-01" in {note.code for note in season.notes}


def test_31_height_in_centimetres(tmp_path):
    assert failing(package(tmp_path / "p", [{"cameraHeight": "50"}], [{}])) == "E-UNIT-02"


@pytest.mark.parametrize(
    "change", [{"longitude": "-80,5071"}, {"deploymentStart": "45000"}, {"cameraHeading": "N"}]
)
def test_39_what_a_spreadsheet_spoils(change, tmp_path):
    assert failing(package(tmp_path / "p", [change], [{}])) == "E-TABLE-01"


def test_a_byte_order_mark_is_no_fault(tmp_path):
    made = package(tmp_path / "p", [{}], [{}])
    text = (made / "deployments.csv").read_text(encoding="utf-8")
    (made / "deployments.csv").write_text("\ufeff" + text, encoding="utf-8")
    assert list(read_season([made]).deployments) == ["d1"]


def test_a_zip_is_read_like_its_folder(tmp_path):
    made = package(tmp_path / "p", [{}], [{}])
    with zipfile.ZipFile(tmp_path / "p.zip", "w") as archive:
        for name in ("deployments.csv", "observations.csv"):
            archive.write(made / name, f"season/{name}")
    zipped, plain = read_season([tmp_path / "p.zip"]), read_season([made])
    assert (zipped.deployments, zipped.records) == (plain.deployments, plain.records)


def test_what_is_no_package(tmp_path):
    (tmp_path / "empty").mkdir()
    (tmp_path / "text.zip").write_text("no zip")
    assert failing(tmp_path / "empty") == "E-FILE-01"
    assert failing(tmp_path / "none.zip") == "E-FILE-01"
    assert failing(tmp_path / "text.zip") == "E-FILE-02"


TABLE = "deployment,longitude,latitude,start,end,events_fox,events_deer\n"


def test_a_plain_table(tmp_path):
    file = tmp_path / "season.csv"
    file.write_text(TABLE + "a,-80.50712,43.03871,2026-05-01,2026-05-31,3,5\n"
                    "b,-80.60712,43.03871,2026-05-01,2026-05-31,0,\n")  # fmt: skip
    season = read_season([file], time_zone="Etc/GMT+5")
    rows, _ = camera_rows(season, today=TODAY)
    assert [(row.days, row.events[30.0]) for row in rows] == [(30, 8), (30, 0)]
    rows, _ = camera_rows(season, group="d", groups={"deer": "d"}, today=TODAY)
    assert [row.events[30.0] for row in rows] == [5, 0]
    assert failing(file) == "E-TIME-01"
    file.write_text("place,count\nx,3\n")
    assert failing(file) == "E-TABLE-01"


def test_an_event_begins_at_the_very_gap():
    at = [dt.datetime(2026, 5, 1, 6, minute) for minute in (0, 30)]
    assert count_events(at, gap_min=30.0) == 2
    assert count_events(at, gap_min=30.1) == 1
