"""The process that computes: it reads files from outside and scores land, and may be killed.

The server speaks with it through a pipe: a job goes in, progress and one answer come out. Compiled
loops and the raster library cannot be interrupted, so cancelling means ending this process; the
next job gets a new one.
"""

from __future__ import annotations

import os
import threading
from dataclasses import dataclass
from multiprocessing import get_context, parent_process
from multiprocessing.connection import Connection, wait
from pathlib import Path
from typing import TYPE_CHECKING, Any

from siting.errors import SitingError

if TYPE_CHECKING:
    from siting.kernels.remembered import Memory

# What the libraries may not do in this process: fetch, or follow a file that points to others.
_ENVIRONMENT = {
    "GDAL_CACHEMAX": "64",
    "GDAL_DISABLE_READDIR_ON_OPEN": "EMPTY_DIR",
    "GDAL_HTTP_MAX_RETRY": "0",
    "CPL_VSIL_CURL_ALLOWED_EXTENSIONS": ".none",
    "PROJ_NETWORK": "OFF",
    # A VRT called .kml was opened as one and showed the rows of another file (tried).
    "OGR_SKIP": "OGR_VRT",
}

# What steps of earlier runs gave. A run of a million cells gives 350 MB, an edit up to 150
# more; a run takes 600 beside it.
_MEMORY_BYTES = 700_000_000
# Steps of priority that the worker stands behind the server, where the system knows such.
_NICE = 5


@dataclass(frozen=True)
class Score:
    """Score the inputs file and write every output into `out`."""

    inputs: Path
    protocol: Path | None
    out: Path


@dataclass(frozen=True)
class Enough:
    """To a worker that scores: the land has changed, so write no more files of this run."""


class Superseded(Exception):
    """The files of a run are no longer wanted: those of the next one follow."""


@dataclass(frozen=True)
class ReadUpload:
    """Read the shapes of a file that was dropped onto the desk."""

    file: Path
    name: str


@dataclass(frozen=True)
class ReadReturned:
    """Read a file that came back: visits, a sketch or outlines."""

    file: Path
    name: str


@dataclass(frozen=True)
class Known:
    """Shapes of the region's layers within (west, south, east, north), degrees."""

    inputs: Path
    bounds: tuple[float, float, float, float]


@dataclass(frozen=True)
class Assign:
    """Choose a camera for each cell from rows of parcels as JSON.

    `random_share` is the share of the cameras at a place drawn at random, 0 to 1; None leaves it to
    the protocol.
    """

    rows: tuple[str, ...]
    protocol: Path | None
    random_share: float | None = None


@dataclass(frozen=True)
class Review:
    """Review the package of a season with an office's maps, and write the answer into `out`."""

    package: Path
    inputs: Path
    protocol: Path | None
    out: Path


@dataclass(frozen=True)
class Recipes:
    """Which open data an office can gather."""

    office: Path


@dataclass(frozen=True)
class Gather:
    """Gather open data for the land in a sign-up's folder, or around its place (lon, lat)."""

    office: Path
    folder: Path
    place: tuple[float, float] | None
    recipe: str


Job = Score | Review | Assign | ReadUpload | ReadReturned | Known | Recipes | Gather


class Worker:
    """A running worker process and the pipe to it."""

    def __init__(self) -> None:
        # Never by fork, which compiled loops and the raster library do not survive.
        context = get_context("spawn")
        self.pipe, there = context.Pipe()
        self._process = context.Process(target=serve, args=(there,), daemon=True)
        self._process.start()
        # While our copy of its end is open, the pipe of a worker that died does not close.
        there.close()

    def send(self, job: Job | Enough | bool) -> None:
        """Give the worker its next job, the answer to its question, or word to stop writing."""
        self.pipe.send(job)

    def receive(self, timeout_s: float) -> tuple[str, Any] | None:
        """The next (kind, value) that the worker says; None after so many seconds of silence.

        Kinds are "stage", "listed" (the places, before their files), "done", "superseded" (the
        files were not written), "failed" and, once, "died".
        """
        ready = wait([self.pipe, self._process.sentinel], timeout_s)
        if self.pipe in ready:
            try:
                kind, value = self.pipe.recv()
                return str(kind), value
            except (EOFError, OSError):
                return "died", None
        return ("died", None) if ready else None

    def end(self) -> None:
        """End it at once, from any thread; who reads its pipe hears "died"."""
        self._process.kill()
        self._process.join(5.0)

    def kill(self) -> None:
        """End it at once and close the pipe; for the thread that reads it."""
        self.end()
        self.pipe.close()

    def processor_s(self) -> float:
        """Processor time that it has taken so far, seconds; 0 once it is gone."""
        import psutil

        try:
            times = psutil.Process(self.pid).cpu_times()
        except psutil.Error:
            return 0.0
        return float(times.user + times.system)

    @property
    def pid(self) -> int:
        """Its process number."""
        return int(self._process.pid or 0)


def serve(pipe: Connection) -> None:
    """The worker's life: one job after the other until the desk ends."""
    os.environ.update(_ENVIRONMENT)
    _leave_with_parent()
    _behind_the_page()
    # Here, for the server, which imports this module, loads no compiled loops.
    from siting.kernels.bands import keep_helpers
    from siting.kernels.remembered import Memory

    keep_helpers()
    # One memory for its life: after an edit only what the edit changed is worked out again.
    memory = Memory(_MEMORY_BYTES)
    while True:
        try:
            job = pipe.recv()
        except (EOFError, OSError):
            return
        if isinstance(job, Enough):
            # The last file was made when it was said.
            continue
        try:
            pipe.send(("done", _work(job, pipe, memory)))
        except Superseded:
            pipe.send(("superseded", None))
        except SitingError as error:
            pipe.send(("failed", error))
        except (BrokenPipeError, KeyboardInterrupt):
            return
        except Exception as error:  # reported as a fault of the program; the desk goes on
            pipe.send(("failed", _internal(error)))


def _internal(error: Exception) -> SitingError:
    return SitingError(
        "E-INTERNAL",
        f"{type(error).__name__}: {error}.",
        rule="This is a fault of the program, not of your files.",
        cure="Report it with the file, if you may share it.",
    )


def _leave_with_parent() -> None:
    parent = parent_process()
    if parent is None:
        return

    def watch() -> None:
        # A desk that was killed cannot end its worker, and the main thread may be deep in a
        # library.
        wait([parent.sentinel])
        os._exit(1)

    threading.Thread(target=watch, daemon=True).start()


def _behind_the_page() -> None:
    # With both cores at work here, an answer to the page would wait for its turn.
    if hasattr(os, "nice"):
        os.nice(_NICE)


def _still_wanted(pipe: Connection) -> None:
    # Between "listed" and "done" nothing else is ever said to a worker.
    if pipe.poll():
        pipe.recv()
        raise Superseded


def _work(job: Job, pipe: Connection, memory: Memory) -> Any:
    # Each job imports what it needs: a dropped file does not wait for what only scoring uses.
    if isinstance(job, Score):
        from siting.desk.work.scoring import scored

        with memory.at_work():
            return scored(
                job,
                lambda stage: pipe.send(("stage", stage)),
                lambda found: pipe.send(("listed", found)),
                lambda: _still_wanted(pipe),
            )
    if isinstance(job, ReadUpload):
        from siting.desk.uploads import shapes_in

        return shapes_in(job.file, job.name)
    if isinstance(job, Assign):
        from siting.desk.work.assigning import proposed

        return proposed(job.rows, job.protocol, random_share=job.random_share)
    if isinstance(job, Review):
        from siting.desk.work.reviewing import reviewed

        return reviewed(job.package, job.inputs, job.protocol, job.out)
    if isinstance(job, ReadReturned):
        from siting.desk.back.reading import returned_in

        return returned_in(job.file, job.name)
    if isinstance(job, Recipes | Gather):
        from siting.desk import gathering

        if isinstance(job, Recipes):
            return gathering.offered(job.office)
        return gathering.gathered(job.office, job.folder, job.place, job.recipe, pipe)
    from siting.desk.region import known_shapes

    return known_shapes(job.inputs, job.bounds)
