"""Where jobs run: in this process or in a pool of processes (on a cluster: `siting.batch.cluster`).

All have the same methods: `submit` a job under a name, `wait` for jobs that ended, `close`.
A job whose process dies is reported as died; every other job goes on. `run_jobs` on top
gives each that died one more try, alone.
"""

from __future__ import annotations

import logging
import multiprocessing
import multiprocessing.connection
import os
import signal
import sys
import threading
from collections import deque
from collections.abc import Callable, Iterable, Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from multiprocessing.connection import Connection
from typing import Any, Protocol

from siting.kernels.bands import one_thread

_LOG = logging.getLogger(__name__)
Task = Callable[[Any], Any]

# One thread and a small cache to each worker: the workers are the parallelism.
WORKER_ENVIRONMENT = {
    "GDAL_CACHEMAX": "64",
    "GDAL_NUM_THREADS": "1",
    "OMP_NUM_THREADS": "1",
    "OPENBLAS_NUM_THREADS": "1",
    "MKL_NUM_THREADS": "1",
    "VECLIB_MAXIMUM_THREADS": "1",
    "NUMBA_NUM_THREADS": "1",
}
# A worker that does not end by itself within this time hangs in a library.
_STOP_SECONDS = 2.0


@dataclass(frozen=True)
class JobResult:
    """A job that ended: with a value, or because its process died."""

    name: str
    value: Any = None
    died: bool = False


class Executor(Protocol):
    """What runs jobs. `width` is how many at a time keep it busy."""

    @property
    def width(self) -> int: ...

    def submit(self, name: str, job: Any) -> None: ...

    def wait(self) -> list[JobResult]: ...

    def close(self, *, at_once: bool = False) -> None: ...


def run_jobs(
    executor: Executor, jobs: Iterable[tuple[str, Any]], *, alone: Iterable[tuple[str, Any]] = ()
) -> Iterator[JobResult]:
    """Run every job and yield each as it ends, in the order they end.

    Parameters
    ----------
    executor : Executor
    jobs : (name, job) pairs; only as many as keep the executor busy are held at a time
    alone : (name, job) pairs that need the machine for themselves; they come last, one by one

    Yields
    ------
    Ended
        `died` only for a job that died twice, the second time alone in a fresh process.
    """
    queue = iter(jobs)
    under_way: dict[str, Any] = {}
    again: deque[tuple[str, Any, bool]] = deque()
    more = True
    while more or under_way:
        while more and len(under_way) < executor.width:
            pair = next(queue, None)
            more = pair is not None
            if pair is not None:
                under_way[pair[0]] = pair[1]
                executor.submit(*pair)
        for ended in executor.wait() if under_way else ():
            job = under_way.pop(ended.name)
            if ended.died:
                _LOG.warning("%s is tried once more, alone", ended.name)
                # It may have died because the others took the memory: alone it gets a fair trial.
                again.append((ended.name, job, True))
            else:
                yield ended
    # A large parcel has not been tried yet: if it dies in its turn, it gets a second one, too.
    again.extend((name, job, False) for name, job in alone)
    while again:
        name, job, last = again.popleft()
        executor.submit(name, job)
        for ended in executor.wait():
            if ended.died and not last:
                again.append((name, job, True))
            else:
                yield ended


def prepare_worker() -> None:
    """One thread, a small raster cache, and Ctrl-C ignored: the parent decides when to stop."""
    from threadpoolctl import threadpool_limits

    # Both are needed: a library that is loaded already no longer reads the environment, and one
    # that is loaded later is not reached by the limit.
    os.environ.update(WORKER_ENVIRONMENT)
    threadpool_limits(limits=1)
    # Python sets signals in the main thread only, and a Dask worker runs its jobs in others.
    if threading.current_thread() is threading.main_thread():
        signal.signal(signal.SIGINT, signal.SIG_IGN)


class SerialExecutor:
    """Jobs one after another in this process."""

    width = 1

    def __init__(self, task: Task) -> None:
        self._task = task
        self._open = ExitStack()
        # As in a worker: sums over several threads may differ in their last digit, and the result
        # of a parcel must not depend on where it ran.
        self._open.enter_context(one_thread())
        self._queue: deque[tuple[str, Any]] = deque()

    def submit(self, name: str, job: Any) -> None:
        """Queue a job; it runs at the next `wait`."""
        self._queue.append((name, job))

    def wait(self) -> list[JobResult]:
        """Run the first job of the queue."""
        name, job = self._queue.popleft()
        return [JobResult(name, self._task(job))]

    def close(self, *, at_once: bool = False) -> None:
        """Forget what is queued."""
        del at_once
        self._queue.clear()
        self._open.close()


@dataclass
class _Worker:
    process: multiprocessing.process.BaseProcess
    pipe: Connection
    name: str = ""


class PoolExecutor:
    """Jobs in processes of their own, each with its own pipe.

    Started by spawn, never by fork: GDAL and OpenMP do not survive a fork. Since every worker has
    its own pipe, one that dies takes only its own job along; a pool that shares a queue breaks as
    a whole.

    Parameters
    ----------
    task : function of a job, importable by name; it must return a value for every failure
    workers : int
        Number of processes.
    jobs_each : int
        A worker is replaced after this many jobs, so that what libraries leak does not add up.
    """

    def __init__(self, task: Task, *, workers: int, jobs_each: int = 500) -> None:
        self.width = workers
        self._task = task
        self._jobs_each = jobs_each
        self._context = multiprocessing.get_context("spawn")
        self._idle: list[tuple[_Worker, int]] = []
        self._busy: list[tuple[_Worker, int]] = []

    def submit(self, name: str, job: Any) -> None:
        """Hand a job to an idle worker, or to a new one."""
        worker, count = self._idle.pop() if self._idle else (self._started(), 0)
        worker.name = name
        self._busy.append((worker, count + 1))
        try:
            worker.pipe.send(job)
        except (BrokenPipeError, ConnectionError):
            # Nothing is lost: `wait` finds the closed pipe and reports the job as died.
            _LOG.debug("worker %s had died before its job", worker.process.pid)

    def _started(self) -> _Worker:
        ours, theirs = self._context.Pipe()
        process = self._context.Process(
            target=_work, args=(theirs, self._task), name="siting worker", daemon=True
        )
        # Set before the start: libraries read these as they are loaded, before any code of ours.
        with _environment(WORKER_ENVIRONMENT):
            process.start()
        # Our copy of their end: while it is open, a worker that dies does not close the pipe.
        theirs.close()
        return _Worker(process, ours)

    def wait(self) -> list[JobResult]:
        """Wait until a job has ended; return all that have."""
        # The pipe of a worker that died is ready, too: reading it fails at once.
        ready = multiprocessing.connection.wait([worker.pipe for worker, _ in self._busy])
        ended: list[JobResult] = []
        for worker, count in list(self._busy):
            if worker.pipe in ready:
                self._busy.remove((worker, count))
                ended.append(self._outcome(worker, count))
        return ended

    def _outcome(self, worker: _Worker, count: int) -> JobResult:
        try:
            value = worker.pipe.recv()
        except (EOFError, ConnectionError):
            _stop(worker, at_once=True)
            _LOG.warning(
                "the worker of %s died (exit status %s)", worker.name, worker.process.exitcode
            )
            return JobResult(worker.name, died=True)
        if count >= self._jobs_each:
            _stop(worker, at_once=False)
        else:
            self._idle.append((worker, count))
        return JobResult(worker.name, value)

    def close(self, *, at_once: bool = False) -> None:
        """Stop all workers, also those with a job under way.

        An idle worker has written all it had to, so that nothing is lost by not waiting for its
        interpreter to clear up, a third of a second each.
        """
        del at_once
        workers = [worker for worker, _ in (*self._idle, *self._busy)]
        self._idle.clear()
        self._busy.clear()
        for worker in workers:
            worker.process.kill()
        for worker in workers:
            _stop(worker, at_once=True)


def _stop(worker: _Worker, *, at_once: bool) -> None:
    """End a worker and wait for its end, so that it cannot write any more."""
    worker.pipe.close()
    if at_once:
        worker.process.kill()
    worker.process.join(_STOP_SECONDS)
    if worker.process.is_alive():
        worker.process.kill()
        worker.process.join()


@contextmanager
def _environment(values: dict[str, str]) -> Iterator[None]:
    """Environment that a process started now is born with."""
    before = {name: os.environ.get(name) for name in values}
    os.environ.update(values)
    try:
        yield
    finally:
        for name, value in before.items():
            if value is None:
                os.environ.pop(name, None)
            else:
                os.environ[name] = value


def _work(pipe: Connection, task: Task) -> None:
    """The life of a worker: jobs from the pipe until it closes."""
    prepare_worker()
    # A parent that was killed cannot stop its workers, and these would write into a folder that
    # the next run believes to have for itself.
    threading.Thread(target=_die_with_parent, daemon=True).start()
    while True:
        try:
            job = pipe.recv()
        except (EOFError, ConnectionError):
            return
        value = task(job)
        try:
            pipe.send(value)
        except (BrokenPipeError, ConnectionError):
            return


def _die_with_parent() -> None:
    """End this process when its parent is gone, also in the middle of a job."""
    parent = multiprocessing.parent_process()
    if parent is not None:
        multiprocessing.connection.wait([parent.sentinel])
        # No clean-up: the main thread may be deep in a library, and must write nothing more.
        os._exit(1)


@contextmanager
def stop_signals() -> Iterator[None]:
    """Ctrl-C and SIGTERM both interrupt, once: a second one does not disturb the stopping."""
    if threading.current_thread() is not threading.main_thread():
        yield
        return

    def stop(number: int, frame: object) -> None:
        del number, frame
        for kind in kinds:
            signal.signal(kind, signal.SIG_IGN)
        raise KeyboardInterrupt

    kinds = [signal.SIGINT, signal.SIGTERM]
    if sys.platform == "win32":
        # Ctrl-Break of Windows is a signal of its own.
        kinds.append(signal.SIGBREAK)
    before = {kind: signal.signal(kind, stop) for kind in kinds}
    try:
        yield
    finally:
        for kind, handler in before.items():
            signal.signal(kind, handler)
