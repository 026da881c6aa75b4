"""Sixteen moments at which a batch may be killed, as patches laid over the program from outside.

The numbers are those of the list of crash points in DEVELOPERS.md. Each point is armed with a
count: the kill comes when the moment comes for the n-th time.
"""

from __future__ import annotations

import os
import signal
import threading
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import siting.batch.jobs
import siting.batch.run
import siting.disk.files
import siting.heading.heading_scores
import siting.pipeline
import siting.read.raster.far_dem

POINTS: dict[str, Callable[[int], None]] = {}


def kill() -> None:
    os.kill(os.getpid(), signal.SIGKILL)
    time.sleep(60)


def point(name: str) -> Callable[[Callable[[int], None]], Callable[[int], None]]:
    def keep(arm: Callable[[int], None]) -> Callable[[int], None]:
        POINTS[name] = arm
        return arm

    return keep


def _counted(nth: int) -> Callable[[], bool]:
    left = [nth]

    def now() -> bool:
        left[0] -= 1
        return left[0] == 0

    return now


def _before(module: Any, name: str, nth: int) -> None:
    """Kill when a function is called."""
    now, plain = _counted(nth), getattr(module, name)

    def wrapped(*args: Any, **kwargs: Any) -> Any:
        if now():
            kill()
        return plain(*args, **kwargs)

    setattr(module, name, wrapped)


def _during(module: Any, name: str, nth: int) -> None:
    """Kill in the middle of a function, which is repeated until the signal strikes."""
    now, plain = _counted(nth), getattr(module, name)

    def wrapped(*args: Any, **kwargs: Any) -> Any:
        if now():
            threading.Thread(target=lambda: (time.sleep(0.003), kill())).start()
            while True:
                plain(*args, **kwargs)
        return plain(*args, **kwargs)

    setattr(module, name, wrapped)


def _at(operation: str, file: str, nth: int, *, inside: str = "") -> None:
    """Kill just before a file operation on a file (in a folder whose name holds `inside`)."""
    now, plain = _counted(nth), siting.disk.files._perform

    def wrapped(done: str, path: Path, action: Callable[[], Any]) -> Any:
        same = path.name.removeprefix(".").removesuffix(".siting-part") == file
        if done == operation and same and inside in str(path.parent) and now():
            kill()
        return plain(done, path, action)

    siting.disk.files._perform = wrapped


def _half(name: str, file: str, nth: int) -> None:
    """Write the first half of a file's bytes to disk, then kill."""
    now, plain = _counted(nth), getattr(siting.disk.files, name)

    def wrapped(path: Path, data: Any) -> Any:
        if path.name.removeprefix(".").removesuffix(".siting-part") == file and now():
            raw = data.encode() + b"\n" if isinstance(data, str) else data
            with path.open("ab" if name == "_append" else "wb") as stream:
                stream.write(raw[: len(raw) // 2])
                stream.flush()
                os.fsync(stream.fileno())
            kill()
        return plain(path, data)

    setattr(siting.disk.files, name, wrapped)


@point("01 after settings")
def _settings(nth: int) -> None:
    _before(siting.batch.run, "open_inputs_once", 1)


@point("02 after the parcel is read")
def _parcel(nth: int) -> None:
    _before(siting.batch.jobs, "site_parcel", nth)


@point("03 mid raster warp")
def _warp(nth: int) -> None:
    _during(siting.read.raster.far_dem, "reproject", nth)


@point("04 after layers")
def _layers(nth: int) -> None:
    _before(siting.pipeline, "no_go_bits", nth)


@point("05 mid kernel")
def _kernel(nth: int) -> None:
    _during(siting.pipeline, "build_ground", nth)


@point("06 after ranking")
def _ranking(nth: int) -> None:
    _before(siting.batch.jobs, "write_report", nth)


@point("07 mid HTML write")
def _html(nth: int) -> None:
    _half("_write_and_flush", "map.html", nth)


@point("08 HTML written, before rename")
def _unnamed(nth: int) -> None:
    _at("rename", "map.html", nth)


@point("09 renamed, before the next")
def _next(nth: int) -> None:
    _at("rename", "field_sheet.html", nth)


@point("10 mid GPX")
def _gpx(nth: int) -> None:
    _half("_write_and_flush", "spots.gpx", nth)


@point("11 before run.json")
def _record(nth: int) -> None:
    _at("rename", "run.json", nth, inside="parcels")


@point("12 before the journal line")
def _journal(nth: int) -> None:
    # The first lines are those of the input files' fingerprints.
    _at("append", "journal.jsonl", 3 + nth)


@point("13 mid journal line")
def _line(nth: int) -> None:
    _half("_append", "journal.jsonl", 3 + nth)


@point("14 before the tables")
def _tables(nth: int) -> None:
    _at("write", "parcels.csv", 1)


@point("15 mid overview")
def _overview(nth: int) -> None:
    if nth == 1:
        _half("_write_and_flush", "overview.html", 1)
    else:
        _at("rename", "overview.html", 1)


@point("16 during clean-up")
def _cleaning(nth: int) -> None:
    """Kill once before the clean-up of what this point itself leaves behind at the first go."""
    plain = siting.batch.run.clean_parts

    def wrapped(folder: Path) -> None:
        parts = sorted(folder.glob(".*.siting-part"))
        if parts:
            parts[0].unlink()
            kill()
        plain(folder)

    siting.batch.run.clean_parts = wrapped
    _half("_write_and_flush", "spots.gpkg", nth)
