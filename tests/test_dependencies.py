"""What is imported is declared, what is declared is used, and each has its licence in the docs."""

from __future__ import annotations

import ast
import re
import sys
import tomllib
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]
PROJECT = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
# Names of packages that are not imported by their own name.
IMPORTED_AS = {"pillow": "PIL", "scikit-image": "skimage", "XStatic-Leaflet": "xstatic",
               "tomli-w": "tomli_w"}  # fmt: skip
# Read by the standard library where the system has no time zones of its own.
NEVER_IMPORTED = {"tzdata"}
# Comes with folium, whose pages it is part of.
WITHIN_ANOTHER = {"branca": "folium"}


def names(lines: list[str]) -> list[str]:
    return [re.match(r"[\w-]+", line)[0] for line in lines]


def declared() -> dict[str, str]:
    """Module of each package that installs with siting or with an extra of its users."""
    extras = PROJECT["optional-dependencies"]
    users = [line for name, lines in extras.items() if name != "dev" for line in lines]
    packages = names(PROJECT["dependencies"] + users)
    return {IMPORTED_AS.get(name, name).lower(): name for name in packages}


def imported() -> set[str]:
    """Modules that the package imports, wherever in a file, by their first word."""
    found: set[str] = set()
    for path in (ROOT / "siting").rglob("*.py"):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.Import):
                found |= {alias.name.partition(".")[0] for alias in node.names}
            elif isinstance(node, ast.ImportFrom) and node.module and not node.level:
                found.add(node.module.partition(".")[0])
            elif isinstance(node, ast.Call) and getattr(node.func, "id", "") == "import_module":
                found |= {a.value.partition(".")[0] for a in node.args
                          if isinstance(a, ast.Constant)}  # fmt: skip
    return found - set(sys.stdlib_module_names) - {"siting", "__future__"}


def test_what_is_imported_is_declared():
    missing = {m for m in imported() if WITHIN_ANOTHER.get(m, m).lower() not in declared()}
    assert missing == set()


def test_what_is_declared_is_used():
    used = {module.lower() for module in imported()} | NEVER_IMPORTED
    needed = {IMPORTED_AS.get(name, name).lower() for name in names(PROJECT["dependencies"])}
    assert needed - used == set()


def test_every_library_has_its_licence_in_the_docs():
    page = (ROOT / "docs" / "licences.md").read_text(encoding="utf-8")
    rows = re.findall(r"^\| ([\w-]+) \| [^|]+ \| [^|]+ \|$", page, re.MULTILINE)
    assert sorted(name for name in rows if name != "library") == sorted(declared().values())


@pytest.mark.parametrize("line", PROJECT["dependencies"])
def test_every_library_has_a_lower_bound(line):
    if line != "tzdata":  # any year's time zones will do
        assert re.search(r"(>=|==)\s*\d", line), line


def test_a_private_name_of_a_library_has_an_upper_bound():
    """Names that a library keeps to itself change without notice."""
    private: set[str] = set()
    for path in (ROOT / "siting").rglob("*.py"):
        text = path.read_text(encoding="utf-8")
        assert "spec_from_file_location" not in text, path.name
        found = re.findall(r"^\s*from ((?!siting)\w+)[\w.]*\._\w+ import", text, re.MULTILINE)
        private |= set(found)
    bounded = set(names([d for d in PROJECT["dependencies"] if "<" in d]))
    assert private <= bounded
