"""Small land and quick rules for the tests of the batch."""

from __future__ import annotations

import hashlib
from pathlib import Path
from typing import Any

from siting.batch.run import Outcome, run_batch
from siting.batch.work import Options
from siting.settings.load import load_inputs
from siting.settings.protocol import Protocol
from siting.settings.text.faults import validate
from tests.speed.make_country import make_country

# The run record carries its time, the journal the order of events; every other byte must agree.
_FREE = ("run.json", "journal.jsonl", ".lock", ".lock.json")
QUICK_RULES = {
    "grid": {"context_m": 60.0},
    "heading": {},
    "candidates": {"places": 10, "spots": 3},
    "stability": {"draws": 12},
    "assign": {"distance_m": 400.0, "lowest": 0.0},
}


# For land at its real size where a test asks what follows a score, and not how sure a rank is.
FEW_TRIALS = "[grid]\ncontext_m = 60.0\n[candidates]\nspots = 3\n[stability]\ndraws = 12\n"


def few_trials(folder: Path) -> Path:
    """A protocol file under which the sample takes half the time; for desks and command lines."""
    path = folder / "rules.toml"
    path.write_text(FEW_TRIALS, encoding="utf-8")
    return path


class Quiet:
    """A watcher that only counts."""

    def __init__(self) -> None:
        self.failed = self.count = self.before = 0

    def stage(self, words: str) -> None:
        pass

    def begin(self, total: int, *, done: int) -> None:
        self.before = done

    def ended(self, *, failed: bool) -> None:
        self.count += 1
        self.failed += failed


def quick_protocol(**changes: Any) -> Protocol:
    """Rules under which a small parcel takes a fraction of a second."""
    return validate(Protocol, {**QUICK_RULES, **changes}, source="test")


def small_land(folder: Path, *, count: int = 4) -> Path:
    """Inputs file of a few parcels, one of them (the second) a line that is no parcel."""
    path = make_country(folder, km=2.4, count=count)
    spoil(folder / "parcels.gpkg", "L0002")
    return path


def spoil(path: Path, identifier: str) -> None:
    """Make one parcel's outline one without area."""
    import geopandas as gpd
    from shapely import Polygon

    frame = gpd.read_file(path, layer="parcels")
    row = frame.index[frame["id"] == identifier][0]
    x, y = frame.geometry[row].centroid.coords[0]
    frame.loc[row, "geometry"] = Polygon([(x, y), (x + 100, y), (x + 200, y), (x, y)])
    path.unlink()
    frame.to_file(path, layer="parcels", driver="GPKG")


def run(inputs_file: Path, folder: Path, **options: Any) -> Outcome:
    """One batch with the quick rules."""
    protocol = options.pop("protocol", None) or quick_protocol()
    watcher = options.pop("watcher", None) or Quiet()
    chosen = Options(**{"workers": 0, "pages": None, "assign": True, **options})
    return run_batch(load_inputs(inputs_file), protocol, folder, options=chosen, watcher=watcher)


def digests(folder: Path) -> dict[str, str]:
    """SHA-256 of every file of a batch whose bytes must not depend on how it was run."""
    return {
        path.relative_to(folder).as_posix(): hashlib.sha256(path.read_bytes()).hexdigest()
        for path in sorted(folder.rglob("*"))
        if path.is_file() and path.name not in _FREE
    }
