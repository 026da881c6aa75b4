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


# From low to high; a module imports only what stands in a lower line (or nothing of ours).
LOW = {
    "siting.errors", "siting.bands", "siting.kernels", "siting.curves", "siting.grid",
    "siting.types", "siting.files",
}  # fmt: skip
# What touches files on the way in and on the way out.
DOORS = {
    "siting.read", "siting.rasters", "siting.raster_layers", "siting.vectors", "siting.parcels",
    "siting.far_dem", "siting.been_there", "siting.input_files", "siting.working_grid",
    "siting.relief", "siting.columns",
    "siting.report",
}  # fmt: skip
# What calls the main path for one parcel or for many.
TOP = {
    "siting.pipeline", "siting.commands", "siting.cli", "siting.inspection", "siting.batch",
    "siting.batch_inputs", "siting.executors", "siting.cluster", "siting.journal", "siting.tasks",
}  # fmt: skip


def test_low_modules_import_only_low_ones():
    for name in LOW:
        assert set(EDGES[name]) <= LOW | {"siting"}, name


def test_the_pure_middle_knows_no_door_and_no_top():
    doors = {m for m in MODULES if m in DOORS or m.startswith("siting.report.")}
    pure = set(MODULES) - doors - TOP - {"siting", "siting.__main__"}
    for name in pure:
        assert not set(EDGES[name]) & (doors | TOP), (name, EDGES[name])


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
