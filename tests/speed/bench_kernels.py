"""The kernels and their peers: `pytest tests/speed/bench_kernels.py --benchmark-only`."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pytest

from tests.speed.peers import JOBS
from tests.speed.write_page import write_peer_data


@pytest.fixture(scope="module")
def data(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Any]:
    folder: Path = tmp_path_factory.mktemp("peers")
    write_peer_data(folder, 1000)
    with np.load(folder / "peer.npz") as stored:
        return {name: stored[name] for name in stored.files}


@pytest.mark.parametrize("name", JOBS)
def test_kernel(benchmark: Any, data: dict[str, Any], name: str) -> None:
    benchmark.group = name.rpartition("_")[0]
    try:
        call = JOBS[name](data)
    except ImportError as error:
        pytest.skip(f"{error.name} is not installed here")
    call()
    assert benchmark(call) is not None
