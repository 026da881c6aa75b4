"""The file that opens the desk by a double click."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest
from click.testing import CliRunner

from siting.cli.main import siting
from siting.cli.starter import starter_text, write_starter
from siting.errors import SitingError

ODD = ["/opt/py thon/python", "-m", "siting", 'a "b" $HOME `x` 100% \\d']


def test_the_command_writes_one_for_this_system(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    outcome = CliRunner().invoke(siting, ["desk", "-o", "my office", "--starter"])
    assert outcome.exit_code == 0, outcome.output
    (path,) = tmp_path.iterdir()
    assert path.name in outcome.output
    assert sys.executable in path.read_text()
    assert str(tmp_path / "my office") in path.read_text()
    assert not (tmp_path / "my office").exists(), "only the desk itself makes an office"


@pytest.mark.skipif(os.name != "posix", reason="needs a POSIX shell")
def test_the_one_for_macos_passes_every_argument_on_as_it_is(tmp_path):
    show = [sys.executable, "-c", "import sys; print(sys.argv[1:])", *ODD]
    path = write_starter(tmp_path, show, system="darwin")
    assert os.access(path, os.X_OK)
    said = subprocess.run([str(path)], capture_output=True, text=True, check=True).stdout
    assert said.strip() == repr(ODD)


@pytest.mark.skipif(os.name != "posix", reason="needs a POSIX shell")
def test_the_one_for_linux_follows_the_desktop_entry_specification():
    text = starter_text(ODD, system="linux")
    assert text.startswith("[Desktop Entry]\n")
    line = next(one for one in text.splitlines() if one.startswith("Exec="))
    # Undone as the specification says: the value's backslashes first, then the quotes (which are
    # those of a shell), then the doubled percent signs.
    inner = line.removeprefix("Exec=").replace("\\\\", "\\")
    said = subprocess.run(
        ["sh", "-c", f"printf '%s\\n' {inner}"], capture_output=True, text=True, check=True
    ).stdout
    assert said.replace("%%", "%").splitlines() == ODD


def test_the_one_for_windows_ends_its_lines_as_windows_does():
    text = starter_text(["C:\\py\\python.exe", "-m", "siting", "100%"], system="win32")
    assert '"C:\\py\\python.exe" "-m" "siting" "100%%"' in text
    assert "\n" not in text.replace("\r\n", "")


def test_a_file_of_somebody_else_is_not_replaced(tmp_path):
    path = write_starter(tmp_path, ["x"], system="linux")
    write_starter(tmp_path, ["y"], system="linux")
    assert '"y"' in path.read_text()
    path.write_text("mine")
    with pytest.raises(SitingError, match="E-OUT-04"):
        write_starter(tmp_path, ["x"], system="linux")
    assert Path(path).read_text() == "mine"
