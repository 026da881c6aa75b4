"""One small land and one clean batch, against which everything that was killed is held."""

from __future__ import annotations

from pathlib import Path

import pytest

from siting.batch import fingerprints
from tests.batch_tools import digests, run, small_land


@pytest.fixture(autouse=True)
def _one_program(program, monkeypatch):
    """The code as it was when the tests began: an edit meanwhile would make all to do again."""
    monkeypatch.setattr(fingerprints, "program_print", lambda: program)


@pytest.fixture(scope="session")
def land(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return small_land(tmp_path_factory.mktemp("land"), count=3)


@pytest.fixture(scope="session")
def clean(land, tmp_path_factory) -> dict[str, str]:
    folder = tmp_path_factory.mktemp("clean")
    run(land, folder)
    return digests(folder)
