"""Packages as they come: columns that lack, slips of the pen, two exports in one archive.

Nothing is left out in silence, and nothing ends in a traceback. Columns and their meaning: Camera
Trap Data Package 1.0 (Bubnicki et al. 2023, doi 10.1002/rse2.374).
"""

from __future__ import annotations

import csv
import warnings
import zipfile
import zlib
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from siting.errors import SitingError
from siting.review.answer import answer
from siting.review.recorded.effort import camera_rows
from siting.review.recorded.package import read_season
from siting.review.shown.page import headline, review_page
from tests.review.test_answer import season
from tests.review.test_package import BLANK, DEPLOYMENT, OBSERVATION, TODAY, codes, package, text_of
from tests.test_random_places import written


def told(path: Path, *more: Path) -> str:
    with pytest.raises(SitingError) as caught:
        read_season([path, *more], time_zone="Etc/GMT+5")
    assert caught.value.rule
    assert caught.value.cure
    return f"{caught.value.code}: {caught.value}"


def without(path: Path, column: str) -> None:
    with path.open(encoding="utf-8") as stream:
        rows = list(csv.DictReader(stream))
    for row in rows:
        del row[column]
    path.write_text(text_of(rows), encoding="utf-8")


@pytest.mark.parametrize(
    ("table", "column"),
    [("deployments", name) for name in ("deploymentID", "latitude", "deploymentEnd")]
    + [("observations", name)
       for name in ("deploymentID", "eventStart", "observationLevel", "observationType",
                    "scientificName")],
)  # fmt: skip
def test_a_column_that_lacks_is_named(table, column, tmp_path):
    """Without it every observation was dropped, and the cameras seemed to have seen nothing."""
    made = package(tmp_path / "p", [{}], [{}])
    without(made / f"{table}.csv", column)
    said = told(made)
    assert said.startswith("E-TABLE-01")
    assert f"{table}.csv" in said
    assert column in said


def test_a_semicolon_between_cells_is_a_table_without_columns(tmp_path):
    made = package(tmp_path / "p", [{}], [{}])
    file = made / "observations.csv"
    file.write_text(file.read_text(encoding="utf-8").replace(",", ";"), encoding="utf-8")
    assert told(made).startswith("E-TABLE-01")


def test_a_column_that_stands_twice_is_an_error(tmp_path):
    made = package(tmp_path / "p", [{}], [{}])
    file = made / "deployments.csv"
    file.write_text(file.read_text(encoding="utf-8").replace("cameraHeading", "latitude"), "utf-8")
    said = told(made)
    assert said.startswith("E-TABLE-01")
    assert "latitude" in said


@pytest.mark.parametrize(
    ("change", "code", "names"),
    [
        ({"longitude": "0", "latitude": "51,5"}, "E-TABLE-01", "51,5"),
        ({"cameraHeading": "400"}, "E-TABLE-01", "cameraHeading"),
        ({"cameraHeading": "-90"}, "E-TABLE-01", "cameraHeading"),
        ({"coordinateUncertainty": "-5"}, "E-TABLE-01", "coordinateUncertainty"),
        ({"cameraHeight": "-0.5"}, "E-UNIT-02", "cameraHeight"),
        ({"cameraDelay": "-60"}, "E-TABLE-01", "cameraDelay"),
    ],
)
def test_numbers_that_cannot_be(change, code, names, tmp_path):
    said = told(package(tmp_path / "p", [change], [{}]))
    assert said.startswith(code)
    assert names in said
    assert "row 2" in said


def test_the_equator_is_a_place(tmp_path):
    made = package(tmp_path / "p", [{"latitude": "0.0", "longitude": "36.20712"}], [{}])
    assert read_season([made]).deployments["d1"].lat == 0.0
    assert told(package(tmp_path / "q", [{"latitude": "0.0", "longitude": "0"}], [{}])).startswith(
        "E-CRS-07"
    )


def test_how_sure_a_machine_was_must_be_a_number(tmp_path):
    change = {"classificationMethod": "machine", "classificationProbability": "high"}
    said = told(package(tmp_path / "p", [{}], [change]))
    assert said.startswith("E-TABLE-01")
    assert "classificationProbability" in said


@pytest.mark.parametrize(
    ("change", "code"),
    [
        ({"deploymentID": "d9"}, "W-DEPLOY-04"),
        ({"eventStart": ""}, "W-EVENT-02"),
        ({"observationLevel": "sequence"}, "W-LEVEL-02"),
        ({"observationLevel": ""}, "W-LEVEL-02"),
        ({"observationType": "Tier"}, "W-TYPE-03"),
    ],
)
def test_observations_that_cannot_count_are_reported(change, code, tmp_path):
    made = package(tmp_path / "p", [{}], [{}, change])
    assert code in codes(made)
    assert code not in codes(package(tmp_path / "q", [{}], [{}]))


def test_capitals_do_not_matter(tmp_path):
    change = {"observationLevel": "Event", "observationType": "Animal"}
    found = read_season([package(tmp_path / "p", [{}], [change])])
    assert len(found.records) == 1


@pytest.mark.parametrize(
    ("word", "baited"), [("food", True), ("scent", True), ("none", False), ("FALSE", False)]
)
def test_bait_of_an_older_form_is_bait(word, baited, tmp_path):
    """Before version 1.0 of the standard the cell named the kind of bait (from memory)."""
    found = read_season([package(tmp_path / "p", [{"baitUse": word}], [{}])])
    assert found.deployments["d1"].baited is baited


def test_a_slip_in_the_year_is_no_season_of_twenty_years(tmp_path):
    made = package(
        tmp_path / "p",
        [{}, {"deploymentID": "d2", "longitude": "-80.6",
              "deploymentStart": "2006-05-01T12:00:00-05:00"}],
        [{}],
    )  # fmt: skip
    rows, notes = camera_rows(read_season([made]), today=TODAY)
    assert [row.left_out for row in rows] == ["", "W-EFFORT-04"]
    assert rows[1].days == 0
    assert any(n.code == "W-EFFORT-04" and "d2" in n.text for n in notes)


TABLE = (
    "deployment,longitude,latitude,uncertainty_m,start,end,events_deer,random\n"
    "t1,-80.52712,43.04871,5,2026-05-01,2026-06-01,7,true\n"
)


def test_a_table_and_a_package_together_both_count(tmp_path):
    """Counts of the one are no reason to drop the records of the other."""
    made = package(tmp_path / "p", [{}], [{}])
    (tmp_path / "t.csv").write_text(TABLE, encoding="utf-8")
    found = read_season([made, tmp_path / "t.csv"], time_zone="Etc/GMT+5")
    rows, _ = camera_rows(found, today=TODAY)
    assert {row.deployment.id: row.events[30.0] for row in rows} == {"d1": 1.0, "t1": 7.0}


@pytest.mark.parametrize(
    ("old", "new", "names"),
    [
        (",7,", ",-7,", "events_deer"),
        (",true", ",perhaps", "random"),
        ("random", "events", "events"),
        ("2026-06-01,", "46174,", "row 2"),
    ],
)
def test_tables_that_cannot_be_meant(old, new, names, tmp_path):
    (tmp_path / "t.csv").write_text(TABLE.replace(old, new), encoding="utf-8")
    said = told(tmp_path / "t.csv")
    assert said.startswith("E-TABLE-01")
    assert names in said


def test_two_packages_with_the_same_doubts_are_one_season(tmp_path):
    one, other = (
        package(tmp_path / name, [{"deploymentID": name, "coordinateUncertainty": "",
                                   "longitude": f"-80.5{n}712"}], [{"deploymentID": name}])
        for n, name in enumerate(("a", "b"))
    )  # fmt: skip
    found = read_season([one, other])
    assert set(found.deployments) == {"a", "b"}
    assert [n.code for n in found.notes].count("W-PLACE-03") == 1


@pytest.mark.parametrize("big", [1e6, 1e8])
def test_one_camera_of_a_million_events_still_settles(big):
    """The ends of the sums have no more digits to give than the gain of a step."""
    cameras = season(60, seed=2)
    events = cameras.events.copy()
    events[3] = big
    assert answer(replace(cameras, events=events), group="deer").verdict


def test_cameras_that_cannot_be_compared_get_no_pairs():
    cameras = season(25)
    one_place = replace(cameras, cluster=np.full(25, "a"), score=np.zeros(25))
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        found = answer(one_place, group="deer")
    assert found.pairs is None
    assert "too few" in headline(found)
    assert "nan" not in review_page(found, one_place, about="x").lower().split()


def test_places_that_this_program_drew_at_random_are_the_comparison(tmp_path):
    """Its own deployments, chosen and drawn (`placement:random`), come back as one season."""
    written(tmp_path / "run")
    packages = []
    for name in ("deployments.csv", "random_deployments.csv"):
        with (tmp_path / "run" / name).open(encoding="utf-8") as stream:
            planned = list(csv.DictReader(stream))
        for row in planned:
            row["deploymentStart"] = DEPLOYMENT["deploymentStart"]
            row["deploymentEnd"] = DEPLOYMENT["deploymentEnd"]
        folder = tmp_path / name.partition(".")[0]
        folder.mkdir()
        (folder / "deployments.csv").write_text(text_of(planned), encoding="utf-8")
        (folder / "observations.csv").write_text(text_of([BLANK]), encoding="utf-8")
        packages.append(folder)
    found = read_season(packages)
    drawn = {key for key, one in found.deployments.items() if one.at_random}
    assert drawn == set(read_season(packages[1:]).deployments)
    assert 0 < len(drawn) < len(found.deployments)
    # What is done with the mark: picked places are set beside them, in so many words.
    cameras = season(60, seed=1)
    marked = replace(cameras, random=np.arange(60) % 5 == 0)
    page = review_page(answer(marked, group="deer"), marked, about="x")
    assert "12 cameras stood at random places" in page
    assert "12 cameras" not in review_page(answer(cameras, group="deer"), cameras, about="x")


def zipped(path: Path, folders: list[str]) -> Path:
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as archive:
        for folder in folders:
            archive.writestr(f"{folder}deployments.csv", text_of([DEPLOYMENT]))
            archive.writestr(f"{folder}observations.csv", text_of([OBSERVATION, BLANK] * 50))
    return path


def test_an_archive_with_two_packages_is_not_guessed_about(tmp_path):
    said = told(zipped(tmp_path / "p.zip", ["spring/", "autumn/"]))
    assert said.startswith("E-PACK-02")
    assert "spring/deployments.csv" in said
    assert read_season([zipped(tmp_path / "q.zip", ["spring/"])]).deployments


def test_a_damaged_archive_is_told(tmp_path):
    made = zipped(tmp_path / "p.zip", [""])
    data = bytearray(made.read_bytes())
    at = data.index(zlib.compress(text_of([DEPLOYMENT]).encode())[2:6])
    data[at : at + 40] = b"\xff" * 40
    made.write_bytes(bytes(data))
    assert told(made).startswith("E-FILE-02")


def test_the_descriptor_stands_for_its_folder(tmp_path):
    made = package(tmp_path / "p", [{}], [{}])
    (made / "datapackage.json").write_text("{}", encoding="utf-8")
    assert read_season([made / "datapackage.json"]).deployments
