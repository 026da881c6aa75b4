"""A file that opens the desk by a double click, for Windows, macOS and Linux."""

from __future__ import annotations

import shlex
import sys
from collections.abc import Sequence
from pathlib import Path

from siting.disk.files import make_runnable, write_atomic
from siting.errors import SitingError

_MARK = "Made by siting desk --starter"
NAMES = {"win32": "Start the desk.cmd", "darwin": "Start the desk.command"}
_LINUX = "start-the-desk.desktop"


def write_starter(folder: Path, arguments: Sequence[str], *, system: str = sys.platform) -> Path:
    """The starter for a system (as `sys.platform` names it) in a folder; where it is.

    `arguments` begin with the program.

    Raises
    ------
    SitingError
        E-OUT-04 where another file has its name.
    """
    path = folder / NAMES.get(system, _LINUX)
    if path.exists() and _MARK not in path.read_text(encoding="utf-8", errors="replace"):
        raise SitingError(
            "E-OUT-04",
            f"{path} is there already, and siting did not make it.",
            rule="A file that somebody else made is not replaced.",
            cure="Move it away, or run the command in another folder.",
        )
    write_atomic(path, starter_text(arguments, system=system))
    # macOS and Linux start only what is marked as a program.
    make_runnable(path)
    return path


def starter_text(arguments: Sequence[str], *, system: str) -> str:
    """What the starter holds: the command with every argument as it was given."""
    if system == "win32":
        # A percent sign would begin the name of a variable; UTF-8 for names of folders.
        line = " ".join(f'"{part.replace("%", "%%")}"' for part in arguments)
        return f"@echo off\r\nrem {_MARK}\r\nchcp 65001 >nul\r\n{line}\r\npause\r\n"
    if system == "darwin":
        return f"#!/bin/sh\n# {_MARK}\nexec {shlex.join(arguments)}\n"
    # Desktop Entry Specification 1.5, "The Exec key".
    return (
        f"[Desktop Entry]\n# {_MARK}\nType=Application\nName=Start the desk\nTerminal=true\n"
        f"Exec={' '.join(map(_quoted, arguments))}\n"
    )


def _quoted(part: str) -> str:
    """An argument in double quotes; a backslash is written twice more, as in any value there."""
    inner = part
    for sign in ("\\", '"', "`", "$"):
        inner = inner.replace(sign, "\\" + sign)
    return '"' + inner.replace("\\", "\\\\").replace("%", "%%") + '"'
