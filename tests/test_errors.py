"""Every failure has a code, every code is used and documented, and messages have their parts."""

from __future__ import annotations

import ast
import errno
import os
import pickle
import re
from collections.abc import Iterator
from pathlib import Path

import pytest
import shapely

from siting.errors import (
    CODES,
    ResourceError,
    SettingsError,
    SitingError,
    memory_error,
    out_of_memory,
)

ROOT = Path(__file__).parents[1]
PAGE = (ROOT / "docs" / "errors.md").read_text(encoding="utf-8")
FILES = sorted((ROOT / "siting").rglob("*.py"))
CODE = re.compile(r"[EAW]-[A-Z]+(?:-\d\d)?")


def texts(path: Path) -> Iterator[str]:
    """Every string that a module's code holds, docstrings left out."""
    tree = ast.parse(path.read_text(encoding="utf-8"))
    told = {
        id(node.body[0].value)
        for node in ast.walk(tree)
        if isinstance(node, (ast.Module, ast.ClassDef, ast.FunctionDef))
        and node.body
        and isinstance(node.body[0], ast.Expr)
    }
    for node in ast.walk(tree):
        if isinstance(node, ast.Constant) and isinstance(node.value, str) and id(node) not in told:
            yield node.value


USED = {
    found
    for path in FILES
    if path.name != "errors.py"
    for text in texts(path)
    for found in CODE.findall(text)
    if CODE.fullmatch(text.partition(":")[0])
}


def test_every_code_is_used():
    assert sorted(set(CODES) - USED) == []


def test_every_error_that_is_used_is_known():
    # The prefixes by which a batch tells passing failures from lasting ones have no number.
    whole = {code for code in USED if code.startswith("E-") and code[-1].isdigit()}
    assert sorted(whole - set(CODES)) == []


def test_the_page_and_the_program_know_the_same_codes():
    rows = set(re.findall(r"^\| ([EAW]-[A-Z]+(?:-\d\d)?) \|", PAGE, flags=re.MULTILINE))
    notes = {code for code in USED if code[0] in "AW" and code[-1].isdigit()}
    assert sorted((set(CODES) | notes) ^ rows) == []


def test_codes_are_told_by_one_sentence_each():
    assert len(set(CODES.values())) == len(CODES)
    assert all(text.endswith(".") and text.count(". ") == 0 for text in CODES.values())


def raised(path: Path) -> Iterator[ast.Call]:
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if (
            isinstance(node, ast.Call)
            and isinstance(node.func, ast.Name)
            and node.func.id in ("SitingError", "ResourceError")
        ):
            yield node


@pytest.mark.parametrize("path", FILES, ids=lambda p: p.stem)
def test_every_failure_tells_what_rule_and_cure(path):
    for call in raised(path):
        named = {keyword.arg for keyword in call.keywords}
        starred = None in named or any(isinstance(a, ast.Starred) for a in call.args)
        assert starred or {"rule", "cure"} <= named, f"{path.name}:{call.lineno}"


def test_a_message_is_code_what_rule_cure():
    error = SitingError("E-FILE-01", "There is none.", rule="One is needed.", cure="Make one.")
    assert str(error) == "E-FILE-01: There is none. One is needed. Make one."
    assert (error.exit_status, error.what) == (3, "There is none.")


@pytest.mark.parametrize(
    "error",
    [
        SitingError("E-FILE-01", "what", rule="rule", cure="cure"),
        ResourceError("E-DISK-01", "what", rule="rule", cure="cure"),
        SettingsError("a.toml", ["one", "two"]),
    ],
)
def test_failures_cross_processes_whole(error):
    copy = pickle.loads(pickle.dumps(error))
    assert (type(copy), copy.code, str(copy)) == (type(error), error.code, str(error))


def test_all_faults_of_a_file_are_told_at_once():
    assert str(SettingsError("a.toml", ["one"])) == "E-SETTINGS-01: a.toml has one fault:\n  - one"
    assert "2 faults" in str(SettingsError("a.toml", ["one", "two"]))


def _raised(error: Exception, cause: Exception | None = None) -> Exception:
    try:
        raise error from cause
    except Exception as caught:
        return caught


@pytest.mark.parametrize(
    "error",
    [
        MemoryError(),
        shapely.errors.GEOSException("std::bad_alloc"),
        OSError(errno.ENOMEM, os.strerror(errno.ENOMEM)),
        RuntimeError("Cannot allocate memory"),
        RuntimeError("SUPERLU_MALLOC fails for buf in intCalloc() at line 173 in file memory.c"),
        _raised(SitingError("E-FILE-02", "x"), MemoryError()),
    ],
)
def test_a_lack_of_memory_is_known_under_every_name(error):
    assert out_of_memory(error)
    assert memory_error().code == "E-MEM-01"
    assert memory_error().exit_status == 3


@pytest.mark.parametrize(
    "error",
    [
        ValueError("no number"),
        OSError(errno.ENOSPC, "full"),
        SitingError("E-FILE-02", "out of memory.tif cannot be read"),
    ],
)
def test_other_failures_are_no_lack_of_memory(error):
    assert not out_of_memory(error)
