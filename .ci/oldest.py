"""The oldest version of each dependency that pyproject.toml allows, as constraints for pip.

    python .ci/oldest.py > oldest.txt
"""

from __future__ import annotations

import re
import sys
import tomllib
from pathlib import Path

PROJECT = Path(__file__).parents[1] / "pyproject.toml"
_BOUND = re.compile(r"^([\w-]+)\s*(?:>=|==)\s*([\d.]+)")


def oldest() -> list[str]:
    """One `name==version` per dependency that has a lower bound."""
    project = tomllib.loads(PROJECT.read_text(encoding="utf-8"))["project"]
    found = (_BOUND.match(line) for line in project["dependencies"])
    return [f"{match[1]}=={match[2]}" for match in found if match]


if __name__ == "__main__":
    sys.stdout.write("\n".join(oldest()) + "\n")
