"""Text of users made fit to be shown."""

from __future__ import annotations

import json
import re
from collections.abc import Mapping
from typing import Any

_LONGEST_TEXT = 400
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
