"""What breaks around the desk: its disk, its maps, its browser, another desk on the same office."""

from __future__ import annotations

import json
import os
import shutil
import signal
import socket
import subprocess
import sys
import threading
from pathlib import Path
from typing import Any

import psutil
import pytest

from siting.desk import jobs
from siting.desk.worker import ReadUpload
from siting.errors import SitingError
from tests.batch_tools import QUICK_RULES
from tests.desk.kills import RunningDesk
from tests.desk.test_routes import SAMPLE, Office, new_signup, outline


@pytest.fixture
def maps(tmp_path):
    """The sample's maps in a folder of their own, to be taken away."""
    folder = tmp_path / "maps"
    shutil.copytree(SAMPLE, folder, ignore=shutil.ignore_patterns("*.py", "__pycache__"))
    return folder


@pytest.fixture
def office(tmp_path, maps):
    made = Office(tmp_path / "office", maps / "inputs.toml")
    yield made
    made.close()


def tile_of(office: Office) -> str:
    return f"/tile/{office.desk.relief.stamp()}/15/9056/11974.png"


def saved(office: Office, uid: str, rev: int = 0) -> Any:
    body = {"rev": rev, "shapes": [outline()], "answers": {}}
    return office.send("PUT", f"/api/land/{uid}", body)


def test_a_full_disk_is_said_and_the_edit_counts_once_there_is_room(office):
    uid = new_signup(office)
    database = office.desk.store._db
    pages = database.execute("PRAGMA page_count").fetchone()[0]
    database.execute(f"PRAGMA max_page_count = {pages}")
    shapes = [{**outline(f"{k:016x}"), "layer": "no_go"} for k in range(400)]
    body = {"rev": 0, "shapes": shapes, "answers": {}}
    answer = office.send("PUT", f"/api/land/{uid}", body)
    assert (answer.status_code, answer.json()["code"]) == (503, "E-DISK-01")
    nothing = {"rev": 0, "shapes": [], "answers": {}, "camera": None}
    assert office.get(f"/api/land/{uid}").json() == nothing
    database.execute("PRAGMA max_page_count = 1000000")
    assert office.send("PUT", f"/api/land/{uid}", body).status_code == 200
    assert len(office.get(f"/api/land/{uid}").json()["shapes"]) == 400


def test_elevations_that_vanish_are_said_and_come_back_by_themselves(office, maps):
    address = tile_of(office)
    assert office.client.get(address).status_code == 200
    dem = maps / "dem.tif"
    dem.rename(dem.with_suffix(".away"))
    # Another tile than the one that is remembered.
    gone = office.client.get(address.replace("11974", "11975"))
    assert gone.status_code == 410
    assert office.client.get("/").status_code == 200, "the page opens without its relief"
    uid = new_signup(office)
    assert saved(office, uid).status_code == 200, "the office file does not need the maps"
    assert office.get("/api/signups").status_code == 200
    dem.with_suffix(".away").rename(dem)
    assert office.client.get(address.replace("11974", "11975")).status_code == 200


@pytest.fixture
def running(tmp_path, maps):
    import tomli_w

    (maps / "quick.toml").write_text(tomli_w.dumps(QUICK_RULES))
    desk = RunningDesk(tmp_path / "office", maps / "inputs.toml")
    yield desk
    desk.end()


@pytest.mark.slow
def test_a_second_desk_says_who_holds_the_office_and_a_dead_one_holds_nothing(running, tmp_path):
    office = tmp_path / "office"
    second = subprocess.run(
        [sys.executable, "-m", "siting", "desk", "-o", str(office), "--no-browser"],
        capture_output=True, text=True, timeout=120, check=False,
    )  # fmt: skip
    assert second.returncode != 0
    assert "E-LOCK-01" in second.stderr + second.stdout
    assert str(running.process.pid) in second.stderr + second.stdout
    uid = running.send("POST", "/api/signups", {"label": "Kept"})["uid"]
    os.kill(running.process.pid, signal.SIGKILL)
    running.process.wait()
    after = RunningDesk(office, tmp_path / "maps" / "inputs.toml")
    try:
        assert [row["uid"] for row in after.get("/api/signups")["rows"]] == [uid]
    finally:
        after.end()


@pytest.mark.slow
def test_a_page_that_is_left_in_the_middle_of_an_upload_leaves_nothing(running, tmp_path):
    host, port = running.client.base_url.host, running.client.base_url.port
    cookies = "; ".join(f"{name}={value}" for name, value in running.client.cookies.items())
    head = (
        f"POST /api/back?name=half.json HTTP/1.1\r\nHost: {host}:{port}\r\nCookie: {cookies}\r\n"
        f"X-Desk: {running.client.headers['X-Desk']}\r\nOrigin: http://{host}:{port}\r\n"
        "Content-Type: application/octet-stream\r\nContent-Length: 1000000\r\n\r\n"
    )
    for _ in range(3):
        with socket.create_connection((host, port)) as half:
            half.sendall(head.encode() + b"x" * 500_000)
    assert running.get("/api/back")["items"] == []
    kept = Path(tmp_path / "office" / "received")
    assert not kept.exists() or not list(kept.iterdir())


@pytest.fixture
def reader():
    made = jobs.Reader()
    yield made
    made.close()


def test_a_reader_is_ended_by_its_own_time_and_not_by_that_of_a_busy_machine(
    tmp_path, reader, monkeypatch
):
    land = tmp_path / "land.geojson"
    square = {"type": "Polygon", "coordinates": [[[0, 0], [0.01, 0], [0.01, 0.01], [0, 0]]]}
    land.write_text(json.dumps({"type": "Feature", "properties": {}, "geometry": square}))
    job = ReadUpload(land, "land.geojson")
    reader.read(job)
    worker = psutil.Process(reader._worker.pid)
    # It stands behind the page.
    assert worker.nice() > psutil.Process().nice()
    monkeypatch.setattr(jobs, "_READ_LIMIT_S", 0.8)
    worker.suspend()
    threading.Timer(1.2, worker.resume).start()
    assert len(reader.read(job)["shapes"]) == 1
    # A file that nobody ever writes to.
    os.mkfifo(tmp_path / "never")
    monkeypatch.setattr(jobs, "_WAIT_LIMIT_S", 0.5)
    with pytest.raises(SitingError) as told:
        reader.read(ReadUpload(tmp_path / "never", "never.kml"))
    assert told.value.code == "E-DESK-03"
    worker.wait(5.0)


def test_a_file_that_takes_too_much_of_the_processor_ends_its_reader(tmp_path, reader, monkeypatch):
    os.mkfifo(tmp_path / "never")
    # Less than it takes to load what reads.
    monkeypatch.setattr(jobs, "_READ_LIMIT_S", 0.1)
    with pytest.raises(SitingError) as told:
        reader.read(ReadUpload(tmp_path / "never", "never.kml"))
    assert told.value.code == "E-DESK-03"
    assert reader._worker is None
