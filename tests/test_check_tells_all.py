"""`check` reads as a run reads: it never passes what a run refuses, nor says less."""

from __future__ import annotations

import re

import pyogrio
import pytest
from shapely.affinity import translate

from siting.errors import SitingError
from siting.grid import transformer
from siting.read.vector.parcels import columns_for_names
from siting.settings.inputs import ParcelInput
from tests.bad_inputs.land import CRS, LEFT, TOP, clean, frame
from tests.bad_inputs.runner import run
from tests.test_read import RULES, inputs_of, read_land_of


def several(land, shifts):
    shapes = [translate(land.outline, dx, 0) for dx in shifts]
    frame(*shapes, id=[f"P{n}" for n in range(len(shapes))]).to_file(land.folder / "p.gpkg")
    return land.set("parcel.file", "p.gpkg")


def test_parcels_that_the_dem_does_not_cover_are_told(tmp_path):
    """A DEM over 2 of 6 parcels: every outline is sound, and four cannot be scored."""
    found = run(several(clean(tmp_path), [0, 5, 400, 900, 2000, 9000]), "check")
    assert "parcels: 6" in found.out
    assert "without a fault: 2" in found.out
    assert found.out.count("E-COVER-0") == 4
    # 'score' would ask for one of them, so "no fault" alone would promise too much.
    last = found.out.rstrip().splitlines()[-1]
    assert "scores 2 of 6 parcels (what is wrong with 4 stands above)" in last
    assert "--parcel-id" in last


def test_columns_that_could_name_the_parcels_are_listed(tmp_path):
    land = several(clean(tmp_path), [0, 5])
    assert "id_column can name" not in run(land, "check").out
    shapes = [land.outline, translate(land.outline, 5, 0)]
    frame(*shapes, lot=["7", "9"], owner=["a", "b"]).to_file(land.folder / "p.gpkg")
    assert "names: counted; id_column can name a column: lot, owner" in run(land, "check").out
    land.set("parcel.id_column", "lot")
    assert "id_column can name" not in run(land, "check").out


def test_many_parcels_are_read_once_and_their_columns_without_features(tmp_path, monkeypatch):
    """Features of the parcels' file were read a second time for the names of its columns alone."""
    land = clean(tmp_path)
    shapes = [translate(land.outline, dx, 0) for dx in (0, 5)]
    frame(*shapes, lot=["7", "9"]).to_file(land.folder / "p.gpkg")
    read, frames = [], pyogrio.read_dataframe
    monkeypatch.setattr(
        pyogrio, "read_dataframe", lambda *a, **k: read.append(a[0]) or frames(*a, **k)
    )
    spec = ParcelInput(file="p.gpkg")
    assert columns_for_names(str(land.folder / "p.gpkg"), spec, layer="") == ("lot",)
    assert read == []
    land.set("parcel.file", "p.gpkg")
    assert "a column: lot" in run(land, "check").out
    assert len(read) == 1


def test_check_says_where_the_elevations_lie(tmp_path):
    """The corners stood only in the error that a raster of another place gave."""
    said = run(clean(tmp_path), "check").out
    west, east, south, north = map(
        float,
        re.search(r"lies at: longitude (\S+) to (\S+), latitude (\S+) to (\S+)\n", said).groups(),
    )
    # By the transformation itself: the land is 300 m wide from its north-west corner.
    lon, lat = transformer(CRS, "EPSG:4326").transform([LEFT, LEFT + 300], [TOP, TOP - 300])
    assert (west, east) == pytest.approx(lon, abs=1e-4)
    assert (north, south) == pytest.approx(lat, abs=1e-4)


def test_a_fault_of_the_legend_is_no_fault_of_the_parcels(tmp_path):
    """Tried by docs/data.md alone: "parcel: FAULT ... Legend", and two faults for one."""
    land = several(clean(tmp_path), [0, 5])
    (tmp_path / "legend.csv").write_text("value,name\n41,wood\n")
    found = run(land.set("land_cover.legend", "legend.csv"), "check")
    assert found.out.count("E-LEGEND-01") == 1
    assert "parcel: FAULT" not in found.out
    assert "1 to fix" in found.out


def test_where_no_parcel_can_be_scored_check_says_so(tmp_path):
    found = run(several(clean(tmp_path), [900, 2000]), "check")
    assert found.status == 3
    assert "E-COVER-0" in found.out
    assert "No fault found" not in found.out


def test_check_tells_every_note_that_reading_a_run_gives(tmp_path):
    land = clean(tmp_path).set("land_cover", None)
    told = run(land, "check").out
    for note in read_land_of(land, RULES).notes:
        assert note.code in told
    assert "A-SKYLINE-01" in told


def test_what_only_the_whole_reading_notices_is_a_fault_of_check(tmp_path, monkeypatch):
    """A file that changes while it is read: no single look can see that."""
    import siting.read.land as reading

    land = clean(tmp_path)
    assert run(land, "check").status == 0

    def changed(*_):
        raise SitingError("E-CHANGED-01", "dem.tif changed.", rule="r.", cure="c.")

    monkeypatch.setattr(reading, "_check_unchanged", changed)
    found = run(land, "check")
    assert found.status == 3
    assert "E-CHANGED-01" in found.out
    with pytest.raises(SitingError):
        read_land_of(land)
    assert inputs_of(land).dem.file == "dem.tif"
