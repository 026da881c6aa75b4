"""A Dask cluster: the same bytes, also when workers die or the scheduler starts again."""

from __future__ import annotations

import os
import threading
import time
from collections import Counter
from contextlib import contextmanager

import pytest

import siting.batch.cluster
from siting.batch.cluster import DaskExecutor
from siting.batch.executors import run_jobs
from siting.errors import SitingError
from tests.batch_tools import digests, run
from tests.nursery import LOADED_LATE
from tests.odd_jobs import odd

pytestmark = pytest.mark.slow

distributed = pytest.importorskip("distributed", reason="the extra [cluster] is not installed")


class Fixed(distributed.WorkerPlugin):
    """Gives every worker, also one that is started later, the program's known fingerprint."""

    def __init__(self, program: str) -> None:
        self.program = program

    def setup(self, worker):
        from siting.batch import fingerprints

        fingerprints.program_print = lambda: self.program


@contextmanager
def _loaded_before(*modules):
    """The server of forks loads these; it is started here unless another test has done so."""
    # Once this was asked, it does not choose modules of its own any more.
    context = distributed.utils.get_mp_context()
    context.set_forkserver_preload(list(modules))
    with pytest.MonkeyPatch.context() as patch:
        for name in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS"):
            patch.setenv(name, "1")
        started = context.Process(target=abs, args=(1,))
        started.start()
        started.join()
    yield


@pytest.fixture(scope="module")
def local(program):
    import dask

    rules = {
        # Workers are forks of a process that has loaded all, as those of tests/nursery.py are:
        # every strike of these tests starts some anew.
        "distributed.worker.multiprocessing-method": "forkserver",
        "distributed.scheduler.allowed-failures": 1,
        # A LocalCluster looks a while after it lost a worker (15 s) and, when the worker happens
        # to be away, closes its nanny for good: so it was when one test's strike came 15 s after
        # another's, or on a busy machine. Clusters of `dask worker` have no such watch.
        "distributed.deploy.lost-worker-timeout": "1h",
    }
    with (
        dask.config.set(rules),
        _loaded_before("distributed", "siting.batch.cluster", *LOADED_LATE),
        distributed.LocalCluster(
            n_workers=2, threads_per_worker=1, dashboard_address=None, memory_limit=0
        ) as made,
    ):
        with distributed.Client(made, set_as_default=False) as client:
            client.register_plugin(Fixed(program), name="fixed")
        yield made


@pytest.fixture
def cluster(local):
    """Two workers, whatever the last test did to them."""
    with distributed.Client(local, set_as_default=False) as client:
        client.wait_for_workers(2, timeout=240)
    return local


@contextmanager
def struck(cluster, folder, strike):
    """Do something to the cluster as soon as the first page is being written."""

    def wait() -> None:
        until = time.monotonic() + 240
        while time.monotonic() < until and not any((folder / "parcels").rglob(".*.siting-part")):
            time.sleep(0.01)
        strike()

    thread = threading.Thread(target=wait)
    thread.start()
    yield
    thread.join()


def test_the_same_bytes(cluster, land, clean, tmp_path):
    run(land, tmp_path, dask=cluster.scheduler_address)
    assert digests(tmp_path) == clean


def test_a_killed_worker_loses_nothing(cluster, land, clean, tmp_path):
    def strike() -> None:
        os.kill(next(iter(cluster.workers.values())).pid, 9)

    with struck(cluster, tmp_path, strike):
        run(land, tmp_path, dask=cluster.scheduler_address)
    assert digests(tmp_path) == clean


def test_a_poisoned_job_takes_no_neighbour_along(cluster, tmp_path):
    executor = DaskExecutor(odd, address=cluster.scheduler_address)
    jobs = [(f"j{k}", ("give", k)) for k in range(12)]
    jobs.insert(4, ("poison", ("die", None)))
    ended = {e.name: e for e in run_jobs(executor, jobs)}
    executor.close()
    assert len(ended) == 13
    assert [name for name, e in ended.items() if e.died] == ["poison"]


def test_the_workers_start_again_under_way(cluster, land, clean, tmp_path):
    def strike() -> None:
        with distributed.Client(cluster, set_as_default=False) as client:
            # The batch and the next test wait for the workers; to wait here, too, takes a minute
            # when one of them dies of the strike.
            client.restart(wait_for_workers=False)

    with struck(cluster, tmp_path, strike):
        run(land, tmp_path, dask=cluster.scheduler_address)
    assert digests(tmp_path) == clean


class Lost:
    """The future of a job whose cluster was started again."""

    status = "cancelled"


def test_a_job_lost_with_its_cluster_is_sent_again_but_not_for_ever(monkeypatch):
    sent = []
    executor = object.__new__(DaskExecutor)
    executor._futures, executor._losses = {}, Counter()
    monkeypatch.setattr(DaskExecutor, "submit", lambda _, name, job: sent.append((name, job)))
    for _ in range(5):
        future = Lost()
        executor._futures[future] = ("a", 7)
        assert executor._outcome(future) is None
    assert sent == [("a", 7)] * 5
    executor._futures[future] = ("a", 7)
    assert executor._outcome(future).died
    future.status = "error"
    executor._futures[future] = ("b", 8)
    assert executor._outcome(future).died
    assert len(sent) == 5


def test_a_parcel_done_twice_at_a_time_is_whole(cluster, land, clean, tmp_path):
    """Schedulers may run a task twice: one writes after the other, and both the same bytes."""
    from siting.batch.jobs import Job, do_job, parcel_folder
    from siting.read.land import all_parcels
    from siting.settings.load import load_inputs
    from tests.batch_tools import quick_protocol

    inputs = load_inputs(land)
    job = Job(all_parcels(inputs)[0], inputs, quick_protocol(), tmp_path)
    executor = DaskExecutor(do_job, address=cluster.scheduler_address)
    executor.submit("one", job)
    executor.submit("two", job)
    ended = [*executor.wait()]
    while len(ended) < 2:
        ended += executor.wait()
    executor.close()
    assert all("row" in e.value for e in ended), [e.value for e in ended]
    run(land, tmp_path, dask=cluster.scheduler_address)
    assert digests(tmp_path) == clean
    assert not list(parcel_folder(tmp_path, "L0001").glob("*.siting-part"))


def test_no_scheduler_is_told(land, tmp_path, monkeypatch):
    monkeypatch.setattr(siting.batch.cluster, "_CONNECT_SECONDS", 1.0)
    with pytest.raises(SitingError, match=r"E-BATCH-01.*No Dask scheduler"):
        run(land, tmp_path, dask="tcp://127.0.0.1:9")


def test_another_program_on_a_worker_is_refused(cluster, land, tmp_path, monkeypatch):
    from siting.batch import fingerprints

    monkeypatch.setattr(fingerprints, "program_print", lambda: "another")
    with pytest.raises(SitingError, match=r"E-BATCH-01.*another version"):
        run(land, tmp_path, dask=cluster.scheduler_address)


def test_a_file_that_a_worker_sees_otherwise_is_refused():
    ours = {"program": "p", "sizes": {"/data/dem.tif": 100}}
    theirs = {"tcp://b": {"program": "p", "sizes": {"/data/dem.tif": 99}}}
    with pytest.raises(SitingError, match=r"E-BATCH-01.*does not see /data/dem.tif"):
        siting.batch.cluster._check_workers(theirs, ours, "tcp://a")
    with pytest.raises(SitingError, match=r"E-BATCH-01.*no worker"):
        siting.batch.cluster._check_workers({}, ours, "tcp://a")
