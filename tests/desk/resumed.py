"""All sign-ups scored by one button, the desk killed in the middle, and the rest done afterwards.

python -m tests.desk.resumed [sign-ups] [runs before the kill, of some thousands and again after it]

Prints besides how long the desk takes to its first page and to the first sign-up that is scored,
its answers while it scores, and the memory of its server.
"""

from __future__ import annotations

import os
import signal
import sqlite3
import sys
import tempfile
import time
from contextlib import closing
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import psutil
import tomli_w

from siting.desk.storage.land import Shape
from siting.desk.storage.office import open_office
from siting.desk.storage.office_file import FILE
from siting.desk.storage.store import Store
from tests.batch_tools import QUICK_RULES
from tests.desk.kills import RunningDesk
from tests.speed.make_country import make_country

_PATIENCE_S = 60.0
_MANY = 200


class Many:
    """An office with some sign-ups, each with its outline, and the desk that holds it."""

    def __init__(self, folder: Path, count: int) -> None:
        self.inputs = make_country(folder / "land", km=2.4, count=count)
        (folder / "land" / "quick.toml").write_text(tomli_w.dumps(QUICK_RULES))
        self.office = folder / "office"
        self.count = count
        self.answers_s: list[float] = []
        self.first_page_s = 0.0
        parcels = gpd.read_file(self.inputs.with_name("parcels.gpkg"), layer="parcels")
        land = parcels.geometry
        if count > _MANY:
            # Small land: of thousands the list, the queue and the office file are what is tried.
            land = land.representative_point().buffer(60.0, quad_segs=1)
        open_office(self.office, self.inputs)
        # Not by the page: two requests for each of thousands would be most of the time.
        store = Store(self.office)
        for k, shape in enumerate(land.to_crs(4326)):
            ring = tuple((x, y) for x, y in shape.exterior.coords[:-1])
            uid = store.add_signup(f"Land {k}")
            store.save_land(uid, [Shape(f"{k:016x}", "parcel", "area", ring)], {}, rev=0)
        store.close()
        self.desk = RunningDesk(self.office, self.inputs)

    def rows(self) -> list[dict[str, Any]]:
        """The list as the page asks for it, timed."""
        began = time.perf_counter()
        found = self.desk.get("/api/signups")
        self.answers_s.append(time.perf_counter() - began)
        rows: list[dict[str, Any]] = found["rows"]
        return rows

    def done(self) -> dict[str, str]:
        """The run of each sign-up that is scored."""
        scored = [row["uid"] for row in self.rows() if row["status"] == "Scored"]
        return {uid: self.desk.get(f"/api/places/{uid}")["run"] for uid in scored}

    def until(self, scored: int) -> None:
        """Wait until so many of the sign-ups are scored."""
        rows = self.rows()
        ends = time.monotonic() + _PATIENCE_S * len(rows)
        while sum(row["status"] == "Scored" for row in rows) < scored:
            assert time.monotonic() < ends, [row["status"] for row in rows]
            # As often as a page asks: once for each run, and not all the time where there are many.
            time.sleep(max(0.05, len(rows) / 2000))
            rows = self.rows()

    def killed(self) -> None:
        """The desk ended in the middle of a run, and opened again."""
        os.kill(self.desk.process.pid, signal.SIGKILL)
        self.desk.process.wait()
        self.desk.client.close()
        began = time.perf_counter()
        self.desk = RunningDesk(self.office, self.inputs)
        self.first_page_s = time.perf_counter() - began

    def begun(self) -> tuple[int, float]:
        """All that are ready put in the queue: how many that are, and seconds to the first."""
        began = time.perf_counter()
        known = self.scored_now()
        state = self.desk.send("POST", "/api/score")
        while self.scored_now() == known:
            time.sleep(0.02)
        return state["waiting"] + bool(state["now"]), time.perf_counter() - began

    def scored_now(self) -> int:
        """How many runs have ended well, as the office file has it."""
        with closing(sqlite3.connect(f"file:{self.office / FILE}?mode=ro", uri=True)) as database:
            (found,) = database.execute("SELECT count(*) FROM run WHERE state = 'done'").fetchone()
        return int(found)

    def memory_mb(self) -> float:
        """What the server itself holds, without its worker."""
        return float(psutil.Process(self.desk.process.pid).memory_info().rss / 1e6)


def resumed(count: int, runs: int) -> str:
    """What was measured, as lines; raises where a sign-up is scored twice or not at all."""
    with tempfile.TemporaryDirectory() as folder:
        many = Many(Path(folder), count)
        try:
            queued, first_s = many.begun()
            began_mb = many.memory_mb()
            many.until(runs)
            ended_mb = many.memory_mb()
            before = many.done()
            many.killed()
            assert {u: r for u, r in many.done().items() if u in before} == before
            again, again_s = many.begun()
            assert again <= count - len(before), "what was done is done again"
            many.until(min(count, len(before) + runs))
            after = many.done()
            assert {uid: after[uid] for uid in before} == before
            assert count > 2 * runs or len(after) == count
            again_mb = many.memory_mb()
        finally:
            many.desk.end()
        slow_ms = 1000 * np.percentile(many.answers_s, [50, 95])
        return (
            f"{count} sign-ups, {queued} in the queue: killed after {len(before)}; then {again} in "
            f"the queue, {len(after)} scored, none twice\n"
            f"first one scored after {first_s:.2f} s, {again_s:.2f} s once resumed; first page "
            f"{many.first_page_s:.2f} s\nthe list while scoring {slow_ms[0]:.1f} ms (95 %: "
            f"{slow_ms[1]:.1f}); server {began_mb:.0f} MB at first, {ended_mb:.0f} when killed, "
            f"{again_mb:.0f} at the end\nload: {os.getloadavg()}"
        )


def main() -> None:
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 100
    print(resumed(count, int(sys.argv[2]) if len(sys.argv) > 2 else (count + 1) // 2))


if __name__ == "__main__":
    main()
