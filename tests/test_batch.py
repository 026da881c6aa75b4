"""The batch: the same bytes however it is run, nothing done twice, one bad parcel alone."""

from __future__ import annotations

import csv
import json
import shutil
import subprocess
import sys
import time
from pathlib import Path

import geopandas as gpd
import pyogrio
import pytest
from click.testing import CliRunner
from filelock import FileLock

from siting.batch import budget, fingerprints
from siting.batch.executors import WORKER_ENVIRONMENT, PoolExecutor, SerialExecutor, run_jobs
from siting.batch.progress import BatchProgress
from siting.batch.rows import comparable_scores
from siting.cli.main import siting
from siting.disk.files import safe_name
from siting.disk.lock import HOLDER, LOCK
from siting.errors import ResourceError, SitingError
from tests.batch_tools import Quiet, digests, quick_protocol, run, small_land
from tests.odd_jobs import odd, square

# --- executors ------------------------------------------------------------------------


@pytest.fixture(params=["serial", "pool"])
def executor(request):
    made = SerialExecutor(odd) if request.param == "serial" else PoolExecutor(odd, workers=2)
    yield made
    made.close(at_once=True)


def test_every_job_ends_once(executor):
    jobs = [(f"j{k}", ("give", k)) for k in range(7)]
    ended = list(run_jobs(executor, iter(jobs), alone=[("last", ("give", 99))]))
    assert {e.name: e.value for e in ended} == {**{f"j{k}": k for k in range(7)}, "last": 99}
    assert len(ended) == 8
    assert ended[-1].name == "last"


@pytest.fixture
def pool():
    made = PoolExecutor(odd, workers=2)
    yield made
    made.close(at_once=True)


def test_a_poisoned_job_dies_twice_and_alone(pool):
    jobs = [(f"j{k}", ("give", k)) for k in range(6)]
    jobs.insert(2, ("poison", ("die", None)))
    ended = {e.name: e for e in run_jobs(pool, jobs)}
    assert len(ended) == 7
    assert [name for name, e in ended.items() if e.died] == ["poison"]
    assert list(ended)[-1] == "poison"


def test_a_worker_killed_once_loses_nothing(pool, tmp_path):
    jobs = [("victim", ("die once", str(tmp_path / "mark"))), ("j1", ("give", 1))]
    ended = {e.name: e.value for e in run_jobs(pool, jobs)}
    assert ended == {"victim": "lived", "j1": 1}


def test_workers_have_one_thread_and_a_small_cache(pool):
    pool.submit("env", ("environment", list(WORKER_ENVIRONMENT)))
    assert pool.wait()[0].value == WORKER_ENVIRONMENT


def test_the_parents_environment_is_left_as_it_was(pool, monkeypatch):
    monkeypatch.setenv("OMP_NUM_THREADS", "7")
    pool.submit("a", ("give", 1))
    pool.wait()
    import os

    assert os.environ["OMP_NUM_THREADS"] == "7"


def test_a_worker_is_replaced_after_so_many_jobs():
    pool = PoolExecutor(odd, workers=1, jobs_each=2)
    pids = [e.value for e in run_jobs(pool, [(str(k), ("pid", None)) for k in range(4)])]
    pool.close()
    assert pids[0] == pids[1] != pids[2] == pids[3]


def test_closing_at_once_leaves_no_process():
    import psutil

    pool = PoolExecutor(odd, workers=2)
    pool.submit("a", ("sleep", 600))
    pool.submit("b", ("sleep", 600))
    pids = [worker.process.pid for worker, _ in pool._busy]
    start = time.monotonic()
    pool.close(at_once=True)
    assert time.monotonic() - start < 60  # and not the ten minutes of the jobs
    assert not any(psutil.pid_exists(pid) for pid in pids)


def test_serial_needs_no_worker():
    executor = SerialExecutor(square)
    assert [e.value for e in run_jobs(executor, [("a", 3), ("b", 4)])] == [9, 16]
    executor.close()


# --- memory ---------------------------------------------------------------------------

GB = 1_000_000_000


def test_workers_by_memory():
    each = [GB] * 10
    assert budget.plan_workers(each, asked=None, free=2 * GB).workers == 1
    assert budget.plan_workers(each, asked=2, free=3 * GB).workers == 2
    with pytest.raises(ResourceError, match=r"E-MEM-01.*--workers 2"):
        budget.plan_workers(each, asked=3, free=3 * GB)


def test_nothing_starts_without_memory_for_one_worker():
    with pytest.raises(ResourceError, match="E-MEM-01"):
        budget.plan_workers([GB], asked=None, free=GB // 10)


@pytest.mark.parametrize(("need", "turn"), [(1, "shared"), (3, "alone"), (5, "refused")])
def test_a_large_parcel_waits_for_its_turn(need, turn):
    plan = budget.plan_workers([GB, GB, need * GB], asked=2, free=4 * GB)
    assert plan.turns == ("shared", "shared", turn)
    assert plan.bytes_needed <= 4 * GB


def test_the_memory_told_is_some():
    assert 10_000_000 < budget.available_bytes() < 10**14


# --- whole batches --------------------------------------------------------------------


@pytest.fixture(scope="module", autouse=True)
def _one_program():
    """The code as it was when the tests began: an edit meanwhile would make all to do again."""
    known = fingerprints.program_print()
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(fingerprints, "program_print", lambda: known)
        yield


@pytest.fixture(scope="session")
def land(tmp_path_factory):
    return small_land(tmp_path_factory.mktemp("land"))


@pytest.fixture(scope="session")
def clean(land, tmp_path_factory):
    """A batch run in one process, from which every other way of running must not differ."""
    folder = tmp_path_factory.mktemp("clean")
    outcome = run(land, folder)
    return folder, outcome


def rows_of(path: Path) -> list[dict[str, str]]:
    with path.open(encoding="utf-8", newline="") as stream:
        return list(csv.DictReader(stream))


def test_what_a_batch_writes(clean):
    folder, outcome = clean
    names = {p.name for p in folder.iterdir()}
    assert {"parcels.csv", "parcels.gpkg", "failures.csv", "assignments.csv", "overview.html",
        "run.json", "journal.jsonl", "parcels"} <= names  # fmt: skip
    assert not list(folder.rglob("*.siting-part"))
    assert [row["parcel_id"] for row in rows_of(folder / "parcels.csv")] == [
        "L0001",
        "L0003",
        "L0004",
    ]
    assert outcome.failed == 1
    for row in rows_of(folder / "parcels.csv"):
        assert (folder / row["page"]).exists()
        assert row["sentence"].startswith("Thank you for offering your land (Land ")
        assert row["limit"]


def test_a_bad_parcel_harms_only_itself(clean):
    folder, _ = clean
    (row,) = rows_of(folder / "failures.csv")
    assert (row["parcel_id"], row["code"]) == ("L0002", "E-GEOM-01")
    assert not (folder / "parcels" / safe_name("L0002")).exists()


def test_run_json_tells_the_outputs(clean):
    folder, _ = clean
    record = json.loads((folder / "run.json").read_text(encoding="utf-8"))
    assert record["counts"]["scored"] == 3
    assert record["counts"]["failures"] == {"E-GEOM-01": 1}
    for name, digest in record["outputs"].items():
        assert digests(folder)[name] == digest
    assert set(record["inputs"]["files"]) == {"dem.tif", "land_cover.tif", "layers.gpkg"}


def test_the_geopackage_holds_all_parcels(clean):
    folder, _ = clean
    path = folder / "parcels.gpkg"
    layers = {str(name) for name, _ in pyogrio.list_layers(path)}
    assert layers == {"parcels", "best_spots", "failures"}
    frame = gpd.read_file(path, layer="parcels")
    assert list(frame["parcel_id"]) == ["L0001", "L0003", "L0004"]
    # The area in the table against that of the outline, measured in the UTM zone of the land.
    area = frame.to_crs("EPSG:32617").area / 1e4
    assert list(area.round(1)) == pytest.approx(list(frame["area_ha"]), abs=0.1)


@pytest.mark.slow
def test_two_workers_write_the_same_bytes(land, clean, tmp_path):
    run(land, tmp_path, workers=2)
    assert digests(tmp_path) == digests(clean[0])


def test_one_parcel_alone_has_the_same_bytes(land, tmp_path):
    """Without an assignment, whose proposal a parcel alone cannot know of."""
    from siting.commands import score_to_folder
    from siting.settings.load import load_inputs

    inputs = load_inputs(land, {"parcel": {"id": "L0003"}})
    score_to_folder(inputs, quick_protocol(), tmp_path / "one", progress=lambda stage: None)
    run(land, tmp_path / "all", assign=False)
    batch = tmp_path / "all" / "parcels" / safe_name("L0003")
    assert digests(tmp_path / "one") == digests(batch)
    assert len(digests(batch)) >= 8


def test_started_again_nothing_is_done_twice(land, clean, tmp_path):
    shutil.copytree(clean[0], tmp_path / "again", copy_function=shutil.copy2)
    watcher = Quiet()
    outcome = run(land, tmp_path / "again", watcher=watcher)
    assert (watcher.count, outcome.reused) == (0, 4)
    assert digests(tmp_path / "again") == digests(clean[0])


@pytest.mark.slow
def test_done_is_decided_by_hash_not_by_presence(land, clean, tmp_path):
    """A changed rule, a damaged record and a missing page are each seen; a touched file is not."""
    folder = tmp_path / "again"
    shutil.copytree(clean[0], folder, copy_function=shutil.copy2)
    copied = shutil.copytree(land.parent, tmp_path / "land")
    watcher = Quiet()
    run(land, folder, pages=0, watcher=watcher, protocol=quick_protocol(candidates={"spots": 2}))
    assert watcher.count == 4
    run(land, folder)
    (folder / "parcels" / safe_name("L0001") / "run.json").write_text("{}")
    watcher = Quiet()
    run(land, folder, watcher=watcher)
    # It is scored, and its pages are written again with the place that is proposed.
    assert watcher.count == 2
    assert digests(folder) == digests(clean[0])
    # The same bytes with another time of change, elsewhere: fingerprints are of the bytes.
    watcher = Quiet()
    run(copied / "batch.toml", folder, watcher=watcher)
    assert watcher.count == 0


def test_pages_for_the_best_only(land, tmp_path):
    outcome = run(land, tmp_path, pages=1, assign=False)
    rows = outcome.batch.rows
    # One of the parcels has no trail on the map, so they are compared without trails.
    scores = comparable_scores(rows)
    best = rows[max(range(len(rows)), key=lambda n: scores[n] or 0.0)]["parcel_id"]
    assert [p.name for p in (tmp_path / "parcels").iterdir()] == [safe_name(best)]
    assert not (tmp_path / "assignments.csv").exists()
    linked = [row["parcel_id"] for row in rows_of(tmp_path / "parcels.csv") if row["page"]]
    assert linked == [best]


def test_an_old_proposal_does_not_outlive_its_batch(land, clean, tmp_path):
    folder = tmp_path / "again"
    shutil.copytree(clean[0], folder, copy_function=shutil.copy2)
    run(land, folder, pages=0, assign=False)
    assert not (folder / "assignments.csv").exists()
    assert not any(row["role"] for row in rows_of(folder / "parcels.csv"))


def test_a_missing_raster_is_told_once(land, tmp_path):
    copied = shutil.copytree(land.parent, tmp_path / "land")
    (copied / "dem.tif").unlink()
    with pytest.raises(SitingError, match="E-FILE-01"):
        run(copied / "batch.toml", tmp_path / "out")


def test_a_point_is_no_batch(tmp_path, land):
    copied = shutil.copytree(land.parent, tmp_path / "land")
    path = copied / "batch.toml"
    text = path.read_text().split("[dem]")[1]
    path.write_text("[parcel]\npoint = [-80.74, 43.70]\nradius_m = 200.0\n[dem]" + text)
    with pytest.raises(SitingError, match="E-BATCH-01"):
        run(path, tmp_path / "out")


def test_two_runs_never_share_a_folder(land, tmp_path):
    held = FileLock(tmp_path / LOCK)
    held.acquire()
    (tmp_path / HOLDER).write_text('{"pid": 4711, "host": "office"}')
    try:
        with pytest.raises(ResourceError, match=r"E-LOCK-01.*process 4711 on office"):
            run(land, tmp_path)
    finally:
        held.release()
    run(land, tmp_path, pages=0)  # the note of a run that is gone keeps nobody out
    assert not (tmp_path / HOLDER).exists()


def test_the_command(land, tmp_path):
    """Exit 4 with a failure, and words that say where to look."""
    rules = tmp_path / "rules.toml"
    rules.write_text("[grid]\ncontext_m = 60.0\n[candidates]\nplaces = 10\n")
    words = [
        "batch",
        str(land),
        "--protocol",
        str(rules),
        "-o",
        str(tmp_path / "o"),
        "--pages",
        "none",
        "--workers",
        "0",
    ]
    found = CliRunner().invoke(siting, words)
    assert found.exit_code == 4, found.output
    assert "3 parcels scored" in found.output
    assert "L0002: E-GEOM-01" in found.output
    assert "overview.html" in found.output


@pytest.mark.parametrize("words", ["best", "all 3", "best -1", "some"])
def test_pages_must_be_said_rightly(words, tmp_path):
    found = CliRunner().invoke(siting, ["batch", "x.toml", "-o", str(tmp_path), "--pages", words])
    assert found.exit_code == 2


def test_sidecar_files_count(land, tmp_path):
    from siting.read.given import given_files
    from siting.settings.load import load_inputs

    copied = shutil.copytree(land.parent, tmp_path / "land")
    before = given_files(load_inputs(copied / "batch.toml"))
    (copied / "dem.tif.aux.xml").write_text("<x/>")
    after = given_files(load_inputs(copied / "batch.toml"))
    assert {p.name for p in after} - {p.name for p in before} == {"dem.tif.aux.xml"}


# --- progress -------------------------------------------------------------------------


def test_plain_lines_in_a_log(capsys):
    told = BatchProgress(terminal=False, every_s=0.0)
    told.begin(2, done=3)
    told.ended(failed=False)
    told.ended(failed=True)
    told.close()
    lines = capsys.readouterr().err.splitlines()
    assert lines[0] == "3 done already"
    assert lines[1].startswith("1/2 parcels, ")
    assert lines[2].startswith("2/2 parcels, ")
    assert lines[2].endswith("0:00 left, 1 failed")


def test_a_log_gets_one_line_a_minute(capsys):
    told = BatchProgress(terminal=False, every_s=60.0)
    told.begin(1000, done=0)
    for _ in range(999):
        told.ended(failed=False)
    assert capsys.readouterr().err == ""


def test_a_terminal_gets_a_bar(capsys):
    told = BatchProgress(terminal=True)
    told.begin(3, done=0)
    told.ended(failed=True)
    told.close()
    shown = capsys.readouterr().err
    assert "1/3" in shown
    assert "failed=1" in shown


def test_help_stays_quick():
    code = (
        "import sys; import siting.cli.main; print('numpy' in sys.modules, 'tqdm' in sys.modules)"
    )
    found = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert found.stdout.split() == ["False", "False"]


def test_check_looks_at_every_parcel_of_a_batch(land):
    found = CliRunner().invoke(siting, ["check", str(land)])
    assert found.exit_code == 0, found.output
    assert "parcels: 4" in found.output
    assert "without a fault: 3" in found.output
    assert "parcel L0002: E-GEOM-01" in found.output
