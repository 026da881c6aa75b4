"""What every table of the inputs file is made of."""

from __future__ import annotations

from pydantic import BaseModel, ConfigDict

LAYER_NAMES = (
    "water",
    "trails",
    "crossings",
    "roads",
    "buildings",
    "feeders",
    "livestock",
    "no_go",
    "way_in",
    "fences",
    "trees",
)
PATH_KEYS = ("file", "far", "known_within")
"""Keys of the tables whose text is a path, also with `::LAYER`; a legend is one if it is a CSV."""
LEFT_OUT = ("", "leave out")
"""What a value of a column may mean, where features with it are not to be read."""


def number(value: int) -> float:
    """A whole number as a decimal; a ValueError, which is told with its key, when it is too large.

    Python's own error for 400 digits is another kind, which would pass as a fault of the program.
    """
    try:
        return float(value)
    except OverflowError:
        raise ValueError("is a number with hundreds of digits; no setting is that large") from None


class Table(BaseModel):
    """A table of the inputs file."""

    model_config = ConfigDict(extra="forbid", frozen=True, strict=True, allow_inf_nan=False)
