"""The documents hold what the program holds."""

from __future__ import annotations

import importlib.util
import re
from pathlib import Path

import pytest

from siting.cli.main import siting
from siting.errors import CODES
from siting.settings.protocol import Protocol
from siting.settings.text.toml import facts, rows

ROOT = Path(__file__).parents[1]
SPEC = importlib.util.spec_from_file_location("make_pages", ROOT / "docs" / "make_pages.py")
make_pages = importlib.util.module_from_spec(SPEC)
SPEC.loader.exec_module(make_pages)


@pytest.mark.parametrize("page", make_pages.PAGES)
def test_generated_pages_are_not_stale(page):
    stored = (ROOT / "docs" / page).read_text(encoding="utf-8")
    assert stored == make_pages.PAGES[page](), "run: python docs/make_pages.py"


def test_every_number_of_the_protocol_has_unit_and_source():
    for key, value, info in rows(Protocol()):
        told = facts(info)
        assert info.description, key
        assert told["source"], key
        if isinstance(value, (int, float)) and not isinstance(value, bool):
            assert told["unit"], key
            assert told["range"], key


def test_every_error_code_is_documented():
    page = (ROOT / "docs" / "errors.md").read_text(encoding="utf-8")
    assert [code for code in CODES if code not in page] == []


def test_every_command_is_documented_and_has_help():
    page = (ROOT / "docs" / "commands.md").read_text(encoding="utf-8")
    for name, command in siting.commands.items():
        assert f"siting {name}" in page
        assert command.help
        for option in command.params:
            assert option.param_type_name == "argument" or option.help, (name, option.name)


def test_links_between_documents_lead_somewhere():
    import re

    for page in [ROOT / "README.md", ROOT / "DEVELOPERS.md", *(ROOT / "docs").rglob("*.md")]:
        for target in re.findall(r"\]\(([^)#:]+?)(?:#[^)]*)?\)", page.read_text(encoding="utf-8")):
            assert (page.parent / target).exists(), f"{page.name}: {target}"


def test_no_host_of_a_package_registry_and_no_path_of_a_machine():
    import subprocess

    files = subprocess.run(
        ["git", "ls-files"], cwd=ROOT, capture_output=True, text=True, check=False
    ).stdout.split()
    words = ["/work" + "/", "/root" + "/", "pypi" + ".org", "files.python" + "hosted"]
    for name in files:
        path = ROOT / name
        if path.suffix in {".py", ".md", ".toml", ".js", ".html", ".css", ".csv", ".txt"}:
            text = path.read_text(encoding="utf-8")
            assert [w for w in words if w in text] == [], name


def test_every_law_names_its_tests():
    """Forty laws of docs/method/reliability.md, each with tests that are there."""
    text = (ROOT / "docs" / "method" / "reliability.md").read_text(encoding="utf-8")
    rows = re.findall(r"^\| (\d+(?:, \d+)*) [^|]+\|([^|]+)\|$", text, re.MULTILINE)
    assert [int(n) for numbers, _ in rows for n in numbers.split(", ")] == list(range(1, 41))
    for _, tests in rows:
        named = re.findall(r"`(tests/[\w/]+\.py)::(\w+)`", tests)
        assert named
        for file, test in named:
            assert f"def {test}(" in (ROOT / file).read_text(encoding="utf-8"), test
