"""Ctrl and C at the terminal of a desk that is in use: it says that it is closed, and no more."""

from __future__ import annotations

import os
import re
import shutil
import signal
import threading
import time
from pathlib import Path

import pytest
import tomli_w

from siting.desk import downloads
from siting.desk.work import season
from siting.errors import SitingError
from siting.words.office.desk import CLOSED, HOW_TO_STOP
from tests.batch_tools import QUICK_RULES
from tests.desk.kills import RunningDesk

SAMPLE = Path(__file__).parents[2] / "sample_rasters"


@pytest.mark.skipif(os.name != "posix", reason="needs process groups")
def test_a_desk_in_use_closes_in_one_line(tmp_path):
    inputs = shutil.copytree(SAMPLE, tmp_path / "maps") / "inputs.toml"
    inputs.with_name("quick.toml").write_text(tomli_w.dumps(QUICK_RULES))
    desk = RunningDesk(tmp_path / "office", inputs)
    stamp = re.search(r'"stamp":"([^"]+)"', desk.client.get("/").text).group(1)
    heard, ended = threading.Event(), threading.Event()

    def listen() -> None:
        with desk.client.stream("GET", "/api/events") as stream:
            for _ in stream.iter_lines():
                heard.set()
        ended.set()

    threading.Thread(target=listen, daemon=True).start()
    assert heard.wait(10)
    # A map that was looked at: the raster is open in a thread of its own.
    assert desk.client.get(f"/tile/{stamp}/15/9057/11975.png").status_code == 200
    os.killpg(desk.process.pid, signal.SIGINT)
    said, _ = desk.process.communicate(timeout=120)
    assert ended.wait(5)
    assert said.splitlines()[-1] == CLOSED
    # How to stop it stands before, unless it was read with the address.
    assert set(said.splitlines()) <= {HOW_TO_STOP, CLOSED}, said
    assert desk.process.returncode == 0


class Counted:
    """A worker that says nothing and counts how often its pipe was closed."""

    def __init__(self) -> None:
        self.kills = 0
        self.gone = threading.Event()

    def send(self, job: object) -> None:
        pass

    def receive(self, timeout_s: float) -> tuple[str, object] | None:
        return ("died", None) if self.gone.wait(timeout_s) else None

    def end(self) -> None:
        self.gone.set()

    def kill(self) -> None:
        self.end()
        self.kills += 1
        time.sleep(0.3)


@pytest.mark.parametrize("kind", ["data", "season"])
def test_the_pipe_of_a_worker_is_closed_by_one_thread(tmp_path, monkeypatch, kind):
    """Closed by two at a time it would take another file of the desk along."""
    made: list[Counted] = []

    def worker() -> Counted:
        made.append(Counted())
        return made[-1]

    monkeypatch.setattr(downloads, "Worker", worker)
    monkeypatch.setattr(season, "Worker", worker)
    monkeypatch.setattr(downloads.Downloads, "_job", lambda *_: None)
    monkeypatch.setattr(season.Seasons, "_job", lambda *_: None)
    if kind == "data":
        runs = downloads.Downloads(tmp_path, None, lambda *_: None)
        runs.begin("a", "world")
    else:
        runs = season.Seasons(tmp_path, None, None, lambda *_: None)
        runs.begin("a", b"")
    until = time.monotonic() + 5
    while not made and time.monotonic() < until:
        time.sleep(0.01)
    runs.close()
    assert [one.kills for one in made] == [1]


def test_a_package_that_cannot_be_kept_does_not_block_the_next(tmp_path):
    (tmp_path / season.FOLDER).write_text("in the way")
    runs = season.Seasons(tmp_path, None, None, lambda *_: None)
    for _ in range(2):
        with pytest.raises(SitingError, match="E-OUT-01"):
            runs.begin("a.csv", b"a")
