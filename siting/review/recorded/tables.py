"""Cells of the tables of a season: numbers, instants, places, and what is doubtful about them."""

from __future__ import annotations

import csv
import datetime as dt
import io
import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace
from zoneinfo import ZoneInfo

from siting.errors import SitingError
from siting.review.recorded.season import Deployment, some, warning
from siting.types import Note

Row = Mapping[str, str]
# On a sphere of 6,371 km.
M_PER_DEG = 111_195.0


def rows_of(text: str, name: str, needed: Sequence[str] = ()) -> list[Row]:
    """The rows of a CSV text by column name.

    Parameters
    ----------
    needed : columns without which nothing could be told from the table

    Raises
    ------
    SitingError
        E-TABLE-01 names the file when it is not a table, a column lacks or stands twice.
    """
    try:
        reader = csv.DictReader(io.StringIO(text.removeprefix("\ufeff")), strict=True)
        _check_columns([c or "" for c in reader.fieldnames or ()], name, needed)
        # What a row has beyond the heading comes under no name and is left out.
        found: list[Row] = [{k: (v or "").strip() for k, v in row.items() if k} for row in reader]
    except csv.Error as error:
        raise SitingError(
            "E-TABLE-01",
            f"{name} is not a table: {error}.",
            rule="A table is CSV text in UTF-8 whose first row names the columns.",
            cure="Save it again as CSV (comma separated, UTF-8).",
        ) from error
    return found


def _check_columns(columns: Sequence[str], name: str, needed: Sequence[str]) -> None:
    lacking = [c for c in needed if c not in columns]
    twice = sorted({c for c in columns if c and columns.count(c) > 1})
    if lacking:
        # Where one lacks, every row would be left out in silence, as if the cameras had seen
        # nothing.
        raise SitingError(
            "E-TABLE-01",
            f"{name} has no column {', '.join(lacking)}.",
            rule=f"It needs {', '.join(needed)}, by the names of the Camera Trap Data Package "
            "standard 1.0, separated by commas.",
            cure="Export the package again in version 1.0 of the standard, or rename the columns.",
        )
    if twice:
        raise SitingError(
            "E-TABLE-01",
            f"{name} has more than one column {', '.join(twice)}.",
            rule="Each column has a name of its own.",
            cure="Remove or rename the one that is not meant.",
        )


def number_in(
    row: Row,
    column: str,
    *,
    where: str,
    needed: bool = False,
    within: tuple[float, float] = (-math.inf, math.inf),
) -> float | None:
    """A number of a table, None where the cell is empty; E-TABLE-01 names row and column.

    `within` are the least and the most that it can be, in the unit of the column.
    """
    text = row.get(column, "")
    if not text and not needed:
        return None
    try:
        value = float(text)
    except ValueError:
        value = math.nan
    # float() takes "nan" and "inf", too, and one of them would spoil every sum.
    if not math.isfinite(value):
        raise SitingError(
            "E-TABLE-01",
            f"{where}, column {column}: {text!r} is not a number.",
            rule="Numbers are written with a decimal point and without separators.",
            cure="Check that a spreadsheet has not turned it into a date or a decimal comma.",
        )
    low, high = within
    if not low <= value <= high:
        limits = f"from {low:g} to {high:g}" if math.isfinite(high) else f"{low:g} or more"
        raise SitingError(
            "E-TABLE-01",
            f"{where}, column {column}: {value:g}.",
            rule=f"It is {limits}.",
            cure="Correct the cell, or leave it empty where it is not known.",
        )
    return value


_YES, _NO = ("true", "yes", "1"), ("false", "no", "0", "none", "")


def yes_or_no(row: Row, column: str, *, where: str) -> bool:
    """A cell that says yes or no; empty is no, and E-TABLE-01 names any other word."""
    text = row.get(column, "").lower()
    if text not in (*_YES, *_NO):
        raise SitingError(
            "E-TABLE-01",
            f"{where}, column {column}: {text[:40]!r}.",
            rule="It is true or false; empty stands for false.",
            cure="Write true or false.",
        )
    return text in _YES


def said_yes(text: str) -> bool:
    """Whether a cell says anything but no.

    Examples
    --------
    >>> said_yes("food"), said_yes("None"), said_yes("")
    (True, False, False)
    """
    return text.lower() not in _NO


def instant(text: str, *, where: str, zone: ZoneInfo | None = None) -> dt.datetime | None:
    """An instant of a table; None where the cell is empty, E-TIME-01 without a zone."""
    if not text:
        return None
    try:
        time = dt.datetime.fromisoformat(text.replace("Z", "+00:00"))
    except ValueError as error:
        raise SitingError(
            "E-TABLE-01",
            f"{where}: {text!r} is not a date or time.",
            rule="Times are written as 2026-05-01T12:00:00+02:00, days as 2026-05-01.",
            cure="Check that a spreadsheet has not turned it into a number.",
        ) from error
    if time.tzinfo is None:
        if zone is None:
            raise SitingError(
                "E-TIME-01",
                f"{where}: the time {text} has no time zone.",
                rule="A clock time without a zone is not an instant.",
                cure="Write the offset (2026-05-01T12:00:00+02:00); for a plain table, give "
                "survey.time_zone in the inputs file.",
            )
        time = time.replace(tzinfo=zone)
    return time


def degrees(row: Row, column: str, where: str) -> float:
    """Longitude or latitude in degrees; E-CRS-07 where not on Earth, E-TABLE-01 where empty."""
    value = number_in(row, column, where=where, needed=True) or 0.0
    most = 180.0 if column == "longitude" else 90.0
    other = "latitude" if column == "longitude" else "longitude"
    # 0/0 is what an empty place turns into on its way, not a place in the sea.
    nowhere = value == 0 and not number_in(row, other, where=where)
    if abs(value) > most or nowhere:
        raise SitingError(
            "E-CRS-07",
            f"{where}: {column} = {value:g}.",
            rule="Places are degrees: latitude -90 to 90, longitude -180 to 180, and not 0/0.",
            cure="Check that longitude and latitude have not changed places.",
        )
    return value


def by_id(deployments: Iterable[Deployment], name: str) -> dict[str, Deployment]:
    """Deployments by identifier; E-DEPLOY-01 where one is missing or stands on two rows."""
    found: dict[str, Deployment] = {}
    for one in deployments:
        if not one.id or one.id in found:
            raise SitingError(
                "E-DEPLOY-01",
                f"{name}: the deployment {one.id!r} appears twice or has no identifier.",
                rule="Each deployment has one row; a camera that was moved has a new one.",
                cure="Give a camera that was moved or turned a new row with its own dates.",
            )
        found[one.id] = one
    return found


def place_notes(deployments: Sequence[Deployment]) -> Iterable[Note]:
    """Warnings about places that are rounded or do not say how exact they are.

    Raises
    ------
    SitingError
        E-PLACE-01 when every place is rounded to two decimals of a degree (1 km) or fewer.
    """
    digits = [max(_decimals(d.lon), _decimals(d.lat)) for d in deployments]
    # Two decimals move a place by up to 790 m. At 100 m off, 0.37 of a trail's effect is left, at
    # 187 m 0.03 (simulated, shipped curves, trails 400 m apart).
    if digits and max(digits) <= 2:
        raise SitingError(
            "E-PLACE-01",
            f"All {len(digits)} places are rounded to {max(digits)} decimals of a degree.",
            rule="A place that may be a kilometre off cannot be judged by what lies within metres.",
            cure="Use the exact places; review.html can be passed on with --public.",
        )
    rounded = [d.id for d, n in zip(deployments, digits, strict=True) if n <= 3]
    if rounded:
        yield warning("W-PLACE-04", n=len(rounded), names=some(rounded))
    unstated = [d.id for d in deployments if d.uncertainty_m is None]
    if unstated:
        yield warning("W-PLACE-03", n=len(unstated))


def _decimals(value: float) -> int:
    return len(repr(value).partition(".")[2].rstrip("0"))


_COMPASS = ("compass", "magnetic")


def noted_headings(
    deployments: Mapping[str, Deployment],
) -> tuple[dict[str, Deployment], tuple[Note, ...]]:
    """Headings that can be judged, true north: zeros all over and compass headings cannot.

    Headings that are all 0 were not noted: a zero then stands for an empty cell. A heading is
    never guessed.
    """
    given = [d for d in deployments.values() if d.heading_deg is not None]
    zeros = [d.id for d in given if d.heading_deg == 0]
    compass = [d.id for d in given if any(word in d.comment.lower() for word in _COMPASS)]
    # Whether such a reading was turned to true north is not said, and nothing is guessed.
    notes, gone = [], set(compass)
    if len(given) >= 3 and len(zeros) > 0.3 * len(given):
        notes.append(warning("W-HEAD-01", n=len(zeros), given=len(given)))
        gone |= set(zeros)
    if compass:
        notes.append(warning("W-HEAD-02", n=len(compass), names=some(compass)))
    cleared = {
        key: replace(d, heading_deg=None) if key in gone else d for key, d in deployments.items()
    }
    return cleared, tuple(notes)


_MOVED = {"moved", "turned", "re-aimed", "reaimed", "relocated", "shifted"}
_APART_M = 50.0


def moved_notes(deployments: Sequence[Deployment]) -> Iterable[Note]:
    """Cameras that may not have stood where their row says all season."""
    moved = [d.id for d in deployments if _speaks_of_a_move(d.comment)]
    if moved:
        yield warning("W-DEPLOY-03", n=len(moved), names=some(moved))
    by_place: dict[str, list[Deployment]] = {}
    for one in deployments:
        if one.place_id:
            by_place.setdefault(one.place_id, []).append(one)
    apart = [name for name, held in by_place.items()
             if any(metres_between(held[0], d) > _APART_M for d in held[1:])]  # fmt: skip
    if apart:
        yield warning("W-PLACE-06", names=some(apart))


def _speaks_of_a_move(comment: str) -> bool:
    words = [word.strip(".,;:!?()") for word in comment.lower().split()]
    before = ["", *words]
    return any(word in _MOVED and before[i] != "not" for i, word in enumerate(words))


def metres_between(a: Deployment, b: Deployment) -> float:
    """Metres between the places of two deployments, flat Earth: they are near each other."""
    north = (a.lat - b.lat) * M_PER_DEG
    return math.hypot(north, (a.lon - b.lon) * M_PER_DEG * math.cos(math.radians(a.lat)))
