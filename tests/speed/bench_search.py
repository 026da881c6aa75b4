"""What the search for the best places and the trials add to a run of the sample farm.

python -m tests.speed.bench_search
"""

from __future__ import annotations

import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

from siting.pipeline import site_land
from siting.read.land import read_land, read_parcel
from siting.scoring import rank
from siting.settings.load import load_inputs, load_protocol

SAMPLE = Path(__file__).parents[2] / "sample_rasters" / "inputs.toml"
# The aim on two cores, seconds.
AIM_S = 1.5
TIMED = {
    "search with headings": "_search",
    "headings of the places": "_score_candidates",
    "trials": "assess_stability",
}


def _timed(name: str, call: Callable[..., Any], spent: dict[str, tuple[float, float]]) -> Any:
    def timed(*values: Any, **named: Any) -> Any:
        wall, cpu = time.perf_counter(), time.process_time()
        out = call(*values, **named)
        spent[name] = (time.perf_counter() - wall, time.process_time() - cpu)
        return out

    return timed


def measure(rounds: int = 3) -> dict[str, tuple[float, float]]:
    """(wall, processor) seconds of each part, the least of some rounds after a first run."""
    inputs, protocol = load_inputs(SAMPLE), load_protocol(None)
    land = read_land(
        inputs,
        read_parcel(inputs),
        rules=protocol.grid,
        far_reach_m=protocol.sun.horizon_reach_m,
    )
    site_land(land, protocol)
    found: dict[str, tuple[float, float]] = {}
    plain = {part: getattr(rank, part) for part in TIMED.values()}
    try:
        for _ in range(rounds):
            spent: dict[str, tuple[float, float]] = {}
            for name, part in TIMED.items():
                setattr(rank, part, _timed(name, plain[part], spent))
            site_land(land, protocol)
            found = {n: min(t, found.get(n, t), key=lambda pair: pair[1]) for n, t in spent.items()}
    finally:
        for part, call in plain.items():
            setattr(rank, part, call)
    return found


def main() -> None:
    found = measure()
    for name, (wall, cpu) in found.items():
        print(f"{name}: {wall:.2f} s, {cpu:.2f} s of a processor")
    cpu = sum(cpu for _, cpu in found.values())
    print(f"together: {sum(wall for wall, _ in found.values()):.2f} s, {cpu:.2f} s of a processor")
    print(f"aim: {AIM_S} s on two cores, nothing else running")


if __name__ == "__main__":
    main()
