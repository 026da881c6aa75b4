"""Jobs on a Dask cluster, with the methods of `siting.batch.executors`."""

from __future__ import annotations

import logging
import os
import time
from collections import Counter
from collections.abc import Callable
from pathlib import Path
from typing import Any

from siting.batch import fingerprints
from siting.batch.executors import JobResult, Task, prepare_worker
from siting.errors import SitingError
from siting.read.given import given_files
from siting.settings.inputs import Inputs

_LOG = logging.getLogger(__name__)
_STOP_SECONDS = 2.0
_EMPTY_CLUSTER_SECONDS = 120.0
_FIRST_WORKER_SECONDS = 30.0
_CONNECT_SECONDS = 15.0
# How often a job may be lost with the cluster it ran on before that counts as its own death.
_MOST_LOSSES = 5


class DaskExecutor:
    """Jobs on a Dask cluster that sees the same files under the same names.

    Parameters
    ----------
    task : function of a job, importable by name on every worker
    address : str
        Of the scheduler, such as "tcp://office:8786".
    """

    def __init__(self, task: Task, *, address: str) -> None:
        distributed = _distributed()
        self._task = task
        try:
            # A client that is made and fails waits for half a minute, and says so in its own way.
            distributed.comm.resolve_address(address)
            self._client = distributed.Client(
                address, timeout=_CONNECT_SECONDS, set_as_default=False
            )
        except (OSError, ValueError, TimeoutError) as error:
            raise SitingError(
                "E-BATCH-01",
                f"No Dask scheduler answers at {address}: {error}.",
                rule="The cluster must be running before the batch is started.",
                cure="Start it as docs/batch.md shows, and give the address that it prints.",
            ) from error
        self._futures: dict[Any, tuple[str, Any]] = {}
        self._losses: Counter[str] = Counter()
        self._tries = 0
        self._seen = time.monotonic()

    @property
    def width(self) -> int:
        """One job to each thread of the cluster, and one waiting."""
        # The waiting job is there so that a worker need not idle while its answer travels.
        threads = sum(self._client.nthreads().values())
        return max(int(threads) + len(self._client.nthreads()), 1)

    def on_workers(self, function: Callable[..., Any], *args: Any) -> dict[str, Any]:
        """What a function returns on each worker, by its address; one that dies is left out."""
        found: dict[str, Any] = self._client.run(function, *args, on_error="ignore")
        return found

    def submit(self, name: str, job: Any) -> None:
        """Send a job; marked as not pure, or the cluster might reuse an old answer."""
        self._tries += 1
        # Two jobs of one key are the same job to the scheduler, so every try has a key of its own.
        key = f"siting-{os.getpid()}-{self._tries}"
        future = self._client.submit(_on_cluster, self._task, job, key=key, pure=False, retries=0)
        self._futures[future] = (name, job)

    def wait(self) -> list[JobResult]:
        """Wait until a job ended; tell all that did."""
        distributed = _distributed()
        while True:
            try:
                with self._client.as_current():
                    done = distributed.wait(
                        list(self._futures), timeout=5, return_when="FIRST_COMPLETED"
                    ).done
            except TimeoutError:
                # Nothing ended in 5 s: the look at the cluster below must come round all the same.
                done = set()
            except distributed.CancelledError:
                # One lost job ends the wait for all of them; which one it was stands in its status.
                done = {f for f in self._futures if f.status in ("cancelled", "lost")}
            if done:
                self._seen = time.monotonic()
                ended = [self._outcome(f) for f in [f for f in self._futures if f in done]]
                if any(ended):
                    return [one for one in ended if one is not None]
            self._check_alive()

    def _outcome(self, future: Any) -> JobResult | None:
        """What became of a job; None when it was sent again.

        A job that goes under with its cluster (a scheduler or all workers started again) has
        done nothing wrong; one whose worker dies may have killed it.
        """
        name, job = self._futures.pop(future)
        if future.status == "finished":
            return JobResult(name, future.result())
        _LOG.warning("the job of %s was lost: %s", name, future.status)
        self._losses[name] += 1
        if future.status in ("cancelled", "lost") and self._losses[name] <= _MOST_LOSSES:
            self.submit(name, job)
            return None
        return JobResult(name, died=True)

    def _check_alive(self) -> None:
        """A cluster without a worker for two minutes will not finish."""
        if self._client.status == "running" and self._client.nthreads():
            self._seen = time.monotonic()
        elif time.monotonic() - self._seen > _EMPTY_CLUSTER_SECONDS:
            raise SitingError(
                "E-BATCH-01",
                "The Dask cluster has had no worker for two minutes.",
                rule="A batch needs at least one worker.",
                cure="Start workers and run the same command again: finished parcels are kept.",
            )

    def close(self, *, at_once: bool = False) -> None:
        """Take back what is under way and leave the cluster; the cluster itself goes on."""
        if self._futures and at_once:
            self._client.cancel(list(self._futures))
        self._futures.clear()
        self._client.close(timeout=_STOP_SECONDS)


_prepared: set[int] = set()


def _on_cluster(task: Task, job: Any) -> Any:
    """A job on a worker of a cluster, which is prepared at its first one."""
    if os.getpid() not in _prepared:
        prepare_worker()
        _prepared.add(os.getpid())
    return task(job)


def _distributed() -> Any:
    try:
        import distributed
    except ImportError as error:
        raise SitingError(
            "E-BATCH-01",
            "The package distributed is not installed.",
            rule="--dask needs it.",
            cure="Run pip install '.[cluster]' in the folder of the program's source.",
        ) from error
    return distributed


def connect(task: Task, address: str, *, inputs: Inputs, folder: Path) -> DaskExecutor:
    """The cluster at an address, after a look that every worker sees and computes the same.

    Raises
    ------
    SitingError
        E-BATCH-01 when no scheduler answers, there is no worker, or a worker has other files or
        another program.
    """
    executor = DaskExecutor(task, address=address)
    paths = [*given_files(inputs), folder.absolute()]
    try:
        found = executor.on_workers(_seen_by_worker, [str(path) for path in paths])
        until = time.monotonic() + _FIRST_WORKER_SECONDS
        # Workers may be starting at this very moment: a cluster without any is asked again.
        while not found and time.monotonic() < until:
            time.sleep(1.0)
            found = executor.on_workers(_seen_by_worker, [str(path) for path in paths])
        _check_workers(found, _seen_by_worker([str(path) for path in paths]), address)
    except BaseException:
        executor.close(at_once=True)
        raise
    return executor


def _seen_by_worker(paths: list[str]) -> dict[str, Any]:
    """What a worker computes with and which of the paths it sees, with their sizes."""
    sizes = {
        # The size of a folder differs from one file system to the next and says nothing.
        path: (-1 if Path(path).is_dir() else Path(path).stat().st_size)
        for path in paths
        if Path(path).exists()
    }
    return {"program": fingerprints.program_print(), "sizes": sizes}


def _check_workers(found: dict[str, Any], ours: dict[str, Any], address: str) -> None:
    if not found:
        raise SitingError(
            "E-BATCH-01",
            f"The Dask cluster at {address} has no worker.",
            rule="A batch needs at least one worker.",
            cure="Start workers as docs/batch.md shows.",
        )
    for worker, theirs in sorted(found.items()):
        if theirs["program"] != ours["program"]:
            raise SitingError(
                "E-BATCH-01",
                f"The worker {worker} has another version of siting or of its libraries.",
                rule="All machines compute with the same program, or results would differ.",
                cure="Install the same environment on each machine.",
            )
        seen = theirs["sizes"]
        missing = [path for path, size in ours["sizes"].items() if seen.get(path) != size]
        if missing:
            raise SitingError(
                "E-BATCH-01",
                f"The worker {worker} does not see {missing[0]} as it is here.",
                rule="Every machine needs the inputs and the output folder under the same path.",
                cure="Put them on a drive that all machines share, and name them by that path.",
            )
