"""Killed at any of sixteen moments and started again, a batch ends in the same bytes."""

from __future__ import annotations

import json
import os
import shutil
from pathlib import Path

import pytest
from hypothesis import HealthCheck, settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, invariant, rule, run_state_machine_as_test

from siting.batch import jobs
from siting.batch.jobs import Job, do_job, parcel_folder
from siting.batch.journal import Journal
from siting.disk.files import file_hash, make_folder
from siting.disk.lock import locked
from siting.read.land import all_parcels
from siting.settings.load import load_inputs
from tests.batch_tools import digests, quick_protocol, run
from tests.crash.points import POINTS

pytestmark = pytest.mark.slow

# One round in a quick run; more by night: SITING_CRASH_ROUNDS=25 pytest tests/crash
ROUNDS = int(os.environ.get("SITING_CRASH_ROUNDS", "1"))
HERE = {"pages": None, "assign": True, "workers": 0}


def check_whole(folder: Path) -> None:
    """Wherever a run.json stands, every file that it names is there with the bytes it names."""
    for record in folder.rglob("run.json"):
        outputs = json.loads(record.read_text(encoding="utf-8"))["outputs"]
        for name, digest in outputs.items():
            assert file_hash(record.parent / name) == digest, (record.parent.name, name)
    if (folder / "journal.jsonl").exists():
        # A reader may meet one torn line, the last, and nothing worse.
        copied = shutil.copy(folder / "journal.jsonl", folder.parent / "journal.jsonl")
        assert Journal(Path(copied).parent).dropped <= 1


def test_all_sixteen_are_here():
    assert [name[:2] for name in POINTS] == [f"{n:02d}" for n in range(1, 17)]


@pytest.mark.parametrize("point", POINTS)
def test_killed_and_started_again(point, land, clean, nursery, tmp_path):
    for turn in range(ROUNDS):
        # The second parcel has no outline; the third is the second that writes anything.
        folder, nth = tmp_path / str(turn) / "out", 1 + turn % 2
        folder.parent.mkdir()
        assert nursery.run(land, folder, point=point, nth=nth, **HERE) == -9
        check_whole(folder)
        if point.startswith("16"):
            assert list(folder.rglob(".*.siting-part"))
            assert nursery.run(land, folder, point=point, nth=nth, **HERE) == -9
            check_whole(folder)
        assert nursery.run(land, folder, **HERE) == 0
        assert digests(folder) == clean
        assert not list(folder.rglob("*.siting-part"))
        check_whole(folder)


class Interleaved(RuleBasedStateMachine):
    """Property 39: any interleaving of run, kill and resume ends in the same bytes."""

    land: Path
    clean: dict[str, str]
    nursery: object
    root: Path
    number = 0

    def __init__(self) -> None:
        super().__init__()
        type(self).number += 1
        self.folder = self.root / str(self.number) / "out"
        self.folder.parent.mkdir(parents=True)

    @rule(point=st.sampled_from(list(POINTS)), nth=st.integers(1, 2))
    def kill(self, point, nth):
        assert self.nursery.run(self.land, self.folder, point=point, nth=nth, **HERE) in (0, -9)

    @rule()
    def only_the_table(self):
        options = {**HERE, "pages": 0}
        assert self.nursery.run(self.land, self.folder, **options) == 0

    @rule()
    def finish(self):
        assert self.nursery.run(self.land, self.folder, **HERE) == 0
        assert digests(self.folder) == self.clean

    @invariant()
    def whole(self):
        if self.folder.exists():
            check_whole(self.folder)

    def teardown(self):
        self.finish()


@pytest.mark.slow
def test_any_interleaving(land, clean, nursery, tmp_path):
    Interleaved.land, Interleaved.clean, Interleaved.nursery = land, clean, nursery
    Interleaved.root = tmp_path
    run_state_machine_as_test(
        Interleaved,
        settings=settings(max_examples=2 * ROUNDS, stateful_step_count=4, deadline=None,
            suppress_health_check=list(HealthCheck)),
    )  # fmt: skip


# What is worked out does not depend on what fails later; `clean` was worked out without a memory.
@pytest.mark.usefixtures("land_once")
@pytest.mark.parametrize("error", [28, 5, 13])  # disk full, input/output error, no permission
def test_the_nth_file_operation_fails(error, land, clean, tmp_path, monkeypatch):
    """An error or a clean end, never half a file; afterwards the batch can be finished."""
    import siting.disk.files

    plain = siting.disk.files._perform
    count = [0]

    def failing(operation, path, action):
        count[0] += 1
        if count[0] == fail_at:
            raise OSError(error, os.strerror(error), str(path))
        return plain(operation, path, action)

    for fail_at in (1, 2, 5, 12, 30, 55, 80) if ROUNDS > 1 else (2, 12, 30 + error):
        folder = tmp_path / str(fail_at) / "out"
        folder.parent.mkdir()
        count[0] = 0
        monkeypatch.setattr(siting.disk.files, "_perform", failing)
        try:
            outcome = run(land, folder)
            told = {f["code"] for f in outcome.batch.failures} - {"E-GEOM-01"}
        except siting.errors.SitingError as failure:
            told = {failure.code}
        monkeypatch.setattr(siting.disk.files, "_perform", plain)
        assert told <= {"E-DISK-01", "E-OUT-01"}
        assert told, fail_at
        check_whole(folder) if folder.exists() else None
        run(land, folder)
        assert digests(folder) == clean


def test_a_job_waits_for_the_one_that_writes_its_folder(land, tmp_path, monkeypatch):
    """A cluster may run a job twice: neither takes the other's files for those of a dead run."""
    inputs = load_inputs(land)
    job = Job(all_parcels(inputs)[0], inputs, quick_protocol(), tmp_path)
    folder = parcel_folder(tmp_path, job.parcel.id)
    make_folder(folder)
    monkeypatch.setattr(jobs, "_OTHER_WRITES_S", 0.0)
    with locked(folder):
        assert do_job(job)["code"] == "E-LOCK-01"
    assert "row" in do_job(job)
