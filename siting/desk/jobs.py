"""Work that takes longer than an answer: scoring one after the other, reading dropped files."""

from __future__ import annotations

import logging
import queue
import shutil
import threading
import time
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from siting.desk.storage.office import parcel_folder, write_inputs
from siting.desk.storage.store import Store
from siting.desk.worker import Enough, Job, Score, Worker
from siting.errors import SitingError
from siting.words.office.desk import CRASHED

_LOG = logging.getLogger(__name__)
RUNS = "runs"
# Of the processor: on a busy machine an honest file must not be refused. By the clock only what
# waits for ever is ended.
_READ_LIMIT_S, _WAIT_LIMIT_S = 20.0, 120.0
# A cancel is seen after this long at most, and while files are written an edit that follows.
_SLICE_S, _QUICK_SLICE_S = 0.2, 0.02
Tell = Callable[[str, dict[str, Any]], None]
"""Called with the name of an event and its values, from any thread."""


@dataclass(frozen=True)
class Listed:
    """The places of a run whose files are still being written: gone when they are there.

    `features` are those of spots.geojson, `row` what the store holds of the run meanwhile.
    """

    uid: str
    row: dict[str, Any]
    features: list[dict[str, Any]]


@dataclass
class Reader:
    """A worker of its own for reading files, so that a long run holds nothing up."""

    _worker: Worker | None = None
    _lock: threading.Lock = field(default_factory=threading.Lock)

    def read(self, job: Job) -> Any:
        """The worker's answer; a file that takes 20 s of the processor ends the worker.

        Raises
        ------
        SitingError
            What the worker says, or E-DESK-03 when it takes too long.
        """
        with self._lock:
            if self._worker is None:
                self._worker = Worker()
            spent, ends = self._worker.processor_s(), time.monotonic() + _WAIT_LIMIT_S
            self._worker.send(job)
            while time.monotonic() < ends:
                if self._worker.processor_s() - spent > _READ_LIMIT_S:
                    break
                said = self._worker.receive(_SLICE_S)
                if said is None:
                    continue
                kind, value = said
                if kind == "done":
                    return value
                if kind == "failed":
                    raise value
                if kind == "died":
                    break
            self.close()
        raise SitingError(
            "E-DESK-03",
            f"Reading took more than {_READ_LIMIT_S:g} s of the processor or {_WAIT_LIMIT_S:g} s "
            "in all, or used up the memory.",
            rule="A dropped file holds the land of a few sign-ups.",
            cure="Simplify it, or cut it down to the land itself.",
        )

    def close(self) -> None:
        """End the worker."""
        if self._worker is not None:
            self._worker.kill()
            self._worker = None


class Runner:
    """Scores sign-ups one after the other in a worker that is kept warm."""

    def __init__(self, office: Path, store: Store, protocol: Path | None, tell: Tell) -> None:
        self._office, self._store, self._tell = office, store, tell
        self.protocol = protocol
        self._waiting: queue.Queue[str | None] = queue.Queue()
        # In the order of their turns; of thousands none is searched for.
        self._listed: dict[str, None] = {}
        self._lock = threading.Lock()
        self._cancelled = threading.Event()
        self._worker: Worker | None = None
        self._now = ""
        self._fresh: Listed | None = None
        self._anew: set[str] = set()
        self._thread = threading.Thread(target=self._loop, daemon=True)
        self._thread.start()

    def warm(self) -> None:
        """Start the worker ahead of its first job."""
        if self._worker is None:
            self._worker = Worker()

    def add(self, uid: str, *, anew: bool = False) -> None:
        """Score a sign-up when its turn comes; one that waits already keeps its place.

        With `anew` nothing that earlier runs worked out is used again.
        """
        with self._lock:
            self._anew |= {uid} if anew else set()
        self.add_all([uid])

    def add_all(self, uids: Iterable[str]) -> None:
        """Score these one after the other, behind those that wait already."""
        with self._lock:
            new = [uid for uid in dict.fromkeys(uids) if uid not in self._listed]
            self._listed.update(dict.fromkeys(new))
        for uid in new:
            self._waiting.put(uid)
        if new:
            self._tell("queue", self.state())

    def cancel(self) -> None:
        """End the run that is going and forget those that wait."""
        with self._lock:
            self._listed.clear()
            # Of a list whose files the next run was to write no files will come.
            left = self._fresh if not self._now else None
        if left is not None:
            self._end("cancelled", {"uid": left.uid})
        while not self._waiting.empty():
            self._waiting.get_nowait()
        self._cancelled.set()
        self._tell("queue", self.state())

    def state(self) -> dict[str, Any]:
        """Which sign-up is being scored, which is next, and how many wait."""
        with self._lock:
            first = next(iter(self._listed), "")
            return {"now": self._now, "next": first, "waiting": len(self._listed)}

    def listed(self, uid: str) -> Listed | None:
        """The places of the run of a sign-up whose files are being written now, if there is one."""
        fresh = self._fresh
        return fresh if fresh is not None and fresh.uid == uid else None

    def close(self) -> None:
        """End the worker and the thread."""
        self.cancel()
        self._waiting.put(None)
        self._thread.join(5.0)
        if self._worker is not None:
            self._worker.kill()

    # --- in the thread ---------------------------------------------------------------------------

    def _loop(self) -> None:
        while (uid := self._waiting.get()) is not None:
            # It was cancelled while it waited.
            with self._lock:
                if uid not in self._listed:
                    continue
                del self._listed[uid]
                self._now = uid
                forget = uid in self._anew
                self._anew.discard(uid)
            if forget:
                # What it remembers is in its memory and nowhere else.
                self._drop_worker()
            self._cancelled.clear()
            try:
                self._score(uid)
            except SitingError as error:
                self._end("failed", {"uid": uid, "code": error.code, "message": str(error)})
            except Exception as error:  # a fault of ours must not end the desk
                _LOG.exception("scoring %s", uid)
                self._end("failed", {"uid": uid, "code": "E-INTERNAL", "message": str(error)})
            with self._lock:
                self._now = ""
                # It was superseded, and the run that was to follow cancelled.
                left = self._fresh if uid not in self._listed else None
            if left is not None:
                self._end("cancelled", {"uid": uid})
            self._tell("queue", self.state())

    def _score(self, uid: str) -> None:
        signup, land = self._store.signup(uid), self._store.land(uid)
        # Always scored from these files and never from the office file: this alone makes the desk's
        # results those of the command line, byte for byte.
        inputs = write_inputs(
            self._office,
            uid,
            land,
            label=signup["label"],
            cell=signup["cell"],
            parcel_id=signup["parcel_id"],
            said=self._store.said(uid),
        )
        # A run carries the state of the land it began from: after an edit it shows as older than
        # the map.
        run = self._store.begin_run(uid, land_rev=land.rev, said_rev=signup["said_rev"])
        # A folder for each run: one that fails or is cancelled leaves the last good one whole.
        out = parcel_folder(self._office, uid) / RUNS / run
        row = {"uid": run, "land_rev": land.rev, "said_rev": signup["said_rev"]}
        began = time.monotonic()

        def listed(found: dict[str, Any]) -> None:
            features = found.pop("features")
            self._fresh = Listed(uid, {**row, **found}, features)
            self._tell("listed", {"uid": uid, "seconds": round(time.monotonic() - began, 2)})

        kind, value = self._worked(Score(inputs, self.protocol, out), uid, listed)
        if kind == "died" and not self._cancelled.is_set():
            # One more try: memory that was taken by something else may be free again.
            self._tell("stage", {"uid": uid, "stage": "starting again"})
            shutil.rmtree(out, ignore_errors=True)
            kind, value = self._worked(Score(inputs, self.protocol, out), uid, listed)
        seconds = round(time.monotonic() - began, 2)
        self._ended(uid, run, kind, value, seconds)

    def _worked(
        self, job: Score, uid: str, listed: Callable[[dict[str, Any]], None]
    ) -> tuple[str, Any]:
        self.warm()
        worker = self._worker
        if worker is None:  # pragma: no cover - warm() made one
            return "died", None
        worker.send(job)
        is_listed = is_enough = False
        while not self._cancelled.is_set():
            if is_listed and not is_enough and self._comes_again(uid):
                # Who waits for the next list does not wait for files of this one.
                worker.send(Enough())
                is_enough = True
            said = worker.receive(_QUICK_SLICE_S if is_listed else _SLICE_S)
            if said is None:
                continue
            if said[0] == "stage":
                self._tell("stage", {"uid": uid, "stage": said[1]})
                continue
            if said[0] == "listed":
                listed(said[1])
                is_listed = True
                continue
            if said[0] == "died":
                self._drop_worker()
            return said
        self._drop_worker()
        return "cancelled", None

    def _comes_again(self, uid: str) -> bool:
        """Whether the same sign-up is scored next: its list stays what it is until then."""
        with self._lock:
            return next(iter(self._listed), None) == uid

    def _drop_worker(self) -> None:
        if self._worker is not None:
            self._worker.kill()
            self._worker = None

    def _end(self, name: str, values: dict[str, Any]) -> None:
        """Tell how a run ended: from now on its folder, or the earlier one, is what there is."""
        self._fresh = None
        self._tell(name, values)

    def _ended(self, uid: str, run: str, kind: str, value: Any, seconds: float) -> None:
        folder = parcel_folder(self._office, uid) / RUNS
        if kind == "done":
            # The row is what a batch keeps of a parcel: letters and assignment are made from it.
            self._store.end_run(run, "done", seconds=seconds, **value)
            # Only the last run is shown: older ones would pile up on a laptop's disk.
            for other in folder.iterdir():
                if other.name != run:
                    shutil.rmtree(other, ignore_errors=True)
            self._end("scored", {"uid": uid, "run": run, "seconds": seconds})
            return
        shutil.rmtree(folder / run, ignore_errors=True)
        if kind == "superseded":
            # Its list is shown until the next one, which comes with every file.
            self._store.end_run(run, "cancelled", seconds=seconds)
            return
        if kind == "cancelled":
            self._store.end_run(run, "cancelled", seconds=seconds)
            self._end("cancelled", {"uid": uid})
            return
        code, message = (value.code, str(value)) if kind == "failed" else ("E-CRASH-01", CRASHED)
        self._store.end_run(run, "failed", code=code, message=message, seconds=seconds)
        self._end("failed", {"uid": uid, "code": code, "message": message})
