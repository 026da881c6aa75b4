"""How long the page waits for an answer of the desk while land is scored.

python -m tests.speed.bench_answers [rounds of scoring]

A desk in a process of its own; one after the other the page, the list, land and places are asked
for and a note is saved, without a pause to speak of. Milliseconds, as a browser would wait.
"""

from __future__ import annotations

import os
import shutil
import statistics
import sys
import tempfile
import threading
import time
from collections.abc import Callable
from pathlib import Path

import geopandas as gpd

from tests.desk.edits import SAMPLE
from tests.desk.kills import RunningDesk

_PAUSE_S, _IDLE_S = 0.02, 3.0
_AIM_MS = 50.0


class _Asker:
    """A page that keeps asking, and what it waited for in each phase."""

    def __init__(self, desk: RunningDesk, uid: str) -> None:
        self.desk, self.uid = desk, uid
        self.phase, self.stopped = "idle", False
        self.waited_ms: dict[tuple[str, str], list[float]] = {}
        self.thread = threading.Thread(target=self._ask)
        self.thread.start()

    def _timed(self, name: str, ask: Callable[[], object]) -> None:
        phase, began = self.phase, time.perf_counter()
        ask()
        waited = (time.perf_counter() - began) * 1000.0
        self.waited_ms.setdefault((phase, name), []).append(waited)

    def _ask(self) -> None:
        desk, uid = self.desk, self.uid
        while not self.stopped:
            self._timed("page", lambda: desk.client.get("/").raise_for_status())
            self._timed("list", lambda: desk.get("/api/signups"))
            self._timed("land", lambda: desk.get(f"/api/land/{uid}"))
            self._timed("places", lambda: desk.get(f"/api/places/{uid}"))
            self._timed("save", lambda: desk.send("PATCH", f"/api/signups/{uid}", {"note": "seen"}))
            time.sleep(_PAUSE_S)

    def end(self) -> None:
        self.stopped = True
        self.thread.join()


def _save(desk: RunningDesk, uid: str, by_deg: float) -> None:
    farm = gpd.read_file(SAMPLE.parent / "layers.gpkg", layer="parcel").to_crs("EPSG:4326")
    ring = [[round(x, 7), round(y, 7)] for x, y in farm.geometry.iloc[0].exterior.coords[:-1]]
    ring[18][0] = round(ring[18][0] + by_deg, 7)
    shape = {"uid": "a" * 16, "layer": "parcel", "kind": "area", "corners": ring}
    rev = desk.get(f"/api/land/{uid}")["rev"]
    desk.send("PUT", f"/api/land/{uid}", {"rev": rev, "answers": {}, "shapes": [shape]})


def _scored(desk: RunningDesk, uid: str) -> None:
    desk.send("POST", f"/api/score/{uid}")
    while any(desk.get("/api/signups")["queue"][word] for word in ("now", "waiting")):
        time.sleep(0.1)


def main() -> None:
    rounds = int(sys.argv[1]) if len(sys.argv) > 1 else 6
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        for file in filter(Path.is_file, SAMPLE.parent.iterdir()):
            shutil.copy(file, folder)
        # The survey's own rules, as a coordinator has them.
        (folder / "quick.toml").write_text("", encoding="utf-8")
        desk = RunningDesk(folder / "office", folder / "inputs.toml")
        uid = desk.send("POST", "/api/signups", {"label": "Brook farm"})["uid"]
        asker = _Asker(desk, uid)
        time.sleep(_IDLE_S)
        for n in range(rounds):
            _save(desk, uid, n * 1e-5)
            asker.phase = "scoring"
            _scored(desk, uid)
            asker.phase = "idle"
        asker.end()
        desk.end()
    print("while    asked     count   median      p95    worst   ms")
    for (phase, asked), waited in sorted(asker.waited_ms.items()):
        part = statistics.quantiles(waited, n=20)[-1]
        row = f"{statistics.median(waited):8.1f} {part:8.1f} {max(waited):8.1f}"
        over = sum(one > _AIM_MS for one in waited)
        print(f"{phase:8s} {asked:8s} {len(waited):6d} {row}   {over} above {_AIM_MS:g}")
    print("load:", *os.getloadavg())


if __name__ == "__main__":
    main()
