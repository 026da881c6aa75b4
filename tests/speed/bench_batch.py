"""Rate, scaling and memory of a batch over an invented country.

    python tests/speed/bench_batch.py --parcels 1000 --workers 2 --plot docs/img/batch-memory.png
    python tests/speed/bench_batch.py --parcels 60 --scaling

The first prints the rate and draws memory over time; the second the rate with 1, 2 ... workers.
"""

from __future__ import annotations

import argparse
import tempfile
import threading
import time
from pathlib import Path

import numpy as np
import psutil

from siting.batch.run import run_batch
from siting.batch.work import Options
from siting.settings.load import load_inputs
from siting.settings.protocol import Protocol
from tests.speed.make_country import make_country

KM = 40.0


class Gauge:
    """Memory of this process and of its workers, measured once a second.

    What is a process's own; the libraries' code, which all share, is not counted.
    """

    def __init__(self) -> None:
        self.seconds: list[float] = []
        self.parent_mb: list[float] = []
        self.workers_mb: list[list[float]] = []
        self.done: list[int] = []
        self.count = 0
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._watch, daemon=True)

    def stage(self, words: str) -> None:
        print(words, flush=True)

    def begin(self, total: int, *, done: int) -> None:
        print(f"{total} parcels to do", flush=True)

    def ended(self, *, failed: bool) -> None:
        self.count += 1

    def __enter__(self) -> Gauge:
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._stop.set()
        self._thread.join()

    def _watch(self) -> None:
        start, me = time.monotonic(), psutil.Process()
        while not self._stop.wait(1.0):
            self.seconds.append(time.monotonic() - start)
            self.parent_mb.append(memory_mb(me))
            self.workers_mb.append([m for c in me.children() if (m := memory_mb(c)) > 60])
            self.done.append(self.count)


def memory_mb(process: psutil.Process) -> float:
    try:
        return process.memory_full_info().uss / 1e6
    except psutil.Error:
        return 0.0


def timed(inputs_file: Path, *, workers: int, protocol: Protocol) -> tuple[float, Gauge, int]:
    """Seconds, what the gauge saw, and how many parcels were scored; tables only."""
    with tempfile.TemporaryDirectory() as folder, Gauge() as gauge:
        start = time.monotonic()
        outcome = run_batch(
            load_inputs(inputs_file),
            protocol,
            Path(folder),
            options=Options(pages=0, workers=workers, assign=True),
            watcher=gauge,
        )
        return time.monotonic() - start, gauge, len(outcome.batch.rows)


def told(seconds: float, gauge: Gauge, count: int, workers: int) -> None:
    most = [max(m, default=0.0) for m in gauge.workers_mb]
    full = [sum(m) + p for m, p in zip(gauge.workers_mb, gauge.parent_mb, strict=True)]
    rate = count / seconds
    print(f"{workers} workers: {count} parcels in {seconds:.0f} s, {rate:.2f} a second, "
          f"{rate / workers:.2f} to a worker; largest worker {max(most, default=0):.0f} MB, "
          f"all together {max(full, default=0):.0f} MB")  # fmt: skip
    tenth = max(len(most) // 10, 1)
    early, late = np.median(most[tenth : 4 * tenth]), np.median(most[-4 * tenth : -tenth])
    print(f"largest worker, early and late: {early:.0f} and {late:.0f} MB")


def plot(gauge: Gauge, path: Path, title: str) -> None:
    import matplotlib

    matplotlib.use("Agg")
    import matplotlib.pyplot as plt

    minutes = np.array(gauge.seconds) / 60
    figure, axes = plt.subplots(figsize=(8, 4.2), layout="constrained")
    for k in range(2):
        values = [m[k] if len(m) > k else np.nan for m in gauge.workers_mb]
        axes.plot(minutes, values, label=f"worker {k + 1}", lw=1.4, ls=["-", "--"][k])
    axes.plot(minutes, gauge.parent_mb, label="parent", lw=1.4, color="0.4", ls=":")
    axes.set(xlabel="minutes", ylabel="memory, MB", ylim=(0, None), title=title)
    right = axes.twinx()
    right.plot(minutes, gauge.done, color="tab:green", lw=1)
    right.set_ylabel("parcels done", color="tab:green")
    axes.legend(loc="lower right")
    axes.grid(alpha=0.3)
    path.parent.mkdir(parents=True, exist_ok=True)
    figure.savefig(path, dpi=110, metadata={"Software": None})


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("--parcels", type=int, default=1000)
    parser.add_argument("--workers", type=int, default=2)
    parser.add_argument("--scaling", action="store_true")
    parser.add_argument("--plot", type=Path)
    asked = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        land = make_country(Path(folder), km=KM, count=asked.parcels)
        for workers in (1, 2) if asked.scaling else (asked.workers,):
            seconds, gauge, count = timed(land, workers=workers, protocol=Protocol())
            told(seconds, gauge, count, workers)
    if asked.plot:
        plot(gauge, asked.plot, f"{count} parcels, {KM:g} x {KM:g} km, 10 m cells")


if __name__ == "__main__":
    main()
