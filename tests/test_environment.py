"""What the machine around the program may do to it: tables of coordinate systems of another one."""

from __future__ import annotations

import os
import shutil
import sqlite3
import subprocess
import sys
from pathlib import Path

import pytest
import rasterio

from siting.read.crs.datum import check_environment
from tests.bad_inputs.land import clean
from tests.bad_inputs.runner import words, write_settings


def run_with(folder: Path, command: str, **environment: str) -> subprocess.CompletedProcess[str]:
    land = clean(folder)
    write_settings(land)
    return subprocess.run(
        [sys.executable, "-m", "siting", *words(land, command)],
        capture_output=True, text=True, timeout=120, check=False,
        env={**os.environ, **environment},
    )  # fmt: skip


@pytest.fixture
def foreign_tables(tmp_path) -> Path:
    """The tables of a PROJ of another version, as another program leaves them."""
    folder = tmp_path / "proj"
    folder.mkdir()
    own = Path(rasterio.__file__).parent / "proj_data" / "proj.db"
    if not own.exists():
        pytest.skip("rasterio does not bring its own tables here")
    shutil.copy(own, folder / "proj.db")
    with sqlite3.connect(folder / "proj.db") as store:
        store.execute("update metadata set value = '0' where key = 'DATABASE.LAYOUT.VERSION.MINOR'")
    store.close()
    return folder


def test_own_tables_are_in_order():
    check_environment()


@pytest.mark.parametrize("name", ["PROJ_LIB", "PROJ_DATA"])
@pytest.mark.parametrize("command", ["score", "check"])
def test_tables_of_another_version_are_refused(name, command, foreign_tables, tmp_path):
    done = run_with(tmp_path, command, **{name: str(foreign_tables)})
    told = done.stderr if command == "score" else done.stdout
    assert done.returncode == 3
    assert "E-ENV-01" in told
    assert f"{name} = {foreign_tables}" in told
    assert f"Unset {name}" in told
    assert "Traceback" not in done.stdout + done.stderr


def test_a_folder_without_tables_is_refused(tmp_path):
    done = run_with(tmp_path, "score", PROJ_DATA=str(tmp_path))
    assert done.returncode == 3
    assert done.stderr.startswith("E-ENV-01: ")
