"""A region killed at random moments resumes to the same bytes and asks only for what is missing."""

from __future__ import annotations

import json
import multiprocessing
import multiprocessing.process
import os
import random
import signal
import time
from pathlib import Path

import numpy as np
import pytest

from siting.cli.main import siting
from tests.gather import land
from tests.gather.catalogue import item
from tests.gather.server import Handler, Site, serving

ROUNDS = int(os.environ.get("SITING_CRASH_ROUNDS", "20"))


def noisy(path: Path, seed: int) -> Path:
    """A DEM that packs badly, so that its window needs several pieces."""
    noise = np.random.default_rng(seed).normal(0, 3, (land.SIDE, land.SIDE)).astype("float32")
    return land.write(path, land.heights() + noise)


def slow(site: Site, pause_s: float) -> None:
    """Every piece of a raster takes a moment, so that a kill can fall anywhere."""
    for path, data in list(site.files.items()):
        if path.startswith("/files/"):

            def reply(handler: Handler, data: bytes = data) -> None:
                time.sleep(pause_s)
                handler.send_part(data)

            site.replies[path] = reply


@pytest.fixture
def site(tmp_path):
    with serving() as here:
        items = [
            item(here, noisy(tmp_path / "west.tif", 1), "dem"),
            item(here, land.cover(tmp_path), "cover"),
        ]
        land.serve(here, items)
        slow(here, 0.03)
        yield here


# Every start of a fresh Python would read the libraries anew; a fork of a process that has read
# them runs, is killed and leaves its files just the same.
FORKS = multiprocessing.get_context("forkserver")
FORKS.set_forkserver_preload(["siting.cli.main", "siting.commands", "siting.gather.run"])


def command(words: list[str]) -> None:
    """The command as a user runs it, Ctrl-C included, with nothing said."""
    signal.signal(signal.SIGINT, signal.default_int_handler)
    nowhere = os.open(os.devnull, os.O_WRONLY)
    os.dup2(nowhere, 1)
    os.dup2(nowhere, 2)
    siting.main(words, standalone_mode=False)


def start(out: Path, rules: Path) -> multiprocessing.process.BaseProcess:
    words = [
        "gather", "--point", land.POINT, "--radius", "300", "-o", str(out), "--recipe", str(rules),
    ]  # fmt: skip
    process = FORKS.Process(target=command, args=(words,))
    process.start()
    return process


def ended(process: multiprocessing.process.BaseProcess) -> int:
    process.join(60)
    assert process.exitcode is not None
    return process.exitcode


def timeless(out: Path) -> dict[str, bytes]:
    """Every file of a region; of sources.json all but the times."""
    files = land.files_in(out)
    record = json.loads(files["sources.json"])
    record.pop("made")
    for source in record["sources"]:
        source.pop("fetched")
    files["sources.json"] = json.dumps(record, sort_keys=True).encode()
    return files


@pytest.mark.slow
def test_a_region_killed_at_random_moments_resumes_to_the_same_bytes(site, tmp_path):
    rules = land.rules(site, tmp_path)
    whole = tmp_path / "whole"
    assert ended(start(tmp_path / "first", rules)) == 0  # the fork server reads the libraries
    site.asked.clear()
    begin = time.monotonic()
    assert ended(start(whole, rules)) == 0
    lasts = time.monotonic() - begin
    wanted = timeless(whole)
    asked_whole = len(site.asked)
    draw = random.Random(20261126)
    broken_off = 0
    for number in range(ROUNDS):
        out = tmp_path / f"killed-{number}"
        site.asked.clear()
        running = start(out, rules)
        time.sleep(lasts * draw.uniform(0.05, 1.0))
        running.kill()
        broken_off += ended(running) != 0
        # Whole or nothing: without inputs.toml nothing of the set counts.
        if (out / "inputs.toml").exists():
            assert set(wanted) <= set(land.files_in(out))
        assert ended(start(out, rules)) == 0
        assert timeless(out) == wanted, number
        assert not (out / ".gather").exists()
        assert not list(out.glob("*.siting-part"))
        # A piece that was on its way when the kill fell is asked for again, others are not.
        assert len(site.asked) <= asked_whole + 1
    assert broken_off >= ROUNDS // 2


def test_an_interruption_leaves_pieces_for_the_next_run(site, tmp_path):
    """Ctrl-C between two pieces: the next run begins where this one ended."""
    out, rules = tmp_path / "region", land.rules(site, tmp_path)
    first = start(out, rules)
    while not list((out / ".gather").glob("*.blocks")) and first.is_alive():
        time.sleep(0.01)
    os.kill(first.pid or 0, signal.SIGINT)
    ended(first)
    assert land.files_in(out) == {} or (out / "inputs.toml").exists()
    site.asked.clear()
    assert ended(start(out, rules)) == 0
    assert (out / "inputs.toml").exists()
