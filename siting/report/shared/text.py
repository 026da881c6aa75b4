"""Text of users made fit to be shown."""

from __future__ import annotations

import json
import re
from collections.abc import Mapping
from typing import Any

from siting.types import Parcel

_LONGEST_TEXT, _LONGEST_NOTE = 400, 1500
# C0 and C1 controls but tab and line feed, and halves of broken surrogate pairs.
_CONTROL = re.compile("[\x00-\x08\x0b-\x1f\x7f-\x9f\ud800-\udfff]")


def clean(text: object) -> str:
    """Any text of a user as one that can be shown: no control characters, not endless.

    Examples
    --------
    >>> clean("Old\\x00 mill\\ud800")
    'Old mill'
    """
    plain = _CONTROL.sub("", str(text))
    return plain if len(plain) <= _LONGEST_TEXT else plain[:_LONGEST_TEXT] + "…"


def clean_note(text: str) -> str:
    """A sentence of the program's own as one that can be shown, with what users wrote in it.

    It may be longer than a user's text: cut short, it would end before it has said what to do.
    """
    plain = _CONTROL.sub("", text)
    return plain if len(plain) <= _LONGEST_NOTE else plain[:_LONGEST_NOTE] + "…"


def land_name(parcel: Parcel) -> str:
    """What a page calls a piece of land: its label, else its identifier as one.

    Examples
    --------
    >>> from siting.types import Parcel
    >>> several = ("7", "Mill"), ("7", ""), ("parcel", "")
    >>> [land_name(Parcel(id, label, None, "")) for id, label in several]
    ['Mill', 'parcel 7', 'this parcel']
    """
    # An outline without a name of its own is called "parcel".
    plain = "this parcel" if parcel.id == "parcel" else f"parcel {clean(parcel.id)}"
    return clean(parcel.label) or plain


def json_for_script(data: Mapping[str, Any]) -> str:
    """JSON that cannot end the script element it stands in, in plain ASCII.

    Examples
    --------
    >>> json_for_script({"name": "</script>"})
    '{"name":"\\\\u003c/script\\\\u003e"}'
    """
    text = json.dumps(data, ensure_ascii=True, allow_nan=False, separators=(",", ":"))
    # As escapes these are the same JSON, and no text can close the script element.
    return text.replace("<", "\\u003c").replace(">", "\\u003e").replace("&", "\\u0026")
