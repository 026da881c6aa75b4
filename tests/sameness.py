"""Same bytes with other versions of the libraries: fingerprints of two runs, kept in a file.

    python -m tests.sameness FILE    writes FILE; where it is there already, compares with it

Run once in each environment. The first leaves the fingerprints of every output of the sample and
of a land with all kinds of layers; the others must find the same.
"""

from __future__ import annotations

import json
import subprocess
import sys
import tempfile
from pathlib import Path

import numpy as np

from tests.bad_inputs.runner import write_settings
from tests.test_surroundings import fingerprints, run, whole_land

ROOT = Path(__file__).parents[1]


def found() -> dict[str, str]:
    """Fingerprint of each output, by "land/name"."""
    with tempfile.TemporaryDirectory() as place:
        sample, own = Path(place) / "sample", Path(place) / "own"
        line = ["score", str(ROOT / "sample_rasters" / "inputs.toml"), "-o", str(sample)]
        subprocess.run([sys.executable, "-m", "siting", *line], check=True, capture_output=True)
        (Path(place) / "land").mkdir()
        land = whole_land(Path(place) / "land")
        write_settings(land)
        run(land, own)
        return {
            f"{folder.name}/{name}": value
            for folder in (sample, own)
            for name, value in fingerprints(folder).items()
        }


def main() -> None:
    kept = Path(sys.argv[1])
    now = found()
    if not kept.exists():
        kept.write_text(json.dumps(now, indent=1))
        print(f"{len(now)} outputs with numpy {np.__version__}")
        return
    before = json.loads(kept.read_text())
    other = sorted(name for name in before | now if before.get(name) != now.get(name))
    same = len(now) - len(other)
    print(f"{same} of {len(before)} outputs are the same with numpy {np.__version__}")
    if other:
        sys.exit("other bytes: " + ", ".join(other))


if __name__ == "__main__":
    main()
