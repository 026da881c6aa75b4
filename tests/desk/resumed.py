"""All sign-ups scored by one button, the desk killed in the middle, and the rest done afterwards.

python -m tests.desk.resumed [sign-ups]

Prints besides how long the desk takes to its first page, and its answers while it scores.
"""

from __future__ import annotations

import os
import signal
import sys
import tempfile
import time
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import tomli_w

from tests.batch_tools import QUICK_RULES
from tests.desk.kills import RunningDesk
from tests.speed.make_country import make_country

_PATIENCE_S = 60.0


class Many:
    """An office with some sign-ups, each with its outline, and the desk that holds it."""

    def __init__(self, folder: Path, count: int) -> None:
        self.inputs = make_country(folder / "land", km=2.4, count=count)
        (folder / "land" / "quick.toml").write_text(tomli_w.dumps(QUICK_RULES))
        self.office = folder / "office"
        self.desk = RunningDesk(self.office, self.inputs)
        self.answers_s: list[float] = []
        self.first_page_s = 0.0
        parcels = gpd.read_file(self.inputs.with_name("parcels.gpkg"), layer="parcels")
        for k, shape in enumerate(parcels.to_crs(4326).geometry):
            uid = self.desk.send("POST", "/api/signups", {"label": f"Land {k}"})["uid"]
            ring = [list(place) for place in shape.exterior.coords[:-1]]
            outline = {"uid": f"{k:016x}", "layer": "parcel", "kind": "area", "corners": ring}
            body = {"rev": 0, "answers": {}, "shapes": [outline]}
            self.desk.send("PUT", f"/api/land/{uid}", body)

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

    def until(self, share: float) -> None:
        """Wait until this share of the sign-ups is scored."""
        rows = self.rows()
        ends = time.monotonic() + _PATIENCE_S * len(rows)
        while sum(row["status"] == "Scored" for row in rows) < share * len(rows):
            assert time.monotonic() < ends, [row["status"] for row in rows]
            time.sleep(0.05)
            rows = self.rows()

    def killed(self) -> None:
        """The desk ended in the middle of a run, and opened again."""
        os.kill(self.desk.process.pid, signal.SIGKILL)
        self.desk.process.wait()
        self.desk.client.close()
        began = time.perf_counter()
        self.desk = RunningDesk(self.office, self.inputs)
        self.first_page_s = time.perf_counter() - began


def resumed(count: int) -> str:
    """What was measured, as a line; raises where a sign-up is scored twice or not at all."""
    with tempfile.TemporaryDirectory() as folder:
        many = Many(Path(folder), count)
        try:
            many.desk.send("POST", "/api/score")
            many.until(0.5)
            before = many.done()
            many.killed()
            assert {u: r for u, r in many.done().items() if u in before} == before
            many.desk.send("POST", "/api/score")
            waiting = many.desk.get("/api/signups")["queue"]["waiting"]
            assert not set(waiting) & set(before), "what was done is done again"
            many.until(1.0)
            after = many.done()
            assert len(after) == count
            assert {uid: after[uid] for uid in before} == before
        finally:
            many.desk.end()
        slow_ms = 1000 * np.percentile(many.answers_s, [50, 95])
        return (
            f"{count} sign-ups: killed after {len(before)}, the rest resumed, none done twice; "
            f"first page {many.first_page_s:.2f} s; the list while scoring {slow_ms[0]:.1f} ms "
            f"(95 %: {slow_ms[1]:.1f})"
        )


if __name__ == "__main__":
    print(resumed(int(sys.argv[1]) if len(sys.argv) > 1 else 100))
