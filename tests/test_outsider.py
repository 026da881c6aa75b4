"""What an outsider tried: odd machines, names, targets and records. Each once went wrong."""

from __future__ import annotations

import json
import os
import shutil
import sys
import time
from types import SimpleNamespace
from unittest import mock

import numpy as np
import pytest
import rasterio
from pydantic import ValidationError
from rasterio._env import del_gdal_config

from siting.batch.cluster import DaskExecutor
from siting.batch.output.letters import templates
from siting.cli.main import main
from siting.commands import sketch_to_file
from siting.disk.files import write_atomic
from siting.disk.paths import file_and_layer, told_paths
from siting.read.vector.decision_files import read_decisions, read_given, read_places
from siting.read.vector.parcels import point_parcel
from siting.report.destination import (
    BATCH,
    PUBLIC,
    REVIEW,
    REVIEW_PUBLIC,
    REVIEW_RECORD,
    SCORE,
    check_kind,
)
from siting.report.files.geopackage import geopackage
from siting.report.shared.facts import spot_facts
from siting.review.run import FRAGMENT, NAMES, _check_replaceable
from siting.settings.inputs import SurveyInput
from siting.settings.load import load_inputs
from siting.settings.protocol import NoGoRules
from tests.bad_inputs.land import clean, relief
from tests.bad_inputs.runner import run
from tests.fake_result import fake_result
from tests.test_read import code_of, read_land_of

PLACE = (-80.5, 43.0)


def said(capsys, *words):
    """Status and messages of a command, run in this process."""
    with (
        mock.patch.object(sys, "argv", ["siting", *map(str, words)]),
        pytest.raises(SystemExit) as end,
    ):
        main()
    return int(end.value.code or 0), capsys.readouterr().err


# --- settings of the map library, left in the environment by another program ---


@pytest.fixture
def machine(monkeypatch):
    """Sets what another program left in the environment; rasterio keeps it until it is deleted."""
    made = []

    def leave(name: str, value: str) -> None:
        made.append(name)
        monkeypatch.setenv(name, value)

    yield leave
    monkeypatch.undo()
    for name in made:
        del_gdal_config(name)


def test_a_setting_of_the_machine_does_not_move_a_raster(tmp_path, machine):
    land = clean(tmp_path)
    with rasterio.open(tmp_path / "dem.tif", "r+") as file:
        file.update_tags(AREA_OR_POINT="Point")
    plain = read_land_of(land)
    machine("GTIFF_POINT_GEO_IGNORE", "YES")
    machine("OGR_ORGANIZE_POLYGONS", "SKIP")
    assert np.array_equal(read_land_of(land).dem, plain.dem, equal_nan=True)


def test_a_damaged_raster_is_refused_whatever_the_machine_is_set_to(tmp_path, machine):
    """With this setting the library puts zeros where a file cannot be read."""
    machine("GTIFF_IGNORE_READ_ERRORS", "YES")
    land = clean(tmp_path).dem(relief(), compress="deflate", blockysize=20)
    path = tmp_path / "dem.tif"
    data = bytearray(path.read_bytes())
    data[2000:-2000] = bytes(len(data) - 4000)
    path.write_bytes(data)
    assert code_of(read_land_of, land) == "E-FILE-02"


@pytest.mark.parametrize("name", ["CENTER_LONG", "SHAPE_ENCODING"])
def test_a_setting_that_cannot_be_held_is_refused(name, tmp_path, monkeypatch):
    monkeypatch.setenv(name, "180")
    assert code_of(read_land_of, clean(tmp_path)) == "E-ENV-01"


def test_the_geopackage_has_the_same_bytes_on_every_machine(monkeypatch):
    result = fake_result()
    plain = geopackage(result, spot_facts(result), set_backs=NoGoRules())
    monkeypatch.setenv("OGR_SQLITE_JOURNAL", "WAL")
    monkeypatch.setenv("OGR_SQLITE_PRAGMA", "user_version=7")
    assert geopackage(result, spot_facts(result), set_backs=NoGoRules()) == plain


# --- names ---


@pytest.mark.parametrize(
    ("text", "parts"),
    [
        ("land.gpkg::trails", ("land.gpkg", "trails")),
        ("land.GPKG::a::b", ("land.GPKG", "a::b")),
        ("/week::14/land.gpkg", ("/week::14/land.gpkg", "")),
        ("/week::14/land.gpkg::trails", ("/week::14/land.gpkg", "trails")),
        ("archive.zip::trails", ("archive.zip", "trails")),
        ("land.gpkg", ("land.gpkg", "")),
        ("", ("", "")),
    ],
)
def test_two_colons_in_a_folders_name_are_no_layer(text, parts):
    assert file_and_layer(text) == parts


def test_a_land_in_a_folder_with_two_colons_is_read(tmp_path):
    clean(tmp_path)
    folder = tmp_path / "week::14"
    folder.mkdir()
    for path in tmp_path.glob("*.*"):
        if path.is_file():
            shutil.copy(path, folder)
    land = clean(folder)
    land.options = ["--parcel", str(folder / "parcel.gpkg"), "--dem", str(folder / "dem.tif")]
    assert run(land, "check").status == 0
    assert told_paths(f"{folder}/parcel.gpkg::parcel", folder) == "parcel.gpkg::parcel"


def test_a_control_character_in_a_name_says_to_rename(tmp_path):
    """The map library drops it and then finds no file."""
    clean(tmp_path)
    odd = tmp_path / "new\nline"
    odd.mkdir()
    shutil.copy(tmp_path / "dem.tif", odd / "dem.tif")
    land = clean(tmp_path)
    land.options = ["--dem", str(odd / "dem.tif")]
    found = run(land, "check")
    assert "E-FILE-04" in found.out
    assert r"new\nline" in found.out


# --- where a sketch page may be written ---


def sketch(target, point=PLACE):
    return sketch_to_file(None, target, point=point, radius_m=100.0, made_for="a b")


def test_a_sketch_page_replaces_an_earlier_one_and_nothing_else(tmp_path):
    page, map_file = tmp_path / "sketch.html", tmp_path / "dem.tif"
    sketch(page)
    sketch(page)
    map_file.write_bytes(b"II*\0heights")
    assert code_of(sketch, map_file) == "E-OUT-04"
    assert map_file.read_bytes() == b"II*\0heights"


def test_a_sketch_page_goes_through_no_link_and_over_no_folder_or_device(tmp_path):
    (tmp_path / "precious").write_text("keep")
    (tmp_path / "link.html").symlink_to(tmp_path / "precious")
    (tmp_path / "folder").mkdir()
    os.mkfifo(tmp_path / "pipe")
    for name in ("link.html", "folder", "pipe"):
        assert code_of(sketch, tmp_path / name) == "E-OUT-01"
    assert (tmp_path / "precious").read_text() == "keep"
    assert not (tmp_path / "pipe").is_file()


def test_a_file_written_alone_leaves_what_others_are_writing(tmp_path):
    for name in (".download.part", ".other.siting-part"):
        (tmp_path / name).write_text("half")
    write_atomic(tmp_path / "page.html", "whole")
    assert sorted(p.name for p in tmp_path.iterdir()) == [
        ".download.part", ".other.siting-part", "page.html",
    ]  # fmt: skip


@pytest.mark.parametrize("point", ["nan,43", "inf,43", "-80,91", "181,43", "1e400,0"])
def test_a_point_that_is_no_place_is_refused(point, tmp_path, capsys):
    target = tmp_path / "s.html"
    status, told = said(capsys, "sketch", f"--point={point}", "-o", target)
    assert status == 3
    assert "E-BOX-02" in told
    assert not target.exists()


def test_no_point_without_bounds_makes_a_parcel():
    assert code_of(point_parcel, float("nan"), 0.0, 100.0) == "E-BOX-02"


def test_a_name_that_is_no_text_is_shown_as_what_can_be_shown(tmp_path):
    target = tmp_path / "s.html"
    sketch_to_file(None, target, point=PLACE, radius_m=100.0, made_for="P\udcff7")
    assert "P\ufffd7" in target.read_text(encoding="utf-8")


# --- gather ---


@pytest.mark.parametrize("option", ["--margin", "--most-mb"])
def test_a_limit_that_is_no_number_is_no_limit_and_refused(option, tmp_path, capsys):
    words = ("gather", "--point=1,2", "--radius", "80", option, "nan", "-o", tmp_path / "out")
    status, told = said(capsys, *words)
    assert status == 2
    assert "is not a number" in told
    assert not (tmp_path / "out").exists()


# --- time zones, letters, a cluster ---


@pytest.mark.parametrize("zone", ["localtime", "posixrules", "Factory", "right/Europe/Paris"])
def test_a_zone_that_is_another_on_each_machine_is_refused(zone):
    """ "localtime" is the machine's own: the same inputs would give other times of low sun."""
    with pytest.raises(ValidationError, match="no IANA time zone"):
        SurveyInput(time_zone=zone)


@pytest.mark.parametrize("blank", ["{land:>999999999}", "{land!r}", "{land.__class__}", "{0}"])
def test_a_letter_template_holds_plain_blanks_only(blank, tmp_path):
    (tmp_path / "camera.txt").write_text(f"Dear {blank}")
    assert code_of(templates, tmp_path) == "E-LETTER-01"


def test_a_folder_without_templates_is_not_passed_over(tmp_path):
    """A slip in the name would send the program's letters instead of the survey's."""
    (tmp_path / "Camera.TXT.txt").write_text("Dear {land}")
    assert code_of(templates, tmp_path) == "E-LETTER-01"
    assert code_of(templates, tmp_path / "leters") == "E-LETTER-01"


def test_templates_are_looked_at_before_the_parcels(tmp_path):
    land = clean(tmp_path).set("survey.letters", "leters")
    land.options = ["-o", str(tmp_path / "out"), "--workers", "0"]
    found = run(land, "batch")
    assert "E-LETTER-01" in found.err
    assert not list((tmp_path / "out").glob("parcels/*"))


def test_an_address_that_is_none_is_refused_at_once():
    begun = time.monotonic()
    assert code_of(DaskExecutor, print, address="garbage") == "E-BATCH-01"
    assert time.monotonic() - begun < 10


# --- places of an earlier run ---

COLUMNS = "spot_id,lon_deg,lat_deg,search_radius_m,parcel_id\n"


@pytest.mark.parametrize(
    "text",
    [
        "",
        "x\n",
        COLUMNS + "a,nan,43,5,P\n",
        COLUMNS + "a,-80,inf,5,P\n",
        COLUMNS + "a,-80,43,nan,P\n",
        COLUMNS + "a,-80,43,1e9,P\n",
        COLUMNS + "a,-80\n",
        COLUMNS + "a" * 140_000 + ",-80,43,5,P\n",
    ],
)
def test_a_table_of_places_that_is_none_is_told(text, tmp_path):
    (tmp_path / "places.csv").write_text(text)
    assert code_of(read_places, tmp_path / "places.csv") == "E-FILE-02"


def test_a_table_of_places_may_have_more_cells_than_columns(tmp_path):
    """A spreadsheet leaves commas at the end of rows."""
    (tmp_path / "places.csv").write_text(COLUMNS + "P-A1B2,-80,43,5,P,,\n")
    assert read_places(tmp_path / "places.csv")["P"][0].id == "P-A1B2"


# --- decisions ---


def record(**more):
    return {"state": "visited", "at": "2027-04-03", "lat": 43.0, "lon": -80.5} | more


def decisions(folder, *records):
    path = folder / "v.json"
    path.write_text(json.dumps({"format": "siting decisions 1", "records": list(records)}))
    return path


@pytest.mark.parametrize(
    "at", ["9999-12-31T23:59:59-23:59", "0001-01-01T00:00:00+23:59", "1899-12-31"]
)
def test_a_moment_at_the_end_of_time_is_no_date_of_a_decision(at, tmp_path):
    assert code_of(read_decisions, decisions(tmp_path, record(at=at))) == "E-VISIT-01"


@pytest.mark.parametrize(
    "area",
    [
        {},
        {"type": "Polygon"},
        {"type": "Polygon", "coordinates": []},
        {"type": "Polygon", "coordinates": [[["a", "b"]]]},
        {"type": "Polygon", "coordinates": [[[0, 0], [1, 1]]]},
        {"type": "Polygon", "coordinates": [[[0, 0], [1, 1], [2, 2], [0, 0]]]},
        {"type": "Polygon", "coordinates": [[[540000, 4765000], [540100, 4765000],
                                             [540100, 4765100], [540000, 4765000]]]},
        {"type": "Point", "coordinates": [0, 0]},
        {"type": "GeometryCollection", "geometries": []},
    ],
)  # fmt: skip
def test_ground_an_owner_keeps_back_is_drawn_or_the_file_is_refused(area, tmp_path):
    """An outline that encloses nothing would open the ground again without a word."""
    path = decisions(tmp_path, record(state="ruled out", reason="owner", area=area))
    assert code_of(read_decisions, path) == "E-VISIT-01"


def test_an_outline_that_crosses_itself_still_counts(tmp_path):
    corners = [[-80.5, 43.0], [-80.4, 43.1], [-80.4, 43.0], [-80.5, 43.1], [-80.5, 43.0]]
    area = {"type": "Polygon", "coordinates": [corners]}
    path = decisions(tmp_path, record(state="ruled out", reason="owner", area=area))
    assert read_decisions(path).records[0].area == area


@pytest.mark.parametrize(("make", "code"), [("dangling", "E-FILE-01"), ("pipe", "E-FILE-04")])
def test_a_link_to_nothing_and_a_pipe_among_the_decisions_are_told(make, code, tmp_path):
    """A pipe was waited for without end."""
    land = clean(tmp_path).set("survey.visited", "returned")
    (tmp_path / "returned").mkdir()
    odd = tmp_path / "returned" / "odd.json"
    if make == "pipe":
        os.mkfifo(odd)
    else:
        odd.symlink_to(tmp_path / "gone.json")
    assert code in run(land, "check").out


def test_a_folder_called_like_a_file_of_decisions_is_passed_over(tmp_path):
    land = clean(tmp_path).set("survey.visited", "returned")
    (tmp_path / "returned" / "odd.json").mkdir(parents=True)
    run(land, "check")
    assert read_given(load_inputs(tmp_path / "inputs.toml")) == ()


# --- reviews ---


@pytest.mark.parametrize("kind", [REVIEW_PUBLIC, SCORE, PUBLIC, BATCH])
def test_a_review_shares_no_folder_with_another_kind(kind, tmp_path):
    (tmp_path / REVIEW_RECORD).write_text(json.dumps({"kind": REVIEW}))
    check_kind(tmp_path, NAMES, kind=REVIEW)
    assert code_of(check_kind, tmp_path, NAMES, kind=kind) == "E-OUT-03"


def test_a_review_replaces_one_of_the_same_packages_and_nothing_else(tmp_path):
    review = SimpleNamespace(season=SimpleNamespace(sources={"season.csv": "a1"}))
    check = _check_replaceable
    check(tmp_path, review, public=False, overwrite=False)
    (tmp_path / "review.csv").write_text("mine")
    assert code_of(check, tmp_path, review, public=False, overwrite=False) == "E-OUT-04"
    check(tmp_path, review, public=False, overwrite=True)
    (tmp_path / REVIEW_RECORD).write_text(json.dumps({"sources": {"season.csv": "a1"}}))
    check(tmp_path, review, public=False, overwrite=False)
    # One to pass on does not say what it was made from.
    assert code_of(check, tmp_path, review, public=True, overwrite=False) == "E-OUT-04"


def test_the_rules_a_review_reads_are_not_overwritten(tmp_path, capsys):
    rules = tmp_path / FRAGMENT
    rules.write_text("")
    (tmp_path / "inputs.toml").write_text("")
    words = ("review", tmp_path / "p", "--inputs", tmp_path / "inputs.toml", "--protocol", rules)
    status, told = said(capsys, *words, "-o", tmp_path)
    assert (status, told[:8]) == (3, "E-OUT-02")
