"""Where the land's files come from, and the lines that their publishers ask to be shown."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    pass


@dataclass(frozen=True)
class Source:
    """One input as it was read: file, fingerprint of the file, and what was found in it.

    `attribution` is the line that the data's licence asks to be shown, "" for none.
    """

    role: str
    file: str
    sha256: str
    facts: Mapping[str, Any]
    attribution: str = ""


@dataclass(frozen=True)
class Credit:
    """What a publisher asks to be said: the line, a short form, the licence, what was changed."""

    line: str
    short: str = ""
    title: str = ""
    licence: str = ""
    licence_url: str = ""
    changed: str = ""
