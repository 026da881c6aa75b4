"""Workers that die, Ctrl-C and SIGTERM: what is done stays done, and nothing is left running."""

from __future__ import annotations

import os
import random
import signal
import subprocess
import sys
import threading
import time
from pathlib import Path

import psutil
import pytest

import siting.batch.run
from siting.batch.journal import Journal, entry_of
from tests.batch_tools import Quiet, digests, run
from tests.crash.hooks import poisoned
from tests.nursery import Nursery

pytestmark = pytest.mark.slow

ROUNDS = int(os.environ.get("SITING_CRASH_ROUNDS", "1"))


def workers() -> list[psutil.Process]:
    """Our worker processes (not the resource tracker that Python starts beside them)."""
    return [child for child in psutil.Process().children() if is_worker(child)]


def is_worker(process: psutil.Process) -> bool:
    try:
        return any("spawn_main" in word for word in process.cmdline())
    except (psutil.NoSuchProcess, psutil.ZombieProcess):
        return False


@pytest.mark.parametrize("turn", range(2 * ROUNDS))
def test_a_worker_killed_at_a_random_moment(turn, land, clean, tmp_path):
    chance = random.Random(turn)
    killed = []

    def strike() -> None:
        until = time.monotonic() + 30
        while not killed and time.monotonic() < until:
            time.sleep(chance.uniform(0.5, 4.0))
            for child in workers()[:1]:
                child.kill()
                killed.append(child.pid)

    thread = threading.Thread(target=strike)
    thread.start()
    outcome = run(land, tmp_path, workers=2)
    killed.append(0)
    thread.join()
    assert outcome.failed == 1
    assert digests(tmp_path) == clean


def scored(folder: Path) -> list[str]:
    """The parcel of each outcome in the journal, in the order they came."""
    entries = map(entry_of, (folder / "journal.jsonl").read_bytes().splitlines())
    return [entry["name"] for entry in entries if entry and entry["kind"] == "parcel"]


def test_a_poisoned_parcel_alone_is_told(land, clean, tmp_path, monkeypatch):
    monkeypatch.setattr(siting.batch.run.jobs, "do_job", poisoned)
    monkeypatch.setenv("SITING_TEST_POISON", "L0003")
    outcome = run(land, tmp_path, workers=2)
    assert {f["parcel_id"]: f["code"] for f in outcome.batch.failures} == {
        "L0002": "E-GEOM-01", "L0003": "E-CRASH-01"}  # fmt: skip
    assert [row["parcel_id"] for row in outcome.batch.rows] == ["L0001"]
    # Once whatever killed it is gone, the parcel is tried again and all is as it should be.
    monkeypatch.setenv("SITING_TEST_POISON", "")
    before = len(scored(tmp_path))
    watcher = Quiet()
    run(land, tmp_path, workers=2, watcher=watcher)
    # It alone: scored, then its pages once more, with the place that is now proposed on it.
    assert scored(tmp_path)[before:] == ["L0003", "L0003"]
    assert (watcher.count, watcher.failed) == (2, 0)
    assert digests(tmp_path) == clean


RULES = "[grid]\ncontext_m = 60.0\n[candidates]\nplaces = 10\nspots = 3\n[stability]\ndraws = 12\n"


def batch(land: Path, folder: Path, *, workers: int) -> list[str]:
    rules = folder.with_name("rules.toml")
    rules.write_text(RULES)
    return ["batch", str(land), "--protocol", str(rules), "-o", str(folder),
            "--pages", "all", "--workers", str(workers)]  # fmt: skip


def started(land: Path, folder: Path) -> subprocess.Popen:
    words = [sys.executable, "-m", "siting", *batch(land, folder, workers=2)]
    return subprocess.Popen(words, stderr=subprocess.PIPE, text=True, start_new_session=True)


def started_again(land: Path, folder: Path, nursery: Nursery) -> int:
    """The exit status of the same batch, which takes up what is there."""
    # How it resumes is for no worker to decide, and two take as long to start as to finish it.
    return nursery.command(*batch(land, folder, workers=0)).returncode


def wait_until_under_way(process: subprocess.Popen, folder: Path) -> list[psutil.Process]:
    """Until the workers work; the workers."""
    parent = psutil.Process(process.pid)
    until = time.monotonic() + 240
    while time.monotonic() < until:
        children = [c for c in parent.children(recursive=True) if c.is_running()]
        busy = [c for c in children if is_worker(c)]
        if len(busy) == 2 and any(folder.rglob(".*.siting-part")):
            return children
        assert process.poll() is None, process.stderr.read()
        time.sleep(0.02)
    raise AssertionError("the batch did not get under way")


@pytest.mark.parametrize("kind", ["Ctrl-C", "SIGTERM", "double Ctrl-C"])
def test_stopped_by_a_signal(kind, land, nursery, tmp_path):
    folder = tmp_path / "out"
    process = started(land, folder)
    children = wait_until_under_way(process, folder)
    if kind == "SIGTERM":
        process.terminate()
    else:
        # A terminal sends it to the whole group, workers included.
        os.killpg(process.pid, signal.SIGINT)
        if kind == "double Ctrl-C":
            time.sleep(0.05)
            os.killpg(process.pid, signal.SIGINT)
    told = process.communicate(timeout=240)[1]
    assert process.returncode == 130, told
    assert "Traceback" not in told
    assert "Interrupted" in told
    _, alive = psutil.wait_procs(children, timeout=30)
    assert not alive
    assert Journal(folder).dropped == 0
    assert started_again(land, folder, nursery) == 4
    assert not list(folder.rglob("*.siting-part"))


def test_killed_parents_leave_no_workers(land, nursery, tmp_path):
    folder = tmp_path / "out"
    process = started(land, folder)
    children = wait_until_under_way(process, folder)
    process.kill()
    process.wait()
    _, alive = psutil.wait_procs(children, timeout=30)
    assert not alive
    assert started_again(land, folder, nursery) == 4


def test_odd_surroundings_change_no_byte(land, clean, tmp_path, program):
    """Another clock, another language, another hash seed, no docstrings, many threads."""
    code = (
        "import sys; from pathlib import Path; from siting.batch import fingerprints; "
        f"fingerprints.program_print = lambda: {program!r}; "
        "from tests.batch_tools import run; run(Path(sys.argv[1]), Path(sys.argv[2]))"
    )
    odd = {"TZ": "Pacific/Kiritimati", "LC_ALL": "tr_TR.UTF-8", "PYTHONHASHSEED": "42",
        "PYTHONOPTIMIZE": "2", "OPENBLAS_NUM_THREADS": "4", "GDAL_NUM_THREADS": "4"}  # fmt: skip
    words = [sys.executable, "-c", code, str(land), str(tmp_path)]
    root = Path(__file__).parents[2]
    subprocess.run(words, check=True, env={**os.environ, **odd}, cwd=root, timeout=120)
    assert digests(tmp_path) == clean


def test_a_worker_dies_with_its_parent_in_the_middle_of_a_job():
    code = (
        "from siting.batch.executors import PoolExecutor\n"
        "from tests.odd_jobs import odd\n"
        "if __name__ == '__main__':\n"
        "    pool = PoolExecutor(odd, workers=1)\n"
        "    pool.submit('a', ('pid', None))\n"
        "    pid = pool.wait()[0].value\n"
        "    pool.submit('b', ('sleep', 300))\n"
        "    print(pid, flush=True)\n"
        "    pool.wait()\n"
    )
    root = Path(__file__).parents[2]
    parent = subprocess.Popen(
        [sys.executable, "-c", code], stdout=subprocess.PIPE, text=True, cwd=root
    )
    worker = psutil.Process(int(parent.stdout.readline()))
    time.sleep(0.5)
    assert worker.is_running()
    parent.kill()
    parent.wait()
    _, alive = psutil.wait_procs([worker], timeout=30)
    assert not alive
