"""Measures of the program's own style, as a table; with names of rooms, what each still lacks.

    python -m tests.style_measures
    python -m tests.style_measures ground heading

Lines of a function are those of its code: without docstring, comments and blank lines. A public
name "with a quantity" is a function or class of a module, or a method or property of a public
class, whose annotations speak of a float or an array; its docstring is to name a unit (or, for
an array of marks and codes, its shape).
"""

from __future__ import annotations

import ast
import io
import re
import sys
import tokenize
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from statistics import median, quantiles

PACKAGE = Path(__file__).parents[1] / "siting"
TOP = "top"
_UNIT = re.compile(
    r"\b([Mm]etres?|m|km|ha|hectares?|feet|degrees?|deg|seconds?|s|ms|[Mm]inutes?|min|hours?|days?|"
    r"nights?|years?|months?|dates?|shares?|ratio|0\.\.1|0 to 1|1/m|per|pixels?|px|cells?|rows|"
    r"bytes|MB|GB|NaN|percent|points|mm|without a unit|in the unit of)\b|%|\(n\b"
)
_QUANTITY = re.compile(r"\b(float|floating|Floats|ndarray|NDArray|\w+Array|Layers)\b")
_FUNCTIONS = (ast.FunctionDef, ast.AsyncFunctionDef)
_WITH_A_DOCSTRING = (*_FUNCTIONS, ast.ClassDef, ast.Module)


@dataclass
class Measured:
    """What some files of the package come to."""

    files: list[Path] = field(default_factory=list)
    lines: Counter[str] = field(default_factory=Counter)
    code: int = 0
    comments: int = 0
    functions: Counter[str] = field(default_factory=Counter)
    public: int = 0
    documented: int = 0
    quantities: int = 0
    without_unit: list[str] = field(default_factory=list)

    @property
    def comments_per_100(self) -> float:
        """Comment lines per 100 lines of code."""
        return 100 * self.comments / max(self.code, 1)


def code_lines(node: ast.AST, code: set[int]) -> int:
    """Lines of code from a function's first to its last, its docstring left out."""
    return len(set(range(node.lineno, node.end_lineno + 1)) & code - docstring_lines(node))


def docstring_lines(node: ast.AST) -> set[int]:
    """Numbers of the lines that a docstring takes; none if there is none."""
    if ast.get_docstring(node) is None:
        return set()
    return set(range(node.body[0].lineno, node.body[0].end_lineno + 1))


def lines_of(text: str) -> tuple[set[int], set[int]]:
    """(lines with code, lines with a comment) of a source text, counted from 1."""
    code, comments = set(), set()
    nothing = {tokenize.NL, tokenize.NEWLINE, tokenize.INDENT, tokenize.DEDENT,
               tokenize.ENCODING, tokenize.ENDMARKER}  # fmt: skip
    for token in tokenize.generate_tokens(io.StringIO(text).readline):
        if token.type == tokenize.COMMENT:
            if not token.string.startswith(("# fmt", "# noqa", "# type")):
                comments.add(token.start[0])
        elif token.type not in nothing:
            code |= set(range(token.start[0], token.end[0] + 1))
    return code, comments


def public_nodes(tree: ast.AST, inside: str = "") -> Iterator[tuple[str, ast.AST]]:
    """(name, node) of a module's public functions and classes and of the classes' members."""
    for node in ast.iter_child_nodes(tree):
        if isinstance(node, (*_FUNCTIONS, ast.ClassDef)) and not node.name.startswith("_"):
            yield f"{inside}{node.name}", node
            if isinstance(node, ast.ClassDef):
                yield from public_nodes(node, f"{inside}{node.name}.")


def has_quantity(node: ast.AST) -> bool:
    """Whether a float or an array stands in what a function takes and gives, or a class holds."""
    if isinstance(node, _FUNCTIONS):
        every = [*node.args.posonlyargs, *node.args.args, *node.args.kwonlyargs]
        notes = [arg.annotation for arg in every] + [node.returns]
    else:
        notes = [part.annotation for part in node.body if isinstance(part, ast.AnnAssign)]
    return any(note is not None and _QUANTITY.search(ast.unparse(note)) for note in notes)


def files_of(room: str) -> list[Path]:
    """The Python files of a room and the rooms in it; of TOP those beside the rooms."""
    if room == TOP:
        return sorted(PACKAGE.glob("*.py"))
    return sorted((PACKAGE / room).rglob("*.py"))


def rooms() -> list[str]:
    """Names of all rooms of the package, TOP first."""
    return [TOP, *sorted({p.relative_to(PACKAGE).parts[0] for p in PACKAGE.rglob("*/*.py")})]


def measured(files: list[Path]) -> Measured:
    """What the files come to."""
    out = Measured(files)
    for path in files:
        text, name = path.read_text(encoding="utf-8"), path.relative_to(PACKAGE).as_posix()
        tree = ast.parse(text)
        code, comments = lines_of(text)
        docs: set[int] = set()
        for node in ast.walk(tree):
            if isinstance(node, _WITH_A_DOCSTRING):
                docs |= docstring_lines(node)
            if isinstance(node, _FUNCTIONS):
                out.functions[f"{name}:{node.name}:{node.lineno}"] = code_lines(node, code)
        out.lines[name] = len(text.splitlines())
        out.code += len(code - docs)
        out.comments += len(comments)
        _add_docstrings(out, name, tree)
    return out


def _add_docstrings(out: Measured, name: str, tree: ast.AST) -> None:
    for called, node in public_nodes(tree):
        said = ast.get_docstring(node)
        out.public += 1
        out.documented += said is not None
        if has_quantity(node):
            out.quantities += 1
            if not (said and _UNIT.search(said)):
                out.without_unit.append(f"{name}:{called}")


def measures() -> dict[str, str]:
    """Each measure of the whole package by its name."""
    all_files = sorted(PACKAGE.rglob("*.py"))
    whole = measured(all_files)
    sizes = list(whole.functions.values())
    name, most = whole.functions.most_common(1)[0]
    module, longest = whole.lines.most_common(1)[0]
    folders = Counter(path.parent.relative_to(PACKAGE).as_posix() for path in all_files)
    room, count = max(folders.items(), key=lambda item: item[1])
    with_unit = 1 - len(whole.without_unit) / whole.quantities
    return {
        "files / lines": f"{len(all_files)} / {sum(whole.lines.values()):,}",
        "functions: median / 90th percentile / longest":
            f"{median(sizes):g} / {quantiles(sizes, n=10)[-1]:.0f} / {most} ({name})",
        "comment lines per 100 lines of code": f"{whole.comments_per_100:.1f}",
        "public names with a docstring": f"{whole.documented / whole.public:.0%}",
        "public names with a quantity whose docstring names a unit":
            f"{with_unit:.0%} of {whole.quantities}",
        "files in the fullest room": f"{count} ({room})",
        "longest module": f"{longest} lines ({module})",
        "modules over 350 lines": str(sum(n > 350 for n in whole.lines.values())),
    }  # fmt: skip


def print_room(room: str) -> None:
    """A room's measures and what it lacks."""
    found = measured(files_of(room))
    wanted = max(0, -(-4 * found.code // 100) - found.comments)
    print(f"{room}: {found.code} lines of code, {found.comments_per_100:.1f} comments per 100 "
          f"({wanted} lines to go), {len(found.without_unit)} of {found.quantities} quantities "
          "without a unit")  # fmt: skip
    for name in found.without_unit:
        print(f"  no unit: {name}")
    for name, count in found.lines.items():
        if count > 350:
            print(f"  long: {name} {count}")


if __name__ == "__main__":
    for named in sys.argv[1:]:
        print_room(named)
    if not sys.argv[1:]:
        for label, value in measures().items():
            print(f"{label}: {value}")
        for named in rooms():
            found = measured(files_of(named))
            print(f"  {named}: {found.comments_per_100:.1f} comments per 100, "
                  f"{len(found.without_unit)} of {found.quantities} without a unit")  # fmt: skip
