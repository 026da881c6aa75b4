"""Measures of the program's own style, as a table.

    python -m tests.style_measures

Lines of a function are those of its code: without docstring, comments and blank lines. A
docstring "with a unit" is one of a public function or class that names a unit of measure.
"""

from __future__ import annotations

import ast
import io
import re
import tokenize
from collections import Counter
from pathlib import Path
from statistics import median, quantiles

PACKAGE = Path(__file__).parents[1] / "siting"
_UNIT = re.compile(
    r"\b(metres?|m|km|ha|degrees?|deg|seconds?|s|minutes?|min|hours?|days?|years?|share|shares|"
    r"0\.\.1|per|pixels?|px|cells?|bytes|MB|GB|NaN|percent|points)\b|%"
)
_FUNCTIONS = (ast.FunctionDef, ast.AsyncFunctionDef)


def code_lines(node: ast.AST, code: set[int]) -> int:
    """Lines of code from a function's first to its last, its docstring left out."""
    first, last = node.lineno, node.end_lineno
    held = set()
    if ast.get_docstring(node) is not None:
        held = set(range(node.body[0].lineno, node.body[0].end_lineno + 1))
    return len(set(range(first, last + 1)) & code - held)


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


def measures() -> dict[str, str]:
    """Each measure by its name."""
    sizes: list[int] = []
    code_count = comment_count = lines = public = documented = with_unit = 0
    longest: Counter[str] = Counter()
    files = sorted(PACKAGE.rglob("*.py"))
    for path in files:
        text = path.read_text(encoding="utf-8")
        tree = ast.parse(text)
        code, comments = lines_of(text)
        docs: set[int] = set()
        for node in ast.walk(tree):
            if isinstance(node, (*_FUNCTIONS, ast.ClassDef, ast.Module)):
                told = ast.get_docstring(node)
                if told is not None:
                    docs |= set(range(node.body[0].lineno, node.body[0].end_lineno + 1))
                if isinstance(node, ast.Module) or node.name.startswith("_"):
                    continue
                public += 1
                documented += told is not None
                with_unit += bool(told and _UNIT.search(told))
            if isinstance(node, _FUNCTIONS):
                sizes.append(code_lines(node, code))
                longest[f"{path.relative_to(PACKAGE)}:{node.name}"] = sizes[-1]
        lines += len(text.splitlines())
        code_count += len(code - docs)
        comment_count += len(comments)
    rooms = Counter(path.parent.relative_to(PACKAGE).as_posix() for path in files)
    name, most = longest.most_common(1)[0]
    room, count = max(rooms.items(), key=lambda item: item[1])
    return {
        "files / lines": f"{len(files)} / {lines:,}",
        "functions: median / 90th percentile / longest":
            f"{median(sizes):g} / {quantiles(sizes, n=10)[-1]:.0f} / {most} ({name})",
        "comment lines per 100 lines of code": f"{100 * comment_count / code_count:.1f}",
        "public names with a docstring": f"{documented / public:.0%}",
        "public docstrings that name a unit": f"{with_unit / public:.0%}",
        "files in the fullest room": f"{count} ({room})",
        "longest module": "{1} lines ({0})".format(*max(
            ((p.relative_to(PACKAGE).as_posix(), len(p.read_text().splitlines())) for p in files),
            key=lambda item: item[1])),
    }  # fmt: skip


if __name__ == "__main__":
    for name, value in measures().items():
        print(f"{name}: {value}")
