"""Open data for a sign-up at the desk: estimate, question, bar, cancel, resume; then it scores."""

from __future__ import annotations

import json
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import rasterio

from siting.desk.storage.office import INPUTS_FILE, parcel_folder, region_folder
from tests.desk.test_routes import Office, new_signup
from tests.gather import land
from tests.gather.catalogue import cog, item
from tests.gather.server import Handler, Site, serving

LON, LAT = (float(part) for part in land.POINT.split(","))
OWN = "own.toml"


def noisy_halves(folder: Path) -> list[Path]:
    """Elevations in two tiles that pack badly: after its head each needs a piece of its own."""
    noise, side, cell = np.random.default_rng(1), 600, 10.0
    tiles = []
    for name, col0 in (("west", 0), ("east", side // 2)):
        rows = land.heights(side, side // 2, col0=col0)
        rows = rows + noise.normal(0, 0.5, rows.shape).astype("float32")
        flat = land.write(
            folder / f"{name}-flat.tif", rows, left=land.LEFT + col0 * cell, cell=cell
        )
        tiles.append(cog(flat, folder / f"{name}.tif"))
    return tiles


def outline(uid: str, side_deg: float = 0.004) -> dict[str, Any]:
    ring = [[LON + dx * side_deg, LAT + dy * side_deg] for dx, dy in ((-1, -1), (1, -1), (1, 1))]
    return {"uid": uid[::-1], "layer": "parcel", "kind": "area", "corners": ring}


@pytest.fixture(scope="module")
def site(tmp_path_factory):
    folder = tmp_path_factory.mktemp("catalogue")
    with serving() as here:
        items = [item(here, path, "dem") for path in noisy_halves(folder)]
        items.append(item(here, land.cover(folder), "cover"))
        land.serve(here, items)
        land.rules(here, folder)
        here.files["own"] = (folder / OWN).read_bytes()
        yield here


@pytest.fixture(scope="module")
def office(site, tmp_path_factory):
    made = Office(tmp_path_factory.mktemp("office"))
    (made.folder / "recipes").mkdir()
    (made.folder / "recipes" / OWN).write_bytes(site.files["own"])
    yield made
    made.close()


@pytest.fixture
def signup(office):
    """A sign-up where the office's maps do not reach, its outline drawn."""
    uid = new_signup(office, "Far meadow")
    saved = {"rev": 0, "shapes": [outline(uid)], "answers": {}}
    assert office.send("PUT", f"/api/land/{uid}", saved).status_code == 200
    return uid


def state_of(office: Office, uid: str) -> dict[str, Any]:
    return dict(office.get(f"/api/data/{uid}").json())


def until(office: Office, uid: str, *wanted: str) -> dict[str, Any]:
    for _ in range(1200):
        seen = state_of(office, uid)
        if seen["state"] in wanted:
            return seen
        assert seen["state"] not in ("failed", "cancelled"), seen
        time.sleep(0.05)
    raise AssertionError(seen)


def begin(office: Office, uid: str) -> dict[str, Any]:
    answer = office.send("POST", f"/api/data/{uid}", {"recipe": OWN})
    assert answer.status_code == 202, answer.text
    return until(office, uid, "asking")


def agree(office: Office, uid: str) -> None:
    assert office.send("POST", f"/api/data/{uid}/answer", {"agreed": True}).status_code == 202


@contextmanager
def held(site: Site) -> Iterator[None]:
    """The second tile does not come while the block lasts; its head and the first one do."""
    data, waits = site.files["/files/west.tif"], threading.Event()

    def reply(handler: Handler) -> None:
        if handler.part and handler.part[0]:
            waits.wait(60)
        with suppress(OSError):
            handler.send_part(data)

    site.replies["/files/west.tif"] = reply
    try:
        yield
    finally:
        waits.set()
        del site.replies["/files/west.tif"]


def test_the_office_offers_what_can_be_downloaded(office):
    rows = office.get("/api/recipes").json()["rows"]
    assert rows[0]["name"] == "world"
    assert {"name": OWN, "title": "Test"} in rows


def test_size_is_told_before_anything_is_downloaded_and_no_means_no(office, signup, site):
    site.asked.clear()
    seen = begin(office, signup)
    assert "together about" in seen["words"]
    assert seen["total"] > 500_000
    assert sum(path.startswith("/files/") for path in site.asked) <= 3  # headers alone
    office.send("POST", f"/api/data/{signup}/answer", {"agreed": False})
    for _ in range(200):
        seen = state_of(office, signup)
        if seen["state"] == "failed":
            break
        time.sleep(0.05)
    assert "E-SIZE-01" in seen["words"]
    assert not (region_folder(office.folder, signup) / INPUTS_FILE).exists()


@pytest.mark.slow
def test_data_come_with_a_bar_are_cancelled_and_taken_up_again(office, signup, site):
    with held(site):
        begin(office, signup)
        agree(office, signup)
        for _ in range(400):
            seen = state_of(office, signup)
            if seen["bytes"]:
                break
            time.sleep(0.02)
        assert seen["bytes"] > 0
        assert seen["state"] == "coming"
        office.send("POST", f"/api/data/{signup}/cancel")
    seen = state_of(office, signup)
    assert (seen["state"], seen["can_go_on"]) == ("cancelled", True)
    region = region_folder(office.folder, signup)
    assert not (region / INPUTS_FILE).exists()
    kept = sum(p.stat().st_size for p in (region / ".gather").glob("*.blocks"))
    assert kept > 0
    # The worker was gone before the tile was let go, its lock with it: no wait.
    total = begin(office, signup)["total"]
    agree(office, signup)
    seen = until(office, signup, "done")
    assert not seen["can_go_on"]
    assert seen["bytes"] <= total * 1.5
    assert "© Example survey, Test dem" in seen["lines"]
    assert seen["reaches"]
    # The same bytes as the command line gathers for the same land.
    by_hand = office.folder / "by-hand"
    file = parcel_folder(office.folder, signup) / "land.json"
    done = land.gather_words(
        "--parcel", f"{file}::parcel", "-o", by_hand, "--recipe", office.folder / "recipes" / OWN
    )
    assert done.exit_code == 0, done.output
    for name in ("dem.tif", "land_cover.tif", INPUTS_FILE):
        assert (region / name).read_bytes() == (by_hand / name).read_bytes(), name
    scored_from_it(office, signup)
    back_to_the_office(office, signup)


def scored_from_it(office: Office, uid: str) -> None:
    """Land that the office's maps do not reach scores from its own; relief and sketch show it."""
    office.send("POST", f"/api/score/{uid}")
    for _ in range(1200):
        found = office.get(f"/api/places/{uid}").json()
        if found["run"] and found["files_ready"]:
            break
        time.sleep(0.1)
    assert found["spots"]
    folder = parcel_folder(office.folder, uid) / "runs" / found["run"]
    told = json.loads((folder / "run.json").read_text(encoding="utf-8"))["sources"]
    assert any("Test dem" in one["attribution"] for one in told)
    stamp = state_of(office, uid)["stamp"]
    tile = tile_at(15)
    assert office.client.get(f"/tile/{stamp}/{tile}.png").status_code == 200
    sketch = office.get(f"/api/sketch/{uid}").text
    assert "© Example survey, Test dem" in sketch


def tile_at(zoom: int) -> str:
    import math

    side = 2**zoom
    row = (1 - math.asinh(math.tan(math.radians(LAT))) / math.pi) / 2 * side
    return f"{zoom}/{int((LON + 180) / 360 * side)}/{int(row)}"


def back_to_the_office(office: Office, uid: str) -> None:
    with rasterio.open(region_folder(office.folder, uid) / "dem.tif") as dem:
        assert dem.crs.to_string() == land.CRS
    wide = {"rev": 1, "shapes": [outline(uid, 0.2)], "answers": {}}
    assert office.send("PUT", f"/api/land/{uid}", wide).status_code == 200
    assert not state_of(office, uid)["reaches"]
    assert office.send("DELETE", f"/api/data/{uid}").status_code == 200
    seen = state_of(office, uid)
    assert (seen["state"], seen["lines"], seen["stamp"]) == ("none", [], "")


def test_one_download_at_a_time_and_only_for_a_place(office, signup):
    begin(office, signup)
    other = new_signup(office, "Another")
    answer = office.send("POST", f"/api/data/{other}", {"recipe": OWN})
    assert answer.status_code == 422
    assert answer.json()["code"] == "E-DESK-06"
    assert office.send("POST", f"/api/data/{other}/answer", {"agreed": True}).status_code == 422
    office.send("POST", f"/api/data/{signup}/cancel")
    bare = str(office.send("POST", "/api/signups", {"label": "No place"}).json()["uid"])
    assert office.send("POST", f"/api/data/{bare}", {"recipe": OWN}).json()["code"] == "E-DESK-06"


@pytest.mark.parametrize("recipe", ["../../etc/x.toml", "", "none"])
def test_a_recipe_is_a_name_and_no_path(office, signup, recipe):
    answer = office.send("POST", f"/api/data/{signup}", {"recipe": recipe})
    if answer.status_code == 400:
        return
    for _ in range(200):
        seen = state_of(office, signup)
        if seen["state"] == "failed":
            break
        time.sleep(0.05)
    assert "E-RECIPE-01" in seen["words"]


def test_a_catalogue_that_fails_is_told_in_words(office, signup, site):
    def gone(handler: Handler) -> None:
        handler.send(404, b"gone")

    before = dict(site.replies)
    site.replies["/stac/search"] = gone
    try:
        office.send("POST", f"/api/data/{signup}", {"recipe": OWN})
        for _ in range(200):
            seen = state_of(office, signup)
            if seen["state"] == "failed":
                break
            time.sleep(0.05)
    finally:
        site.replies.clear()
        site.replies.update(before)
    assert "E-NET-03" in seen["words"]


def test_the_server_itself_never_asks_the_network():
    """Only the worker's side of the desk may import what gathers."""
    package = Path(__file__).parents[2] / "siting" / "desk"
    named = [
        path.name
        for path in package.rglob("*.py")
        if "siting.gather" in path.read_text(encoding="utf-8")
    ]
    assert named == ["gathering.py"]
