"""Draws the pictures of desk.md: a desk on the sample farm, worked through its own routes.

Run `python docs/make_desk_pictures.py`. Needs playwright, which comes with the extra `dev`, and
Chromium. Everything drawn is invented.
"""

from __future__ import annotations

import io
import json
import re
import subprocess
import sys
import tempfile
from pathlib import Path
from typing import Any

from PIL import Image
from playwright.sync_api import Page, sync_playwright

from siting.decisions.model import FORMAT

ROOT = Path(__file__).parents[1]
IMAGES = ROOT / "docs" / "img"
SIZE = {"width": 1400, "height": 860}
# Label, cell, and west, south, east, north of an outline; none is not drawn yet.
SIGNUPS = (
    ("Brook end", "C1", (-80.5098, 43.5291, -80.5012, 43.5352)),
    ("Orchard", "C2", (-80.5005, 43.5268, -80.4985, 43.5282)),
    ("Mill meadow", "C1", None),
    ("Top field", "C3", (-80.5120, 43.5345, -80.5105, 43.5358)),
    ("Old quarry", "C3", (-80.5150, 43.5245, -80.5130, 43.5260)),
)


class Desk:
    """A page of a running desk, and what it can ask for."""

    def __init__(self, page: Page, address: str) -> None:
        self.page = page
        page.goto(address)
        self.ready()
        found = re.search(r'"token":"([^"]+)"', page.content())
        assert found is not None
        self.token = found.group(1)

    def ready(self) -> None:
        self.page.wait_for_selector("html[data-drawn]")
        # The relief comes tile by tile.
        self.page.wait_for_timeout(2000)

    def ask(self, method: str, path: str, body: Any = None, **more: Any) -> Any:
        here = self.page.url.split("/", 3)
        answer = self.page.request.fetch(
            f"{here[0]}//{here[2]}{path}",
            method=method,
            headers={"X-Desk": self.token, "Origin": f"{here[0]}//{here[2]}", **more},
            data=body,
        )
        assert answer.ok, answer.text()
        return answer.json()

    def scored(self, uid: str) -> dict[str, Any]:
        self.ask("POST", f"/api/score/{uid}", {})
        while True:
            queue = self.ask("GET", "/api/signups")["queue"]
            if not queue["now"] and not queue["waiting"]:
                return self.ask("GET", f"/api/places/{uid}")
            self.page.wait_for_timeout(200)

    def open_list(self) -> None:
        self.page.reload()
        self.ready()

    def shot(self, name: str) -> None:
        self.page.wait_for_timeout(1500)
        picture = Image.open(io.BytesIO(self.page.screenshot())).convert("RGB")
        # Twice brought to the middle of what they stand for: without it paper turned green.
        few = picture.quantize(255, method=Image.Quantize.MAXCOVERAGE, kmeans=2)
        few.save(IMAGES / name, optimize=True)


def sign_up(desk: Desk) -> list[str]:
    uids = []
    for number, (label, cell, box) in enumerate(SIGNUPS):
        uid = desk.ask("POST", "/api/signups", {"label": label, "cell": cell})["uid"]
        uids.append(uid)
        if box is not None:
            west, south, east, north = box
            corners = [[west, north], [east, north], [east, south], [west, south]]
            shape = {"uid": f"{number:016x}", "layer": "parcel", "kind": "area", "corners": corners}
            rev = desk.ask("GET", f"/api/land/{uid}")["rev"]
            body = {"rev": rev, "answers": {}, "shapes": [{**shape, "name": ""}]}
            desk.ask("PUT", f"/api/land/{uid}", body)
    desk.ask("PATCH", f"/api/signups/{uids[-1]}", {"set_aside_why": "the owner withdrew"})
    return uids


def visits(desk: Desk, uid: str, spot: dict[str, Any]) -> bytes:
    rows = {row["uid"]: row for row in desk.ask("GET", "/api/signups")["rows"]}
    record = {
        "state": "camera up",
        "at": "2027-04-03T10:20:00-05:00",
        "location": spot["spot_id"],
        "lat": spot["lat"],
        "lon": spot["lon"],
        "camera": "C-017",
    }
    made = {"format": FORMAT, "parcel": rows[uid]["parcel_id"], "records": [record]}
    return json.dumps(made).encode()


def draw(desk: Desk) -> None:
    uids = sign_up(desk)
    found = desk.scored(uids[0])
    taken = {"run": found["run"], "rank": 1, "kind": "accepted"}
    desk.ask("POST", f"/api/decision/{uids[0]}", taken)
    found = desk.scored(uids[0])
    desk.open_list()
    desk.shot("desk-list.png")
    desk.page.get_by_role("button", name="Brook end").first.click()
    desk.page.wait_for_timeout(1000)
    desk.page.get_by_role("button", name="Places", exact=True).first.click()
    desk.page.locator(".places .taken").wait_for()
    # What the office's maps show comes after the list.
    desk.page.locator("#map .known").first.wait_for(state="attached")
    desk.shot("desk-places.png")
    content = visits(desk, uids[0], found["spots"][0])
    octets = {"Content-Type": "application/octet-stream"}
    desk.ask("POST", "/api/back?name=decisions_brook-end.json", content, **octets)
    desk.page.get_by_role("button", name="Came back").first.click()
    desk.shot("desk-back.png")


def main() -> None:
    with tempfile.TemporaryDirectory() as folder, sync_playwright() as play:
        words = [ROOT / "sample_rasters" / "inputs.toml", "-o", Path(folder) / "office"]
        process = subprocess.Popen(
            [sys.executable, "-m", "siting", "desk", *map(str, words), "--no-browser"],
            stdout=subprocess.PIPE,
            text=True,
        )
        assert process.stdout is not None
        address = next(line.strip() for line in process.stdout if "http://" in line)
        browser = play.chromium.launch(executable_path="/usr/bin/chromium", args=["--no-sandbox"])
        try:
            draw(Desk(browser.new_page(viewport=SIZE), address))
        finally:
            browser.close()
            process.terminate()
            process.wait(20)


if __name__ == "__main__":
    main()
