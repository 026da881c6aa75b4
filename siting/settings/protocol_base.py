"""What every table of the protocol file is made of: a number with unit, range and source."""

from __future__ import annotations

import ast
import inspect
import textwrap
from itertools import pairwise
from typing import Annotated, Any

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field

OWN = "our choice, see docs/method.md"
TRADE = "common practice, no source"
KOLOWSKI = "Kolowski & Forrester 2017, doi 10.1371/journal.pone.0186679 (effect); knots our choice"
SULTAIRE = (
    "Sultaire et al. 2023, Wildlife Biology (gentle slopes raise detection); knots our choice"
)
MOLL = "Moll et al. 2020, Wildlife Research 47:158-165 (2-3 times fewer detections behind cover)"
DERTIEN = "Dertien et al. 2021, Nature Conservation 44:51-68 (mammals 50-1000 m); knots our choice"
MARION = "Marion et al. 2021, doi 10.2981/wlb.00853 (red deer keep over 75 m from hikers by day)"
RCSC = "Alberta Remote Camera Steering Committee 2024, guidelines 2.0"


# Strict: "10" in quotes is a fault, and not the number that may have been meant.
class Section(BaseModel):
    """A table of the protocol file; unknown keys and NaN are faults."""

    model_config = ConfigDict(
        extra="forbid", frozen=True, strict=True, allow_inf_nan=False, validate_default=True
    )


def about(section: type[BaseModel]) -> str:
    """What a table is for, in its first line; also when Python runs without docstrings (-OO)."""
    text = section.__doc__
    if not text:
        # Python -OO drops docstrings; the source still has them, and the comments of the file need
        # them.
        tree = ast.parse(textwrap.dedent(inspect.getsource(section)))
        first = tree.body[0]
        text = ast.get_docstring(first) if isinstance(first, ast.ClassDef) else None
    return (text or "").strip().partition("\n")[0]


def param(default: Any, unit: str, source: str, help_text: str, **limits: Any) -> Any:
    """One number of the protocol with what a reader must know of it."""
    extra: dict[str, Any] = {"unit": unit, "source": source}
    return Field(default=default, description=help_text, json_schema_extra=extra, **limits)


def _check_knots(value: Any) -> tuple[tuple[float, float], ...]:
    try:
        pairs = tuple((x, y) for x, y in value)
    except (TypeError, ValueError):
        raise ValueError("a curve is a list of [value, membership] pairs") from None
    # Not isinstance: true and false are whole numbers to Python, and no knot is meant by them.
    if not all(type(n) in (int, float) for pair in pairs for n in pair):
        raise ValueError("a curve is a list of [value, membership] pairs of numbers")
    knots = tuple((float(x), float(y)) for x, y in pairs)
    if len(knots) < 2:
        raise ValueError("a curve needs at least two knots")
    if any(b[0] <= a[0] for a, b in pairwise(knots)):
        raise ValueError("the values of a curve must rise from knot to knot")
    if any(not 0.0 <= y <= 1.0 for _, y in knots):
        raise ValueError("every membership of a curve must lie in 0..1")
    return knots


Curve = Annotated[tuple[tuple[float, float], ...], BeforeValidator(_check_knots)]


def weight(default: float, source: str = OWN, *, most: float = 1.0) -> Any:
    """A weight of a table: a share 0..1 (or up to `most`), 0 switching it off."""
    text = "How much this one counts; 0 switches it off."
    return param(default, "share", source, text, ge=0.0, le=most)


def curve(knots: list[list[float]], unit: str, source: str, help_text: str) -> Any:
    """A curve of a table: knots of (value in the unit of `unit`, membership 0..1), rising."""
    return param(knots, f"{unit}, then membership 0..1", source, help_text)
