"""run.json and the raster: complete, true, and the same every time but for the clock."""

from __future__ import annotations

import datetime as dt
import hashlib
import json
import math
import re
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import rasterio
from rasterio.io import MemoryFile

import siting
from siting.report import write_report
from siting.report.files import columns, deployments
from siting.report.files.raster import suitability_tif
from siting.report.files.record import changed, counts, run_json
from siting.settings.inputs import Inputs
from siting.settings.protocol import Protocol, VisitRules, WalkRules
from siting.types import NoGo, Note
from tests.fake_result import CRS, GRID, fake_result, with_details

NOW = dt.datetime(2027, 3, 1, 12, 30, 5, 999, tzinfo=dt.timezone(dt.timedelta(hours=-5)))
INPUTS = Inputs.model_validate(
    {
        "parcel": {"point": [-80.5, 43.53], "radius_m": 200.0},
        "dem": {"file": "dem.tif"},
        "land_cover": {"file": "land_cover.tif", "legend": "nlcd"},
    }
)
FILES = (
    "map.html",
    "field_sheet.html",
    "spots.geojson",
    "spots.csv",
    "spots.gpx",
    "spots.gpkg",
    "deployments.csv",
    "datapackage.json",
    "places.csv",
    "suitability.tif",
    "run.json",
)


@pytest.fixture(scope="module")
def result():
    return with_details(fake_result())


def record(result, protocol=None, **changes):
    given = {
        "protocol": protocol or Protocol(),
        "inputs": INPUTS,
        "outputs": {"spots.csv": "0" * 64},
        "time": NOW,
        **changes,
    }
    return json.loads(run_json(result, **given))


def test_time_is_in_utc_and_to_the_second(result):
    assert record(result)["time"] == "2027-03-01T17:30:05+00:00"


def test_versions_are_those_at_work(result):
    versions = record(result)["versions"]
    assert versions["siting"] == siting.__version__
    assert versions["gdal"] == rasterio.__gdal_version__
    assert versions["numpy"] == np.__version__
    assert set(versions) == {"siting", "python", "gdal", "proj", "geos", "numpy", "scipy"}


def test_inputs_with_their_fingerprints(result):
    files = record(result)["inputs"]["files"]
    assert files == [
        {
            "role": "dem",
            "file": "dem.tif",
            "sha256": "0" * 64,
            "facts": {"cell_m": 5.0, "crs": CRS},
            "attribution": "",
        }
    ]
    settings = record(result)["inputs"]["settings"]
    assert settings["parcel"]["point"] == [-80.5, 43.53]


def test_protocol_and_where_it_differs(result):
    assert record(result)["protocol"]["changed"] == {}
    own = Protocol(name="wet year", visits=VisitRules(card_gb=8.0), walk=WalkRules(steep_deg=20.0))
    found = record(result, own)["protocol"]
    assert found["changed"] == {
        "name": {"value": "wet year", "default": "default"},
        "visits.card_gb": {"value": 8.0, "default": 32.0},
        "walk.steep_deg": {"value": 20.0, "default": 25.0},
    }
    assert found["values"]["visits"]["card_gb"] == 8.0
    assert changed(Protocol()) == {}


def test_a_changed_curve_is_told():
    own = Protocol.model_validate({"attractors": {"trail": {"curve": [[0.0, 1.0], [50.0, 0.0]]}}})
    assert list(changed(own)) == ["attractors.trail.curve"]


def test_every_note_once_and_in_its_place(result):
    notes = (
        Note("A-1", "assumption", "Taken for granted."),
        Note("W-1", "warning", "Look out."),
        Note("W-1", "warning", "Look out."),
    )
    found = record(replace(result, notes=notes))
    assert found["assumptions"] == [{"code": "A-1", "text": "Taken for granted."}]
    assert found["warnings"] == [{"code": "W-1", "text": "Look out."}]


def test_counts_are_the_cells(result):
    found = counts(result)
    inside = (result.no_go & NoGo.OUTSIDE.value) == 0
    assert found["cells"] == GRID.n_rows * GRID.n_cols
    assert found["parcel_cells"] == inside.sum() == 6400
    assert found["open_cells"] == (result.no_go == 0).sum()
    assert found["no_go_cells"]["livestock"] == 22 * 26  # the corner of the invented parcel
    assert found["spots"] == 4


def test_grid_and_coverage(result):
    found = record(result)
    assert found["grid"]["crs"] == CRS
    assert found["grid"]["cell_size_m"] == 5.0
    assert found["coverage"] == {"dem": 1.0, "land_cover": 1.0}


def test_numbers_that_are_none_do_not_break_it(result):
    parcel = replace(result.land.parcel, priority=math.nan)
    found = record(replace(result, land=replace(result.land, parcel=parcel)))
    assert found["parcel"]["priority"] is None


# The raster


def raster_of(result):
    return suitability_tif(result.land, result.scores, result.no_go)


@pytest.fixture(scope="module")
def raster(result):
    with MemoryFile(raster_of(result)) as memory, memory.open() as file:
        yield file


def test_raster_holds_score_and_bits(result, raster):
    assert raster.count == 2
    assert raster.transform == GRID.transform
    assert raster.crs.to_string() == CRS
    assert raster.descriptions == ("score", "no_go")
    assert math.isnan(raster.nodata)
    score, bits = raster.read()
    assert (np.isnan(score) == np.isnan(result.scores.total)).all()
    np.testing.assert_array_equal(score, result.scores.total)
    np.testing.assert_array_equal(bits.astype(np.uint16), result.no_go)
    assert "128 livestock" in raster.tags(2)["meaning"]


def test_raster_is_cloud_optimised(raster):
    # GDAL's own mark of its COG driver.
    assert raster.tags(ns="IMAGE_STRUCTURE")["LAYOUT"] == "COG"
    assert raster.compression.name == "deflate"


def test_all_bits_are_exact_in_float32():
    every = np.arange(2 ** len(NoGo), dtype=np.float32)
    assert (every.astype(np.uint16) == np.arange(2 ** len(NoGo))).all()


def test_same_raster_every_time(result):
    assert raster_of(result) == raster_of(with_details(fake_result()))


# The whole door out


def hashes(folder):
    return {
        path.name: hashlib.sha256(path.read_bytes()).hexdigest()
        for path in sorted(folder.iterdir())
    }


def test_all_files_together_and_their_fingerprints(result, tmp_path):
    told = write_report(result, tmp_path, protocol=Protocol(), inputs=INPUTS, time=NOW)
    assert sorted(told) == sorted(FILES)
    assert dict(told) == hashes(tmp_path)
    outputs = json.loads((tmp_path / "run.json").read_text())["outputs"]
    assert outputs == {name: digest for name, digest in told.items() if name != "run.json"}


def test_second_run_differs_only_in_the_time(result, tmp_path):
    write_report(result, tmp_path / "a", protocol=Protocol(), inputs=INPUTS, time=NOW)
    again = with_details(fake_result())
    later = NOW + dt.timedelta(days=3)
    write_report(again, tmp_path / "b", protocol=Protocol(), inputs=INPUTS, time=later)
    first, second = hashes(tmp_path / "a"), hashes(tmp_path / "b")
    assert [name for name in first if first[name] != second[name]] == ["run.json"]
    one, other = (json.loads((tmp_path / f / "run.json").read_text()) for f in "ab")
    assert one.pop("time") != other.pop("time")
    assert one == other


def test_a_failure_leaves_the_earlier_files_alone(result, tmp_path, monkeypatch):
    write_report(result, tmp_path, protocol=Protocol(), inputs=INPUTS, time=NOW)
    before = hashes(tmp_path)

    def fail(*_):
        raise OSError("planted")

    monkeypatch.setattr("siting.report.files.raster.suitability_tif", fail)
    with pytest.raises(OSError, match="planted"):
        write_report(result, tmp_path, protocol=Protocol(name="other"), inputs=INPUTS, time=NOW)
    assert hashes(tmp_path) == before


def test_no_spots_still_make_every_file(result, tmp_path):
    empty = replace(result, spots=())
    write_report(empty, tmp_path, protocol=Protocol(), inputs=INPUTS, time=NOW)
    assert sorted(path.name for path in tmp_path.iterdir()) == sorted(FILES)
    assert "No spot was found" in (tmp_path / "field_sheet.html").read_text()


# The documentation


def test_every_field_is_documented():
    page = (Path(__file__).parents[1] / "docs" / "outputs.md").read_text(encoding="utf-8")
    record_keys = record(fake_result())
    fields = [field.name for field in deployments.FIELDS]
    for name in (*FILES, *(c.name for c in columns.COLUMNS), *fields, *record_keys):
        assert re.search(rf"\b{re.escape(name)}\b", page), name
    for bit in NoGo:
        assert re.search(rf"\b{bit.value} ", page), bit
