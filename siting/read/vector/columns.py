"""Columns of layers: text for people, and the classes that have a meaning for the score."""

from __future__ import annotations

import unicodedata
from collections.abc import Sequence
from typing import Any

import numpy as np
import pandas as pd

from siting.errors import SitingError
from siting.settings.given.layers import LayerInput
from siting.settings.given.tables import LEFT_OUT
from siting.types import BoolArray, Note

_MOST_TEXT = 200
_SPACES = {"\t": " ", "\n": " ", "\r": " ", "\u2028": " ", "\u2029": " "}
# Columns with a meaning: the name of the column, what it may hold, and what is taken without it.
CLASSED = {
    "roads": ("class", ("major", "minor", "track"), "minor"),
    "trails": ("use", ("game", "quiet", "busy"), "unknown"),
}
# Words that tell a way on foot, as tags and map legends of many countries' English have them.
_ON_FOOT = ("path", "foot", "steps", "bridle", "pedestrian", "trail", "cycleway")
# What says by itself that many people walk or ride there, as `siting.gather.vector.tags` takes
# their tags. Owned by the public is not walked by it, and "public" is none of them.
_WALKED = frozenset(
    [
        "paved",
        "asphalt",
        "concrete",
        "sidewalk",
        "greenway",
        "cycleway",
        "footway",
        "pedestrian",
        "promenade",
    ]
)
# Longer text is a comment or a path of a file.
_MOST_WORD = 60
# More kinds than a map legend ever has: such a column holds names.
_MOST_KINDS = 60
_TURNING = frozenset("\u200e\u200f\u061c\u202a\u202b\u202c\u202d\u202e\u2066\u2067\u2068\u2069")
_ZERO_WIDTH = frozenset("\u00ad\u034f\u180e\u200b\u2060\u2061\u2062\u2063\u2064\ufeff")


def hidden_signs(text: str) -> list[str]:
    """Signs of a text that nobody sees: of no width, or turning the direction of writing.

    The joiners that some scripts need between letters are none of them.
    """
    return [c for c in text if c in _TURNING or c in _ZERO_WIDTH]


def layer_columns(
    frame: pd.DataFrame, spec: LayerInput, name: str, file: str
) -> tuple[dict[str, Any], BoolArray, tuple[Note, ...]]:
    """Columns name, kind and error_m of a layer, and class or use where it has a meaning.

    Parameters
    ----------
    frame : the features as read, without their shapes
    spec : LayerInput, the column to take and what its values mean
    name : the layer ("roads", "trails", ...)
    file : name to show

    Returns
    -------
    (columns, kept, notes) : columns as lists in the order of the features, error_m in metres (NaN =
        nobody said); kept is (n,) bool, False for features that the inputs leave out

    Raises
    ------
    SitingError
        E-FIELD-01 when the column named is missing, or holds a value that is not known.
    """
    out: dict[str, Any] = {"name": column_text(frame, "name")}
    out["kind"] = column_text(frame, "kind") if name != "no_go" else column_text(frame, "reason")
    out["error_m"] = [np.nan if spec.error_m is None else spec.error_m] * len(frame)
    kept = np.ones(len(frame), dtype=bool)
    # Only roads and trails have classes that count; of all others a column gives the kind.
    standard, known, fallback = CLASSED.get(name, ("", (), ""))
    column = spec.column or standard
    if spec.column and column not in frame.columns:
        raise SitingError(
            "E-FIELD-01",
            f"{file} has no column {spec.column!r}.",
            rule=f"layers.{name}.column must be a column of the layer.",
            cure=f"It has {', '.join(map(str, frame.columns))}.",
        )
    if not column:
        return out, kept, ()
    if column not in frame.columns:
        walked = _walked(frame) if name == "trails" else [""] * len(frame)
        out[standard] = ["busy" if said else fallback for said in walked]
        left = frame[[not said for said in walked]]
        told = _walked_note(walked, file) + _unclassed(left, name, standard, fallback, file)
        return out, kept, told
    found = column_text(frame, column)
    # Without a list of what counts, a layer without classes takes every value as its kind.
    other = spec.other or ("" if standard else "*")
    meant = [spec.values.get(v, v if v in known else (other or v)) for v in found]
    kept &= ~np.isin(np.array(meant, dtype=object), LEFT_OUT)
    if not standard:
        out["kind"] = [v if m == "*" else m for v, m in zip(found, meant, strict=True)]
        return out, kept, _left_out(kept, name, column, file)
    meant = [fallback if m == "*" else m for m in meant]
    _check_column([m for m, k in zip(meant, kept, strict=True) if k], known, fallback, column, file)
    out[standard] = meant
    return out, kept, _left_out(kept, name, column, file)


def _unclassed(
    frame: pd.DataFrame, name: str, standard: str, fallback: str, file: str
) -> tuple[Note, ...]:
    """What is assumed where a layer says nothing of its classes."""
    if not len(frame):
        return ()
    if name == "trails":
        text = (
            f"{file} does not say who uses its trails: they may be game trails or full of people. "
            f'State it in a column {standard} ("game", "quiet" or "busy").'
        )
        return (Note("W-USE-01", "warning", text),)
    text = f"{file} has no column {standard}: every one of the {name} counts as {fallback}."
    notes = [Note("A-CLASS-01", "assumption", text)]
    column, values = _kinds_on_foot(frame)
    if column:
        text = (
            f"{file} holds ways on foot ({column}: {', '.join(values[:4])}), and all count as "
            f'{fallback} {name}. Name the column: column = "{column}", values = {{ '
            f'"{values[0]}" = "trails" }}.'
        )
        notes.append(Note("W-CLASS-01", "warning", text))
    return tuple(notes)


def _walked(frame: pd.DataFrame) -> list[str]:
    """What each feature says of the many people on it, as "column: value"; "" for nothing."""
    said = [""] * len(frame)
    for column in frame.columns:
        for row, value in enumerate(column_text(frame, column)):
            if not said[row] and len(value) <= _MOST_WORD and _says_walked(value):
                said[row] = f"{column}: {value}"
    return said


def _says_walked(value: str) -> bool:
    words = "".join(c if c.isalnum() else " " for c in value.lower()).split()
    # "Not paved" says the opposite.
    return bool(_WALKED.intersection(words)) and not {"not", "non", "no"}.intersection(words)


def _walked_note(said: Sequence[str], file: str) -> tuple[Note, ...]:
    count = sum(map(bool, said))
    if not count:
        return ()
    text = (
        f"{file}: {count} of {len(said)} trails nearby look like paths for people "
        f"({next(filter(None, said))}). They count as busy and draw no animals in the index. If "
        'few people walk there, say so in a column use ("quiet").'
    )
    return (Note("A-USE-03", "assumption", text),)


def _kinds_on_foot(frame: pd.DataFrame) -> tuple[str, list[str]]:
    """A column of kinds that names ways on foot, and those values; ("", []) for none."""
    for column in frame.columns:
        kinds = sorted(set(column_text(frame, column)) - {""})
        on_foot = [k for k in kinds if any(word in k.lower() for word in _ON_FOOT)]
        # A column of names ("Mill Path", "Church Lane") has nearly as many values as rows.
        if on_foot and len(kinds) <= min(_MOST_KINDS, max(len(frame) // 3, 2)):
            return str(column), on_foot
    return "", []


def _left_out(kept: BoolArray, name: str, column: str, file: str) -> tuple[Note, ...]:
    count = int((~kept).sum())
    if not count:
        return ()
    text = (
        f"{file} ({name}): {count} of {len(kept)} shapes nearby are left out by column {column}, "
        "as the inputs file asks."
    )
    return (Note("A-LEFT-OUT-01", "assumption", text),)


def _check_column(
    values: Sequence[str], known: Sequence[str], fallback: str, column: str, file: str
) -> None:
    """E-FIELD-01 when a column holds values that are not known."""
    unknown = sorted({str(v) for v in values if v not in (*known, fallback)})
    if unknown:
        raise SitingError(
            "E-FIELD-01",
            f"{file}: column {column} holds {', '.join(repr(u) for u in unknown[:8])}.",
            rule=f"It may hold {', '.join(known)}.",
            cure='Say what they mean in the inputs file, as in values = { primary = "major", '
            'path = "trails.quiet", steps = "leave out" }; other = "minor" speaks for the rest.',
        )


def column_text(frame: pd.DataFrame, column: str) -> list[str]:
    """A column as text for people: "" where it is empty or missing, without control characters.

    What is longer than 200 characters is cut: it is shown in lists, on a map and on a sheet.
    """
    if column not in frame.columns:
        return [""] * len(frame)
    return [plain_text(value) for value in frame[column]]


def plain_text(value: Any) -> str:
    """One value as a line of text; whole numbers that were stored as decimals lose their ".0"."""
    if value is None or value is pd.NaT or value is pd.NA or value != value:
        return ""
    # A column of whole numbers with one gap is stored as decimals: lot 7 must not become 7.0.
    if isinstance(value, float) and value.is_integer():
        value = int(value)
    text = "".join(_SPACES.get(c, c) for c in str(value))
    text = "".join("\ufffd" if unicodedata.category(c) in ("Cc", "Cs") else c for c in text)
    # A mark that turns the direction of writing would turn what stands beside the name as well.
    text = "".join(c for c in text if c not in _TURNING)
    return text if len(text) <= _MOST_TEXT else text[: _MOST_TEXT - 1] + "\u2026"
