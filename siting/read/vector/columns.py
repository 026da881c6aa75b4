"""Columns of layers: text for people, and the classes that have a meaning for the score."""

from __future__ import annotations

import unicodedata
from collections.abc import Sequence
from typing import Any

import geopandas as gpd
import pandas as pd

from siting.errors import SitingError
from siting.settings.inputs import LayerInput
from siting.types import Note

_MOST_TEXT = 200
_SPACES = {"\t": " ", "\n": " ", "\r": " ", "\u2028": " ", "\u2029": " "}
# Columns with a meaning: the name of the column, what it may hold, and what is taken without it.
CLASSED = {
    "roads": ("class", ("major", "minor", "track"), "minor"),
    "trails": ("use", ("game", "quiet", "busy"), "quiet"),
}


def layer_columns(
    frame: gpd.GeoDataFrame, spec: LayerInput, name: str, file: str
) -> tuple[dict[str, Any], tuple[Note, ...]]:
    """Columns name and kind of a layer, and class or use where the layer has a meaning for it.

    Parameters
    ----------
    frame : the features as read
    spec : LayerInput, the column to take and what its values mean
    name : the layer ("roads", "trails", ...)
    file : name to show

    Returns
    -------
    (columns, notes) : columns as lists of text in the order of the features

    Raises
    ------
    SitingError
        E-FIELD-01 when the column named is missing, or holds a value that is not known.
    """
    out: dict[str, Any] = {"name": column_text(frame, "name")}
    out["kind"] = column_text(frame, "kind") if name != "no_go" else column_text(frame, "reason")
    if name not in CLASSED:
        return out, ()
    standard, known, fallback = CLASSED[name]
    column = spec.column or standard
    if column not in frame.columns:
        if spec.column:
            raise SitingError(
                "E-FIELD-01",
                f"{file} has no column {spec.column!r}.",
                rule=f"layers.{name}.column must be a column of the layer.",
                cure=f"It has {', '.join(map(str, frame.columns))}.",
            )
        out[standard] = [fallback] * len(frame)
        text = f"{file} has no column {standard}: every one of the {name} counts as {fallback}."
        return out, (Note("A-CLASS-01", "assumption", text),) if len(frame) else ()
    values = [spec.values.get(v, v) for v in column_text(frame, column)]
    _check_column(values, known=known, column=column, file=file)
    out[standard] = values
    return out, ()


def _check_column(values: Sequence[str], *, known: Sequence[str], column: str, file: str) -> None:
    """E-FIELD-01 when a column holds values that are not known."""
    unknown = sorted({str(v) for v in values if v not in known})
    if unknown:
        raise SitingError(
            "E-FIELD-01",
            f"{file}: column {column} holds {', '.join(repr(u) for u in unknown[:8])}.",
            rule=f"It may hold {', '.join(known)}.",
            cure='Map the values in the inputs file, as in values = { highway = "major" }.',
        )


def column_text(frame: gpd.GeoDataFrame, column: str) -> list[str]:
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
    if isinstance(value, float) and value.is_integer():
        value = int(value)
    text = "".join(_SPACES.get(c, c) for c in str(value))
    text = "".join("\ufffd" if unicodedata.category(c) in ("Cc", "Cs") else c for c in text)
    return text if len(text) <= _MOST_TEXT else text[: _MOST_TEXT - 1] + "\u2026"
