"""The office file: whole acts, no lost edit, a GeoPackage that other programs read."""

from __future__ import annotations

import os
import signal
import sqlite3
import subprocess
import sys
import time
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import pyogrio
import pytest
from pydantic import ValidationError

from siting.desk.jobs import RUNS
from siting.desk.run import back_up, clean
from siting.desk.storage.land import LandIn, Shape
from siting.desk.storage.office import parcel_folder
from siting.desk.storage.office_file import FILE
from siting.desk.storage.store import Conflict, Missing, Store
from siting.errors import ResourceError, SitingError

RING = ((-80.51, 43.53), (-80.50, 43.53), (-80.50, 43.54))


def area(uid: str = "a" * 16, **more: str) -> Shape:
    return Shape(uid=uid, layer="parcel", kind="area", corners=RING, **more)


@pytest.fixture
def store(tmp_path):
    made = Store(tmp_path)
    yield made
    made.close()


def test_land_comes_back_as_it_was_saved(store):
    uid = store.add_signup("Orchard", cell="A1", place=(-80.5, 43.5))
    feeder = Shape("b" * 16, "feeders", "point", ((-80.505, 43.532),), name="by the barn")
    assert store.save_land(uid, [area(), feeder], {"livestock": "none"}, rev=0) == 1
    land = store.land(uid)
    assert land.shapes == (area(), feeder)
    assert land.answers == {"livestock": "none"}
    assert store.save_land(uid, land.shapes, land.answers, rev=1) == 1, "nothing changed"


def test_a_change_from_an_older_state_is_refused(store):
    uid = store.add_signup("Orchard")
    store.save_land(uid, [area()], {}, rev=0)
    with pytest.raises(Conflict):
        store.save_land(uid, [], {}, rev=0)
    assert store.land(uid).shapes == (area(),)


def test_what_was_deleted_can_come_back_by_undo(store):
    uid = store.add_signup("Orchard")
    store.save_land(uid, [area()], {}, rev=0)
    store.save_land(uid, [], {}, rev=1)
    assert store.land(uid).shapes == ()
    store.save_land(uid, [area(name="again")], {}, rev=2)
    assert store.land(uid).shapes == (area(name="again"),)


def test_every_act_leaves_one_line_in_the_record(store):
    uid = store.add_signup("Orchard")
    store.save_land(uid, [area()], {}, rev=0)
    store.change_signup(uid, {"note": "call on Monday"})
    assert [row["what"] for row in store.changes(uid)] == ["signup changed", "land", "signup added"]
    with pytest.raises(ValueError, match="no 'uid'"):
        store.change_signup(uid, {"uid": "x"})


def test_other_programs_read_it_and_find_no_fault(store, tmp_path, recwarn):
    uid = store.add_signup("Orchard", place=(-80.5, 43.5))
    store.save_land(uid, [area()], {}, rev=0)
    copy = tmp_path / "copy.gpkg"
    store.copy_to(copy)
    frame = pyogrio.read_dataframe(copy, layer="parcel")
    assert frame.crs.to_epsg() == 4326
    assert frame.geometry.iloc[0].bounds == (-80.51, 43.53, -80.50, 43.54)
    assert {"signup", "parcel", "trails"} <= {name for name, _ in pyogrio.list_layers(copy)}
    assert [str(w.message) for w in recwarn] == []


def test_a_spatial_index_of_a_map_program_does_not_stop_the_desk(store, tmp_path):
    code = (
        "import pyogrio, sys; pyogrio.raw\n"
        "import sqlite3\n"
        "db = sqlite3.connect(sys.argv[1])\n"
        "db.execute('CREATE TABLE seen (x REAL)')\n"
        "db.execute('CREATE TRIGGER t AFTER INSERT ON parcel WHEN (NEW.geom NOT NULL AND NOT "
        "ST_IsEmpty(NEW.geom)) BEGIN INSERT INTO seen VALUES (ST_MinX(NEW.geom)); END')\n"
        "db.commit()\n"
    )
    subprocess.run([sys.executable, "-c", code, str(tmp_path / FILE)], check=True)
    uid = store.add_signup("Orchard")
    store.save_land(uid, [area()], {}, rev=0)
    other = sqlite3.connect(tmp_path / FILE)
    assert other.execute("SELECT x FROM seen").fetchall() == [(-80.51,)]
    other.close()


def test_a_file_that_somebody_else_is_writing_is_said_and_nothing_changes(tmp_path, monkeypatch):
    monkeypatch.setattr("siting.desk.storage.office_file._WAIT_MS", 100)
    store = Store(tmp_path)
    uid = store.add_signup("Orchard")
    other = sqlite3.connect(tmp_path / FILE, isolation_level=None)
    other.execute("BEGIN IMMEDIATE")
    with pytest.raises(ResourceError, match="E-LOCK-01"):
        store.save_land(uid, [area()], {}, rev=0)
    other.execute("ROLLBACK")
    assert store.save_land(uid, [area()], {}, rev=0) == 1
    other.close()
    store.close()


def test_a_full_disk_keeps_what_was_there(store):
    uid = store.add_signup("Orchard")
    pages = store._db.execute("PRAGMA page_count").fetchone()[0]
    store._db.execute(f"PRAGMA max_page_count = {pages}")
    many = [
        Shape(f"{n:016x}", "feeders", "point", ((-80.5, 43.5),), name="x" * 200) for n in range(400)
    ]
    with pytest.raises(ResourceError, match="E-DISK-01"):
        store.save_land(uid, many, {}, rev=0)
    assert store.land(uid).shapes == ()
    store._db.execute("PRAGMA max_page_count = 1000000")
    assert store.save_land(uid, many, {}, rev=0) == 1


def test_another_file_and_a_newer_version_are_refused(tmp_path):
    (tmp_path / FILE).write_bytes(b"not a database, but long enough to look at" * 30)
    with pytest.raises(SitingError, match="E-DESK-01"):
        Store(tmp_path)
    (tmp_path / FILE).unlink()
    Store(tmp_path).close()
    other = sqlite3.connect(tmp_path / FILE)
    other.execute("UPDATE office_version SET number = 99")
    other.commit()
    other.close()
    with pytest.raises(SitingError, match="version 99"):
        Store(tmp_path)


def test_a_sign_up_that_is_not_there(store):
    with pytest.raises(Missing):
        store.land("nobody")


def test_a_copy_is_kept_for_each_of_the_last_14_days(store, tmp_path):
    folder = tmp_path / "backup"
    folder.mkdir()
    for day in range(1, 29):
        (folder / f"office-2001-01-{day:02d}.gpkg").write_bytes(b"old")
    back_up(store, folder)
    back_up(store, folder)
    kept = sorted(path.name for path in folder.iterdir())
    assert len(kept) == 14
    assert kept[0] == "office-2001-01-16.gpkg"
    assert (folder / kept[-1]).stat().st_size > 1000


_WRITER = """
import sys
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from siting.desk.storage.store import Store
from siting.desk.storage.land import Shape
store = Store(Path(sys.argv[1]))
uid = store.add_signup("killed")
print(uid, flush=True)
ring = ((-80.51, 43.53), (-80.50, 43.53), (-80.50, 43.54))
for n in range(100_000):
    pair = [Shape("a" * 16, "parcel", "area", ring, name=str(n)),
            Shape("b" * 16, "feeders", "point", ((-80.5, 43.53),), name=str(n))]
    store.save_land(uid, pair, {}, rev=n)
    print(n, flush=True)
"""


@pytest.mark.slow
@pytest.mark.parametrize("after_s", [0.05 + 0.017 * k for k in range(12)])
def test_a_killed_writer_loses_no_confirmed_edit_and_leaves_none_half(tmp_path, after_s):
    process = subprocess.Popen(
        [sys.executable, "-c", _WRITER, str(tmp_path)], stdout=subprocess.PIPE, text=True
    )
    assert process.stdout is not None
    uid = process.stdout.readline().strip()
    process.stdout.readline()
    time.sleep(after_s)
    os.kill(process.pid, signal.SIGKILL)
    said = [int(line) for line in process.stdout.read().split() if line.isdigit()]
    process.wait()
    store = Store(tmp_path)
    first, second = store.land(uid).shapes
    assert first.name == second.name
    assert int(first.name) >= (said[-1] if said else 0)
    store.close()


@pytest.mark.parametrize(
    "shape",
    [
        {"layer": "moat"},
        {"kind": "point"},
        {"corners": [[-80.5, 43.5]]},
        {"corners": [[-80.5, 95.0], [1.0, 1.0], [2.0, 2.0]]},
        {"corners": [[-80.5, float("nan")], [1.0, 1.0], [2.0, 2.0]]},
        {"corners": [["a", "b"], [1.0, 1.0], [2.0, 2.0]]},
        {"uid": "../../etc"},
        {"name": "x" * 201},
        {"use": "sometimes"},
        {"more": 1},
    ],
)
def test_shapes_that_make_no_sense_are_refused(shape):
    sound = {"uid": "a" * 16, "layer": "parcel", "kind": "area"}
    sound["corners"] = [list(place) for place in RING]
    LandIn.model_validate({"rev": 0, "shapes": [sound]})
    with pytest.raises(ValidationError):
        LandIn.model_validate({"rev": 0, "shapes": [{**sound, **shape}]})


def test_the_server_process_never_opens_the_office_file_another_way():
    """Two SQLite libraries in one process lose confirmed rows: nothing here may name another."""
    folder = Path(__file__).parents[2] / "siting" / "desk"
    for path in folder.glob("*.py"):
        text = path.read_text(encoding="utf-8")
        if path.name in ("uploads.py", "region.py"):
            continue  # run in the worker
        assert "pyogrio" not in text, path.name
        assert "geopandas" not in text, path.name


def test_two_threads_write_one_after_the_other(store):
    """The run of one sign-up ends while the land of another is saved."""
    uid, other = store.add_signup("Orchard"), store.add_signup("Meadow")

    def run() -> None:
        for _ in range(20):
            store.end_run(store.begin_run(other, land_rev=0), "done", summary="")

    with ThreadPoolExecutor() as pool:
        runs = pool.submit(run)
        for rev in range(20):
            store.save_land(uid, [area(name=str(rev))], {}, rev=rev)
            assert len(store.land(uid).shapes) == 1
        runs.result()
    assert store.land(uid).rev == 20
    assert store.last_run(other)["state"] == "done"


def test_a_list_half_taken_away_is_gone_at_the_next_start(store, tmp_path):
    """Killed while the files of an earlier list were removed: some of them stood there for good."""
    uid = store.add_signup("Orchard")
    runs = []
    for state in ("done", "done", "failed"):
        run = store.begin_run(uid, land_rev=0)
        folder = parcel_folder(tmp_path, uid) / RUNS / run
        folder.mkdir(parents=True)
        (folder / "map.html").write_text(state)
        store.end_run(run, state)
        runs.append(run)
    clean(tmp_path, store)
    # The last good one stays, also under one that failed.
    left = {one.name for one in (parcel_folder(tmp_path, uid) / RUNS).iterdir()}
    assert left - {runs[2]} == {runs[1]}
