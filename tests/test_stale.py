"""What is done is decided by the bytes of all inputs, and records name no path of the machine."""

from __future__ import annotations

import json
import os
import shutil
from pathlib import Path

import pytest

from siting.batch.journal import Journal
from siting.batch.worklist import file_prints
from siting.disk.files import file_state
from siting.settings.load import load_inputs
from tests.batch_tools import quick_protocol, run, small_land
from tests.test_batch import _one_program  # noqa: F401 - the program may be edited meanwhile

# Every file that changes what is read, beside or among the inputs.
INPUTS = ("dem.tif", "land_cover.tif", "canopy.tif", "layers.gpkg", "own.csv")
SIDECARS = (
    "dem.tif.ovr", "dem.tif.aux.xml", "dem.tif.msk", "dem.prj", "dem.tfw", "dem.wld",
    "land_cover.tif.ovr", "canopy.tfw", "layers.gpkg-wal", "DEM.TFW", "layers.gpkg-journal",
)  # fmt: skip


@pytest.fixture
def land(tmp_path):
    """A folder with one file of each kind; nothing is read of them but their bytes."""
    for name in INPUTS + SIDECARS:
        (tmp_path / name).write_bytes(f"first state of {name}".encode())
        settle(tmp_path / name)
    (tmp_path / "batch.toml").write_text(
        '[parcel]\nfile = "parcels.gpkg"\n[dem]\nfile = "dem.tif"\n'
        '[land_cover]\nfile = "land_cover.tif"\nlegend = "own.csv"\n[canopy]\nfile = "canopy.tif"\n'
        '[layers]\nwater = "layers.gpkg::water"\n'
    )
    return tmp_path


def settle(path: Path) -> None:
    """As if the file had been there for a while: its times are no sign of a writing under way."""
    os.utime(path, ns=(10**18, 10**18))


def prints(land: Path, folder: Path) -> dict[str, str]:
    folder.mkdir(exist_ok=True)
    return file_prints(load_inputs(land / "batch.toml"), Journal(folder))


@pytest.mark.parametrize("name", INPUTS + SIDECARS)
def test_other_bytes_of_the_same_size_and_time_are_seen(land, name, tmp_path):
    """As `cp -p` and `rsync -t` leave them: another file with the size and time of the old one."""
    out = tmp_path / "out"
    before = prints(land, out)
    path = land / name
    size, time = path.stat().st_size, path.stat().st_mtime_ns
    fresh = land / "copied"
    fresh.write_bytes(path.read_bytes().replace(b"first", b"other"))
    os.utime(fresh, ns=(time, time))
    fresh.replace(path)
    assert (path.stat().st_size, path.stat().st_mtime_ns) == (size, time)
    after = prints(land, out)
    assert {n for n in before if before[n] != after[n]} == {name}


@pytest.mark.parametrize("name", INPUTS)
def test_bytes_changed_in_place_with_the_time_set_back_are_seen(land, name, tmp_path):
    out = tmp_path / "out"
    before = prints(land, out)
    path = land / name
    time = path.stat().st_mtime_ns
    path.write_bytes(path.read_bytes().replace(b"first", b"other"))
    os.utime(path, ns=(time, time))
    assert prints(land, out)[name] != before[name]


def test_what_has_not_changed_is_not_read_again(land, tmp_path, monkeypatch):
    from siting.batch import fingerprints

    out = tmp_path / "out"
    # The files were made just now: their times are taken for settled ones here.
    monkeypatch.setattr(fingerprints, "_UNSETTLED_NS", -1)
    before = prints(land, out)
    read = []
    monkeypatch.setattr(fingerprints, "file_hash", lambda path: read.append(path) or "0" * 64)
    assert prints(land, out) == before
    assert read == []


def test_a_file_of_this_very_moment_is_read_again(land, tmp_path):
    """Within one tick of the clock a file can change without its times telling."""
    out = tmp_path / "out"
    prints(land, out)
    known = Journal(out).get("file", "dem.tif")
    assert known is not None
    assert known["state"] is None


def test_a_large_file_is_read_whole(land, tmp_path):
    """A byte in the middle counts, whatever the size; the file is sparse, so it is quick."""
    path = land / "dem.tif"
    with path.open("wb") as stream:
        stream.truncate(600_000_000)
    before = prints(land, tmp_path / "out")["dem.tif"]
    with path.open("rb+") as stream:
        stream.seek(300_000_123)
        stream.write(b"x")
    assert prints(land, tmp_path / "out")["dem.tif"] != before


@pytest.mark.slow
def test_a_batch_is_done_again_after_a_raster_was_replaced(tmp_path):
    path = small_land(tmp_path / "land")
    out = tmp_path / "out"
    first = run(path, out, pages=0)
    assert first.reused == 0
    dem = path.parent / "dem.tif"
    time = dem.stat().st_mtime_ns
    data = bytearray(dem.read_bytes())
    data[-200] ^= 64  # within the last cells
    fresh = path.parent / "copied"
    fresh.write_bytes(bytes(data))
    os.utime(fresh, ns=(time, time))
    fresh.replace(dem)
    assert run(path, out, pages=0).reused == 0
    assert run(path, out, pages=0).reused == 4


def test_no_record_holds_a_path_of_the_machine(tmp_path):
    """Inputs named by absolute paths, outside and inside the folder; a parcel that fails, too."""
    land = small_land(tmp_path / "home" / "somebody" / "land")
    elsewhere = tmp_path / "home" / "somebody" / "elsewhere"
    elsewhere.mkdir()
    shutil.move(land.parent / "dem.tif", elsewhere / "dem.tif")
    over = {
        "dem": {"file": str(elsewhere / "dem.tif")},
        "land_cover": {"file": str(land.parent / "land_cover.tif")},
    }
    from siting.batch.run import run_batch
    from siting.batch.work import Options
    from tests.batch_tools import Quiet

    out = tmp_path / "out"
    inputs = load_inputs(land, over)
    run_batch(inputs, quick_protocol(), out, options=Options(pages=None, workers=0),
              watcher=Quiet())  # fmt: skip
    records = [*out.rglob("run.json"), out / "journal.jsonl", out / "failures.csv"]
    assert len(records) >= 5
    for path in records:
        text = path.read_text(encoding="utf-8")
        assert "somebody" not in text, path
        assert str(tmp_path) not in text, path
    record = json.loads((out / "run.json").read_text(encoding="utf-8"))
    assert record["inputs"]["settings"]["dem"]["file"] == "dem.tif"
    assert record["inputs"]["settings"]["land_cover"]["file"] == "land_cover.tif"


def test_the_state_of_a_file_tells_a_replaced_one(tmp_path):
    path = tmp_path / "a"
    path.write_text("one")
    before = file_state(path)
    shutil.copy2(path, tmp_path / "b")
    (tmp_path / "b").replace(path)
    assert file_state(path) != before
    assert file_state(tmp_path / "missing") is None
