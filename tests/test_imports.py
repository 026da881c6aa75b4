"""Structure: one direction of imports, no cycle, few doors to the disk."""

from __future__ import annotations

import ast
from pathlib import Path

import pytest

PACKAGE = Path(__file__).parents[1] / "siting"
FILES = sorted(PACKAGE.rglob("*.py"))


def module_of(path: Path) -> str:
    parts = path.relative_to(PACKAGE.parent).with_suffix("").parts
    return ".".join(parts[:-1] if parts[-1] == "__init__" else parts)


def imports_of(path: Path, *, top_only: bool = False) -> set[str]:
    """Modules of ours that a file imports; `siting.x` for `from siting import x`, too."""
    tree = ast.parse(path.read_text(encoding="utf-8"))
    found: set[str] = set()
    nodes = tree.body if top_only else ast.walk(tree)
    for node in nodes:
        if isinstance(node, ast.Import):
            found |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom) and node.module:
            inner = {f"{node.module}.{alias.name}" for alias in node.names}
            # `from siting import rasters` needs the module rasters, not the package's own names.
            found |= inner & set(MODULES) or {node.module}
    return found


MODULES = {module_of(path): path for path in FILES}
EDGES = {name: sorted(imports_of(path) & set(MODULES) - {name}) for name, path in MODULES.items()}


def test_no_import_cycle():
    state: dict[str, int] = {}

    def visit(name: str, trail: list[str]) -> None:
        if state.get(name) == 2:
            return
        assert state.get(name) != 1, " -> ".join([*trail, name])
        state[name] = 1
        for target in EDGES[name]:
            if target != "siting":
                visit(target, [*trail, name])
        state[name] = 2

    for name in EDGES:
        visit(name, [])


# The rooms of the house from low to high: a module imports from its own room and from lower ones.
ROOMS = (
    {"errors", "criteria", "bands", "kernels", "curves", "grid", "types", "spot_parts"}
    | {"files", "lengths", "lock", "notes"},
    {"settings"},
    {"ground"},
    {"heading", "scoring", "walk", "words", "decisions"},
    {"read"},
    {"web"},
    {"report"},
    {"gather"},
    {"pipeline"},
    {"batch"},
    {"notebook"},
    {"commands"},
    {"cli"},
    {"__main__"},
)  # fmt: skip
PURE = {"ground", "heading", "scoring", "walk", "words", "decisions"}
# Libraries that open files.
READERS = {"rasterio", "pyogrio", "geopandas", "tomllib", "folium", "gpxpy"}


def room_of(name: str) -> int:
    """The rank of a module's room; -1 for the package itself, whose names are loaded late."""
    if name == "siting":
        return -1
    room = name.split(".")[1]
    return next(rank for rank, rooms in enumerate(ROOMS) if room in rooms)


@pytest.mark.parametrize("name", sorted(MODULES))
def test_imports_go_from_higher_rooms_to_lower_ones(name):
    if name == "siting":
        return
    assert [to for to in EDGES[name] if room_of(to) > room_of(name)] == []


@pytest.mark.parametrize("name", sorted(m for m in MODULES if set(m.split(".")[1:2]) & PURE))
def test_the_pure_middle_opens_no_file(name):
    tree = ast.parse(MODULES[name].read_text(encoding="utf-8"))
    taken = {
        alias.name
        for node in ast.walk(tree)
        if isinstance(node, ast.Import)
        for alias in node.names
    } | {node.module or "" for node in ast.walk(tree) if isinstance(node, ast.ImportFrom)}
    # Shapes become cells in memory.
    taken -= {"rasterio.features"}
    assert {module.split(".")[0] for module in taken} & READERS == set()
    calls = [
        node.func for node in ast.walk(tree)
        if isinstance(node, ast.Call) and getattr(node.func, "id", "") == "open"
    ]  # fmt: skip
    assert not calls


@pytest.mark.parametrize("path", FILES, ids=module_of)
def test_no_print_and_no_assert_for_checking(path):
    tree = ast.parse(path.read_text(encoding="utf-8"))
    for node in ast.walk(tree):
        assert not isinstance(node, ast.Assert), f"{path.name}:{node.lineno}"
        if isinstance(node, ast.Call) and isinstance(node.func, ast.Name):
            assert node.func.id != "print", f"{path.name}:{node.lineno}"


@pytest.mark.parametrize("path", FILES, ids=module_of)
def test_only_files_opens_for_writing(path):
    """`open(..., 'w')`, `write_text`, `write_bytes` stand in files.py alone."""
    if path.name == "files.py":
        return
    tree = ast.parse(path.read_text(encoding="utf-8"))
    for node in ast.walk(tree):
        if not isinstance(node, ast.Call):
            continue
        name = getattr(node.func, "attr", getattr(node.func, "id", ""))
        assert name not in {"write_text", "write_bytes"}, f"{path.name}:{node.lineno}"
        if name == "open":
            modes = [a.value for a in node.args if isinstance(a, ast.Constant)]
            modes += [k.value.value for k in node.keywords
                      if k.arg == "mode" and isinstance(k.value, ast.Constant)]  # fmt: skip
            writing = [
                m for m in modes if isinstance(m, str) and len(m) <= 3 and set(m) & set("wax+")
            ]
            assert not writing, f"{path.name}:{node.lineno}"


@pytest.mark.parametrize("path", FILES, ids=module_of)
def test_modules_are_of_one_sitting(path):
    assert len(path.read_text(encoding="utf-8").splitlines()) <= 600


def test_only_one_maker_of_transformers():
    for path in FILES:
        if path.name != "grid.py":
            assert "Transformer.from_crs" not in path.read_text(encoding="utf-8"), path.name
