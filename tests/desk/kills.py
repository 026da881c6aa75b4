"""kill -9 of the desk and of its workers at random moments of what they do.

python -m tests.desk.kills [rounds of each] [acts, all of them if none is named]

Saving, scoring, the files that follow the list, importing: each by killing server and worker.

After each kill: the office file is whole, every edit and every file that the desk confirmed is
there, no file is half written, the desk opens and goes on.
"""

from __future__ import annotations

import io
import json
import os
import random
import re
import signal
import sqlite3
import subprocess
import sys
import tempfile
import threading
import time
import zipfile
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

import geopandas as gpd
import httpx2 as httpx
import shapely
import tomli_w

from siting.decisions.model import FORMAT
from siting.desk.storage.office_file import FILE
from siting.desk.storage.store import Store
from siting.disk.files import file_hash
from tests.batch_tools import QUICK_RULES
from tests.speed.make_country import make_country

ACTS = ("saving", "scoring", "files", "importing")
# How long after the act began, or the list was there, a kill comes at the latest, seconds.
_LATEST_S = {"saving": 0.3, "scoring": 2.5, "files": 0.7, "importing": 2.0}
VICTIMS = ("server", "worker")
_PATIENCE_S = 120.0


def children(pid: int) -> list[int]:
    """Processes that a process started, from /proc."""
    found = Path(f"/proc/{pid}/task/{pid}/children")
    return [int(word) for word in found.read_text().split()] if found.exists() else []


def alive(pid: int) -> bool:
    """Whether a process runs; one that only waits for its parent to notice does not."""
    try:
        return Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()[0] != "Z"
    except OSError:
        return False


class RunningDesk:
    """A desk in a process of its own, and a browser that has entered it."""

    def __init__(self, office: Path, inputs: Path) -> None:
        words = [inputs, "-o", office, "--protocol", inputs.with_name("quick.toml")]
        self.process = subprocess.Popen(
            [sys.executable, "-m", "siting", "desk", *map(str, words), "--no-browser"],
            stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True, start_new_session=True,
        )  # fmt: skip
        assert self.process.stdout is not None
        said = ""
        while "http://" not in said:
            line = self.process.stdout.readline()
            assert line, f"the desk did not open: {said}"
            said += line
        address = re.search(r"http://\S+", said)
        assert address is not None
        here = address.group().partition("/enter")[0]
        self.client = httpx.Client(base_url=here, timeout=_PATIENCE_S)
        self.client.get(address.group())
        token = re.search(r'"token":"([^"]+)"', self.client.get("/").text)
        assert token is not None
        self.client.headers.update({"X-Desk": token.group(1), "Origin": here})

    def send(self, method: str, path: str, value: Any = None) -> Any:
        answer = self.client.request(method, path, json={} if value is None else value)
        answer.raise_for_status()
        return answer.json()

    def get(self, path: str) -> Any:
        answer = self.client.get(path)
        answer.raise_for_status()
        return answer.json()

    def drop(self, path: str, name: str, content: bytes) -> Any:
        answer = self.client.post(
            path, params={"name": name}, content=content,
            headers={"Content-Type": "application/octet-stream"},
        )  # fmt: skip
        answer.raise_for_status()
        return answer.json()

    def end(self) -> None:
        self.process.terminate()
        self.process.wait(20)
        self.client.close()


class Trial:
    """One office, the edits that its desk confirmed, and what has to hold of them."""

    def __init__(self, folder: Path, seed: int) -> None:
        self.land = folder / "land"
        inputs = make_country(self.land, km=2.4, count=2)
        # Small, so that a run is short and most of its time is spent in writing.
        (self.land / "quick.toml").write_text(tomli_w.dumps(QUICK_RULES))
        self.office = folder / "office"
        self.chance = random.Random(seed)
        self.edits = -1
        self.dropped: dict[str, bytes] = {}
        self.taken: list[str] = []
        self.uid = ""
        self.inputs = inputs
        self.desk = RunningDesk(self.office, inputs)
        parcels = gpd.read_file(self.land / "parcels.gpkg", layer="parcels").to_crs(4326)
        self.ring = [list(place) for place in parcels.geometry[0].exterior.coords[:-1]]
        self.place = shapely.Polygon(self.ring).representative_point().coords[0]
        self.uid = self.desk.send("POST", "/api/signups", {"label": "Killed"})["uid"]
        self.parcel = self.desk.get("/api/signups")["rows"][0]["parcel_id"]
        self.save()
        self.scored()

    # --- acts: each notes what the desk has confirmed ----------------------------------------

    def save(self) -> None:
        """A numbered edit of two shapes."""
        n, rev = self.edits + 1, self.desk.get(f"/api/land/{self.uid}")["rev"]
        shapes = [
            {"uid": "a" * 16, "layer": "parcel", "kind": "area", "corners": self.ring},
            {"uid": "b" * 16, "layer": "feeders", "kind": "point", "corners": [list(self.place)]},
        ]
        body = {"rev": rev, "answers": {}, "shapes": [{**s, "name": str(n)} for s in shapes]}
        self.desk.send("PUT", f"/api/land/{self.uid}", body)
        self.edits = n

    def score(self) -> None:
        self.desk.send("POST", f"/api/score/{self.uid}")
        self.wait_for_runs()

    def import_one(self) -> None:
        """A visit file dropped and taken in, and an outline read from a file."""
        number = len(self.dropped) + self.chance.randrange(10**9)
        record = {"state": "checked", "at": "2027-04-03", "location": f"K-{number}",
                  "lat": self.place[1], "lon": self.place[0]}  # fmt: skip
        content = json.dumps(
            {"format": FORMAT, "parcel": self.parcel, "records": [record]}
        ).encode()
        uid = self.desk.drop("/api/back", f"{number}.json", content)["uid"]
        self.dropped[uid] = content
        self.desk.send("POST", f"/api/back/{uid}/accept", {"signups": {self.parcel: self.uid}})
        self.taken.append(f"K-{number}")
        shape = {"type": "Polygon", "coordinates": [[*self.ring, self.ring[0]]]}
        self.desk.drop("/api/upload", "land.geojson", json.dumps(shape).encode())

    def wait_for_runs(self) -> None:
        ends = time.monotonic() + _PATIENCE_S
        while time.monotonic() < ends:
            state = self.desk.get("/api/signups")["queue"]
            if not state["now"] and not state["waiting"]:
                return
            time.sleep(0.02)
        raise AssertionError("a run does not end")

    def wait_for_the_list(self) -> None:
        """Until the places of a run are there and its files are not."""
        ends = time.monotonic() + _PATIENCE_S
        while not self.desk.get(f"/api/places/{self.uid}").get("is_writing"):
            assert time.monotonic() < ends, "no list before its files"
            time.sleep(0.002)

    def scored(self) -> None:
        self.score()
        found = self.desk.get(f"/api/places/{self.uid}")
        assert found["run"], found
        assert not found["is_old"]

    # --- a kill, and what holds after it -----------------------------------------------------

    def round(self, act: str, victim: str) -> float:
        """One kill; seconds after the act began."""
        do = {"saving": self.save, "importing": self.import_one}.get(act, self.score)
        after_s = self.chance.uniform(0.0, _LATEST_S[act])
        stop = threading.Event()
        faults: list[BaseException] = []
        acting = threading.Thread(target=_again_and_again, args=(do, stop, faults))
        pid = self.desk.process.pid
        began = time.monotonic()
        acting.start()
        if act == "files":
            self.wait_for_the_list()
        time.sleep(after_s)
        workers = children(pid)
        if victim == "server":
            os.kill(pid, signal.SIGKILL)
            acting.join()
            self.after_the_server(pid, workers)
        else:
            for worker in workers:
                if alive(worker):
                    os.kill(worker, signal.SIGKILL)
            stop.set()
            acting.join()
            self.after_a_worker()
        assert not faults, faults
        return time.monotonic() - began

    def after_the_server(self, pid: int, workers: list[int]) -> None:
        self.desk.process.wait()
        ends = time.monotonic() + 5.0
        while any(map(alive, workers)) and time.monotonic() < ends:
            time.sleep(0.02)
        assert not any(map(alive, workers)), "a worker outlived its desk"
        self.desk.client.close()
        self.desk = RunningDesk(self.office, self.inputs)
        self.holds()
        self.goes_on()

    def after_a_worker(self) -> None:
        assert self.desk.process.poll() is None, "the desk died with its worker"
        self.wait_for_runs()
        self.holds()
        self.goes_on()

    def holds(self) -> None:
        """Nothing confirmed is lost and nothing is half; looked at beside the open desk."""
        database = sqlite3.connect(f"file:{self.office / FILE}?mode=ro", uri=True)
        assert database.execute("PRAGMA integrity_check").fetchone() == ("ok",)
        going = database.execute("SELECT count(*) FROM run WHERE state = 'started'").fetchone()
        done = {uid for (uid,) in database.execute("SELECT uid FROM run WHERE state = 'done'")}
        database.close()
        assert going == (0,), "a run that was cut short still counts as going"
        half = [run.name for run in self.office.glob("parcels/*/runs/*") if run.name not in done]
        assert not half, f"files of runs that did not end: {half}"
        store = Store(self.office)
        try:
            names = {shape.name for shape in store.land(self.uid).shapes}
            assert len(names) == 1, f"half an edit: {names}"
            number = int(names.pop())
            assert number >= self.edits, f"edit {self.edits} was confirmed, {number} is there"
            # One that was saved but not confirmed before the kill may count or not; it does.
            self.edits = number
            said = "".join(text for _, text in store.said(self.uid))
            missing = [place for place in self.taken if f'"{place}"' not in said]
            assert not missing, f"taken in and lost: {missing}"
        finally:
            store.close()
        for uid, content in self.dropped.items():
            assert (self.office / "received" / uid).read_bytes() == content, uid
        parts = [p for p in self.office.rglob("*") if p.name.endswith(".siting-part")]
        assert not parts, parts
        for run in self.office.glob("parcels/*/runs/*"):
            record = json.loads((run / "run.json").read_text())
            for name, digest in record["outputs"].items():
                assert file_hash(run / name) == digest, f"{run.name}/{name}"

    def shows_whole_files(self) -> None:
        """The list that is shown has its files, and they can be handed over."""
        found = self.desk.get(f"/api/places/{self.uid}")
        assert found["spots"], found
        assert not found["is_writing"]
        assert found["files_ready"]
        assert "run.json" in found["files"]
        answer = self.desk.client.get(f"/api/hand-over/{self.uid}")
        answer.raise_for_status()
        with zipfile.ZipFile(io.BytesIO(answer.content)) as archive:
            assert archive.testzip() is None

    def goes_on(self) -> None:
        self.shows_whole_files()
        self.save()
        assert self.desk.get(f"/api/land/{self.uid}")["shapes"][0]["name"] == str(self.edits)


def _again_and_again(
    do: Callable[[], None], stop: threading.Event, faults: list[BaseException]
) -> None:
    while not stop.is_set():
        try:
            do()
        except httpx.TransportError:
            return
        except httpx.HTTPStatusError as error:
            # A worker that was killed while it read a file: the desk says so.
            if error.response.status_code not in (413, 422, 503):
                faults.append(error)
            return
        except Exception as error:
            faults.append(error)
            return


def main(rounds: int, seed: int = 1, acts: Sequence[str] = ACTS) -> None:
    """The given number of kills of each victim in each act, and a line for each pair of them."""
    with tempfile.TemporaryDirectory() as folder:
        trial = Trial(Path(folder), seed)
        try:
            for victim in VICTIMS:
                for act in acts:
                    took = [trial.round(act, victim) for _ in range(rounds)]
                    # The land can be scored all the same, from where it stands.
                    trial.scored()
                    print(
                        f"{victim:7} {act:10} {len(took):3} kills, {trial.edits + 1} edits and "
                        f"{len(trial.taken)} files confirmed, none lost; {sum(took):.0f} s",
                        flush=True,
                    )
        finally:
            trial.desk.end()


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 40, acts=sys.argv[2:] or ACTS)
