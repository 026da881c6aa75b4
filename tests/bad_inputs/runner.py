"""Runs the commands on a faulty land in this process and tells what came of it."""

from __future__ import annotations

import csv
import ctypes
import io
import os
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager, nullcontext, redirect_stderr, redirect_stdout
from dataclasses import dataclass
from pathlib import Path
from typing import Any
from unittest import mock

import numpy as np
import pytest
import shapely
from pyproj import Transformer

import siting.notebook
from siting.cli.main import main
from siting.disk.files import staged
from siting.errors import SitingError
from siting.settings.text.toml import toml_key, toml_value
from siting.types import CoverRole, Result
from tests.bad_inputs.land import Land, wooded

FOLDER = Path(__file__).parent


@dataclass
class Row:
    """One line of manifest.csv."""

    name: str
    group: str
    builder: str
    argument: str
    expected: str
    trap: str

    @property
    def refused(self) -> bool:
        return self.expected.startswith("E-")


def manifest() -> list[Row]:
    with (FOLDER / "manifest.csv").open(newline="", encoding="utf-8") as stream:
        return [Row(**row) for row in csv.DictReader(stream)]


@dataclass
class Outcome:
    """What a command did: status, streams, seconds, the failure, and the result of a run.

    `seconds` are those of the processor, which a busy machine does not lengthen; `waited` are
    those of the clock.
    """

    status: int
    out: str
    err: str
    seconds: float
    waited: float
    failure: SitingError | None = None
    result: Result | None = None


def write_settings(land: Land) -> None:
    """The inputs and protocol files of a land."""
    text = land.text if land.text is not None else toml_of(land.inputs)
    data = text.encode() if isinstance(text, str) else text
    (land.folder / "inputs.toml").write_bytes(data)
    rules = land.protocol
    (land.folder / "protocol.toml").write_bytes(rules.encode() if isinstance(rules, str) else rules)


def toml_of(tables: dict[str, Any]) -> str:
    """Nested tables as TOML text."""
    plain = {k: v for k, v in tables.items() if not isinstance(v, dict)}
    lines = [f"{toml_key(k)} = {toml_value(v)}" for k, v in plain.items()]
    for name, table in tables.items():
        if isinstance(table, dict):
            lines.append(f"[{toml_key(name)}]")
            lines += [f"{toml_key(k)} = {toml_value(v)}" for k, v in table.items()]
    return "\n".join(lines) + "\n"


def words(land: Land, command: str) -> list[str]:
    """The command line of a land."""
    line = [command, land.inputs_file or str(land.folder / "inputs.toml")]
    line += ["--protocol", str(land.folder / "protocol.toml")]
    if command == "score":
        line += ["-o", land.out or str(land.folder / "out")]
    return [*line, *land.options]


def run(land: Land, command: str, *, draw: bool = False) -> Outcome:
    """Run a command as the command line would, but in this process; pages only where asked for."""
    write_settings(land)
    if land.unreadable is not None:
        land.unreadable.chmod(0o555 if land.unreadable.is_dir() else 0)
    kept: dict[str, Any] = {}

    write_report = siting.notebook.write_report

    def keep_result(result: Result, folder: Path, **kwargs: Any) -> None:
        kept["result"] = result
        if draw:
            write_report(result, folder, **kwargs)
        elif land.writes:
            with staged(folder) as stage:
                stage.write("map.html", "a map")

    def keep_failure(error: SitingError) -> str:
        kept["failure"] = error
        return tell(error)

    tell = siting.cli.main._one_message
    out, err = io.StringIO(), io.StringIO()
    begin, began = time.process_time(), time.monotonic()
    with (
        mock.patch.object(siting.notebook, "write_report", keep_result),
        mock.patch.object(siting.cli.main, "_one_message", keep_failure),
        mock.patch.object(sys, "argv", ["siting", *words(land, command)]),
        working_in(land.working_folder),
        bound_by_permissions() if land.unreadable else nullcontext(),
        redirect_stdout(out),
        redirect_stderr(err),
    ):
        try:
            main()
        except SystemExit as end:
            status = int(end.code or 0)
        else:
            status = 0
    spent, waited = time.process_time() - begin, time.monotonic() - began
    return Outcome(status, out.getvalue(), err.getvalue(), spent, waited, **kept)


class _Head(ctypes.Structure):
    _fields_ = (("version", ctypes.c_uint32), ("process", ctypes.c_int))


class _Sets(ctypes.Structure):
    _fields_ = (("now", ctypes.c_uint32), ("may", ctypes.c_uint32), ("kept", ctypes.c_uint32))


@contextmanager
def bound_by_permissions() -> Iterator[None]:
    """Permissions hold for this thread even when it is root's: Linux lets root put its leave aside.

    The two leaves are those to read and to write any file (capabilities 1 and 2 of Linux).
    """
    if os.geteuid() != 0:
        yield
        return
    library = ctypes.CDLL(None, use_errno=True)
    head, sets = _Head(0x20080522, 0), (_Sets * 2)()
    if library.capget(ctypes.byref(head), sets) != 0:
        pytest.skip("this system does not let root put its leave aside")
    before = sets[0].now
    sets[0].now = before & ~0b110
    if library.capset(ctypes.byref(head), sets) != 0:
        pytest.skip("this system does not let root put its leave aside")
    try:
        yield
    finally:
        sets[0].now = before
        library.capset(ctypes.byref(head), sets)


@contextmanager
def working_in(folder: Path | None) -> Iterator[None]:
    before = Path.cwd()
    os.chdir(folder or before)
    try:
        yield
    finally:
        os.chdir(before)


def far_from_truth(result: Result, land: Land) -> str:
    """How a result differs from what is true of the land; "" when it is right.

    Every cell inside the parcel is placed on the land's own map, where height and cover are known
    functions. Half a metre and one cover cell in fifteen are let pass: resampling smooths hills
    and edges of woods.
    """
    read = result.land
    change = Transformer.from_crs(read.grid.crs, land.crs, always_xy=True)
    row, col = np.nonzero(np.isfinite(read.dem))
    x, y = change.transform(*read.grid.xy(row, col))
    inside = shapely.contains_xy(land.outline, x, y)
    row, col, x, y = row[inside], col[inside], x[inside], y[inside]
    if row.size < 9:
        return f"only {row.size} cells of the true parcel are known"
    faults = []
    height = land.height_m(x - land.left, land.top - y)
    off = np.abs(read.dem[row, col] - height)
    if np.max(off) > 0.5:
        faults.append(f"heights are off by up to {np.max(off):.2f} m")
    role = read.role[row, col]
    known = role != CoverRole.UNKNOWN
    true = np.where(wooded(x - land.left, land.top - y), CoverRole.TREE, CoverRole.PASTURE)
    wrong = float((role[known] != true[known]).mean()) if known.any() else 1.0
    if wrong > 1 / 15:
        faults.append(f"{wrong:.0%} of the cover is wrong")
    inside_read = shapely.area(read.parcel_shape)
    if abs(inside_read / land.outline.area - 1) > 0.02:
        faults.append(f"the parcel has {inside_read:,.0f} m2, not {land.outline.area:,.0f}")
    return "; ".join(faults)
