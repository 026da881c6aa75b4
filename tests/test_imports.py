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
    {"errors", "decisions", "criteria", "kernels", "grid", "types", "spot_parts"}
    | {"disk", "lengths", "notes", "credits"},
    {"settings"},
    {"ground"},
    {"heading"},
    {"scoring"},
    {"walk"},
    {"words"},
    {"read"},
    {"web"},
    {"report"},
    {"gather"},
    {"pipeline"},
    {"batch"},
    {"notebook"},
    {"review"},
    {"commands"},
    {"desk"},
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
    """`open(..., 'w')`, `write_text`, `write_bytes` stand in disk/files.py alone."""
    if path == PACKAGE / "disk" / "files.py":
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


# Rooms whose outcome is numbers and keys; the sentences made of them stand in words/.
SILENT = {"heading", "scoring", "walk"}
# Modules that read text from outside by a regular expression. None reads our own sentences.
READS_OUTSIDE_TEXT = {
    "siting.disk.paths",  # FILE::LAYER as users write it
    "siting.disk.files",  # names of folders from parcel ids
    "siting.ground.cover",  # class codes of a legend
    "siting.read.cover",  # class codes
    "siting.read.file_kinds",  # XML and JSON of users
    "siting.report.files.gpx",  # what XML cannot hold
    "siting.report.files.tables",
    "siting.report.shared.assets",  # scripts and styles of libraries
    "siting.report.shared.text",  # control characters
    "siting.web.bundle",  # imports of the page's modules
}


def _sentences(tree: ast.AST) -> list[str]:
    """Texts of four words and more that are neither docstrings nor part of an error."""
    passed: set[int] = set()
    for node in ast.walk(tree):
        body = getattr(node, "body", None)
        if isinstance(body, list):
            # Docstrings, and the strings that stand below a constant to explain it.
            passed |= {id(n.value) for n in body if isinstance(n, ast.Expr)}
        if isinstance(node, ast.Call) and getattr(node.func, "id", "").endswith("Error"):
            passed |= {id(part) for part in ast.walk(node)}
    found = []
    for node in ast.walk(tree):
        if id(node) in passed or not isinstance(node, ast.Constant | ast.JoinedStr):
            continue
        parts = node.values if isinstance(node, ast.JoinedStr) else [node]
        text = " ".join(
            str(p.value) for p in parts if isinstance(p, ast.Constant) and isinstance(p.value, str)
        )
        if len(text.split()) >= 4:
            found.append(text)
    return found


def test_a_sentence_is_recognised():
    tree = ast.parse(
        'def f():\n    """Not this one at all."""\n    return f"Face {x} and walk on."'
    )
    assert _sentences(tree) == ["Face   and walk on."]
    assert _sentences(ast.parse('raise SitingError("E", "What is wrong with it.")')) == []


@pytest.mark.parametrize("name", sorted(m for m in MODULES if set(m.split(".")[1:2]) & SILENT))
def test_heading_scoring_and_walk_hold_no_sentence(name):
    tree = ast.parse(MODULES[name].read_text(encoding="utf-8"))
    assert _sentences(tree) == []


def test_no_regular_expression_reads_our_own_prose():
    using = {name for name, path in MODULES.items() if "re" in imports_of_all(path)}
    # The recipes of gather read addresses and catalogues of others.
    using = {name for name in using if not name.startswith("siting.gather")}
    assert using - READS_OUTSIDE_TEXT == set()


def imports_of_all(path: Path) -> set[str]:
    """Every module that a file imports, ours or not."""
    tree = ast.parse(path.read_text(encoding="utf-8"))
    plain = [n for n in ast.walk(tree) if isinstance(n, ast.Import)]
    return {alias.name for node in plain for alias in node.names}


@pytest.mark.parametrize(
    "room",
    sorted({path.parent for path in FILES}),
    ids=lambda p: str(p.relative_to(PACKAGE.parent)),
)
def test_a_room_holds_at_most_twelve_files(room):
    held = [path.name for path in room.iterdir() if path.suffix in (".py", ".js", ".css")]
    assert len(held) <= 12
