"""Last season's answer: a data package reviewed in a worker of its own, and what it says."""

from __future__ import annotations

import csv
import io
import logging
import threading
from pathlib import Path
from typing import Any

import shapely

from siting.desk.jobs import Tell
from siting.desk.storage.blob import from_blob
from siting.desk.storage.office import write_all_lands
from siting.desk.storage.store import Store
from siting.desk.work.reviewing import HEADLINE
from siting.desk.worker import Review, Worker
from siting.disk.files import make_folder, remove, write_atomic

_LOG = logging.getLogger(__name__)
FOLDER = "season"
PAGE = "review.html"
_SLICE_S = 0.2
_CLOSE_S = 5.0
# Scoring the places of a season takes minutes; an hour means that it will not end.
_MOST_S = 3600.0


class Seasons:
    """Reviews one package at a time, in a worker that may be killed."""

    def __init__(self, office: Path, store: Store, protocol: Path | None, tell: Tell) -> None:
        self._office, self._store = office, store
        self._protocol, self._tell = protocol, tell
        self._lock = threading.Lock()
        self._thread: threading.Thread | None = None
        self._state: dict[str, str] = {"state": "none", "words": ""}

    def state(self) -> dict[str, Any]:
        """How far it is, and the answer of the last review that ended well."""
        return {**self._state, **answer_in(self._office / FOLDER)}

    def begin(self, name: str, content: bytes) -> bool:
        """Review a package; False while another one is looked at."""
        with self._lock:
            if self._state["state"] == "working":
                return False
            self._state = {"state": "working", "words": ""}
        try:
            job = self._job(name, content)
        except BaseException:
            # A disk that is full now must not keep the next package out for good.
            self._state = {"state": "none", "words": ""}
            raise
        self._thread = threading.Thread(target=self._follow, args=(job,), daemon=True)
        self._thread.start()
        return True

    def cancel(self) -> None:
        """End it; the earlier answer stays."""
        with self._lock:
            if self._state["state"] == "working":
                self._state = {"state": "cancelled", "words": ""}
        self._tell("season", self._state)

    def close(self) -> None:
        """End the worker with the desk."""
        self.cancel()
        if self._thread is not None:
            # It ends the worker and closes its pipe, which two may not do at a time.
            self._thread.join(_CLOSE_S)

    def _job(self, name: str, content: bytes) -> Review:
        folder = self._office / FOLDER
        make_folder(folder)
        # By its first bytes, for the name of a dropped file is only shown.
        path = folder / ("package.zip" if content.startswith(b"PK") else "package.csv")
        for old in ("package.zip", "package.csv"):
            remove(folder / old)
        write_atomic(path, content)
        write_atomic(folder / "name.txt", name)
        inputs = write_all_lands(self._office, folder, _lands(self._store))
        return Review(path, inputs, self._protocol, folder / "answer")

    def _follow(self, job: Review) -> None:
        worker = Worker()
        worker.send(job)
        try:
            kind, value = self._heard(worker)
        except Exception as error:  # a fault of ours must not end the desk
            _LOG.exception("last season")
            kind, value = "failed", error
        finally:
            worker.kill()
        with self._lock:
            if self._state["state"] != "working":
                return
            words = "The program that reviews ended." if kind == "died" else str(value)
            self._state = {"state": "done" if kind == "done" else "failed", "words": words}
        self._tell("season", self._state)

    def _heard(self, worker: Worker) -> tuple[str, Any]:
        waited_s = 0.0
        while self._state["state"] == "working" and waited_s < _MOST_S:
            said = worker.receive(_SLICE_S)
            if said is None:
                waited_s += _SLICE_S
            elif said[0] != "stage":
                return said
        return "failed", "It took longer than an hour."


def _lands(store: Store) -> list[tuple[str, str, dict[str, Any]]]:
    """Every outline of the office, of several parts where it has them."""
    return [
        (row["parcel_id"], row["cell"], shapely.geometry.mapping(from_blob(row["outline"])))
        for row in store.signups()
        if row["outline"] is not None
    ]


def answer_in(folder: Path) -> dict[str, Any]:
    """What the last review said: {"headline", "package", "rows": by parcel}; {} before the first.

    Each row has parcel_id, cameras, camera_days and events.
    """
    try:
        headline = (folder / "answer" / HEADLINE).read_text(encoding="utf-8")
        table = (folder / "answer" / "review.csv").read_text(encoding="utf-8-sig")
        name = (folder / "name.txt").read_text(encoding="utf-8")
    except OSError:
        return {}
    return {"headline": headline, "package": name, "rows": _by_parcel(table)}


def _by_parcel(table: str) -> list[dict[str, Any]]:
    found: dict[str, dict[str, Any]] = {}
    for row in csv.DictReader(io.StringIO(table)):
        parcel = row["parcel_id"].removeprefix("'")
        if row["used"] != "yes":
            continue
        one = found.setdefault(
            parcel, {"parcel_id": parcel, "cameras": 0, "camera_days": 0.0, "events": 0.0}
        )
        one["cameras"] += 1
        one["camera_days"] += float(row["camera_days"] or 0)
        one["events"] += float(row["events"] or 0)
    return [found[name] for name in sorted(found)]
