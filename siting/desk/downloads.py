"""The one download that runs: looking, asking, coming; cancelled and taken up again."""

from __future__ import annotations

import json
import logging
import threading
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from typing import Any

import shapely

from siting.desk.jobs import Tell
from siting.desk.storage.blob import from_blob
from siting.desk.storage.office import parcel_folder, region_folder, write_land
from siting.desk.storage.store import Store
from siting.desk.worker import Gather, Worker
from siting.disk.files import remove_folder
from siting.errors import SitingError

_LOG = logging.getLogger(__name__)
_SLICE_S = 0.2
_CLOSE_S = 5.0
_WAITING = ".gather"
BUSY = ("looking", "asking", "coming")


@dataclass(frozen=True)
class State:
    """How far it is: "none", "looking", "asking", "coming", "done", "failed" or "cancelled"."""

    uid: str = ""
    state: str = "none"
    words: str = ""
    bytes: int = 0
    total: int = 0


class Downloads:
    """Gathers open data for one sign-up at a time, in a worker that may be killed."""

    def __init__(self, office: Path, store: Store, tell: Tell) -> None:
        self._office, self._store, self._tell = office, store, tell
        self._lock = threading.Lock()
        self._worker: Worker | None = None
        self._thread: threading.Thread | None = None
        self._state = State()

    def state(self, uid: str) -> dict[str, Any]:
        """How far the download of a sign-up is, and whether one that broke off can go on."""
        now = self._state if self._state.uid == uid else State(uid)
        waits = (region_folder(self._office, uid) / _WAITING).is_dir()
        return {**asdict(now), "can_go_on": waits and now.state not in BUSY}

    def begin(self, uid: str, recipe: str) -> None:
        """Look for data and ask how much to download.

        Raises
        ------
        SitingError
            E-DESK-06 while another download runs, or without outline and place.
        """
        with self._lock:
            if self._state.state in BUSY:
                raise _refused("Data for a sign-up are being downloaded.", "Wait, or cancel it.")
            job = self._job(uid, recipe)
            # A worker for each download: cancelling kills it, and no score may die with it.
            self._worker = worker = Worker()
            self._state = State(uid, "looking")
            follow = threading.Thread(target=self._follow, args=(worker, job, uid), daemon=True)
            self._thread = follow
            follow.start()

    def answer(self, uid: str, *, agreed: bool) -> None:
        """The answer to the question; anything but a yes downloads nothing."""
        with self._lock:
            if self._state.uid != uid or self._state.state != "asking" or self._worker is None:
                raise _refused("Nothing is being asked.", "Press Get data for this area again.")
            # Before the worker hears it: what it says next belongs to the download.
            self._state = replace(self._state, state="coming", words="")
            self._worker.send(agreed)
        self._tell("data", self.state(uid))

    def cancel(self, uid: str) -> None:
        """End it; what has come stays for the next time. The worker is gone when this returns."""
        with self._lock:
            if self._state.uid != uid or self._state.state not in BUSY:
                return
            self._state = replace(self._state, state="cancelled", words="")
            worker = self._worker
        # Here and not when the other thread looks up: its lock on the folder would refuse the next
        # download, and what it finished meanwhile would contradict the answer.
        if worker is not None:
            worker.end()
        self._tell("data", self.state(uid))

    def forget(self, uid: str) -> None:
        """Go back to the office's maps."""
        self._store.signup(uid)
        if self._state.uid == uid and self._state.state in BUSY:
            raise _refused("Data for it are being downloaded.", "Cancel the download first.")
        remove_folder(region_folder(self._office, uid))
        self._state = State()

    def close(self) -> None:
        """End the worker with the desk."""
        self.cancel(self._state.uid)
        if self._thread is not None:
            # It ends the worker and closes its pipe, which two may not do at a time.
            self._thread.join(_CLOSE_S)

    def _job(self, uid: str, recipe: str) -> Gather:
        row, land = self._store.signup(uid), self._store.land(uid)
        folder = parcel_folder(self._office, uid)
        if any(shape.layer == "parcel" for shape in land.shapes):
            write_land(self._office, uid, land, label=row["label"], parcel_id=row["parcel_id"])
            return Gather(self._office, folder, None, recipe)
        if row["geom"] is None:
            raise _refused("This sign-up has no place.", "Draw its outline first.")
        (lon, lat), *_ = shapely.get_coordinates(from_blob(row["geom"])).tolist()
        return Gather(self._office, folder, (lon, lat), recipe)

    # --- in the thread ---------------------------------------------------------------------------

    def _follow(self, worker: Worker, job: Gather, uid: str) -> None:
        worker.send(job)
        try:
            while self._state.state in BUSY:
                said = worker.receive(_SLICE_S)
                if said is not None and self._state.state in BUSY:
                    self._heard(*said)
        except Exception as error:  # a fault of ours must not end the desk
            _LOG.exception("gathering for %s", uid)
            self._change(state="failed", words=str(error))
        finally:
            worker.kill()

    def _heard(self, kind: str, value: Any) -> None:
        if kind == "stage":
            self._change(words=str(value))
        elif kind == "came":
            self._change(more=int(value))
        elif kind == "question":
            self._change(state="asking", words=value["words"], bytes=0, total=value["bytes"])
        elif kind == "done":
            self._change(state="done", words=str(value))
        elif kind == "failed":
            self._change(state="failed", words=str(value))
        else:
            words = "E-CRASH-01: The program that gathers ended. Try it again."
            self._change(state="failed", words=words)

    def _change(self, *, more: int = 0, **values: Any) -> None:
        """Change the state in one step; what was cancelled stays so, whatever comes late."""
        with self._lock:
            if self._state.state not in BUSY:
                return
            now = replace(self._state, bytes=self._state.bytes + more)
            self._state = now = replace(now, **values)
        self._tell("data", self.state(now.uid))


def about(office: Path, uid: str) -> dict[str, Any]:
    """What was gathered for a sign-up: day, lines of the publishers; {} when nothing was."""
    folder = region_folder(office, uid)
    try:
        record = json.loads((folder / "sources.json").read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return {}
    if not (folder / "inputs.toml").is_file():
        return {}
    lines = [one.get("attribution", "") for one in record["sources"]]
    shown = list(dict.fromkeys(line for line in lines if line))
    return {"made": record["made"][:10], "lines": shown, "boxes": record["region"]["boxes"]}


def _refused(what: str, cure: str) -> SitingError:
    return SitingError(
        "E-DESK-06",
        what,
        rule="The desk gathers data for one sign-up at a time, around its outline or place.",
        cure=cure,
    )
