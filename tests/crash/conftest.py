"""One small land and one clean batch, against which everything that was killed is held."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from siting.batch import fingerprints
from tests.batch_tools import digests, run, small_land
from tests.crash.nursery import Nursery


@pytest.fixture(scope="session")
def program() -> str:
    return fingerprints.program_print()


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


@pytest.fixture(scope="session")
def nursery(program) -> Iterator[Nursery]:
    made = Nursery(program)
    yield made
    made.close()
