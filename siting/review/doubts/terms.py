"""What differs between cameras besides their places: bait, model, time of year.

Each becomes a term of its own in the models, so that it is not taken for the place.
"""

from __future__ import annotations

import datetime as dt
from collections import Counter
from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from siting.review.recorded.effort import GAPS_MIN, CameraRow
from siting.review.recorded.season import Deployment, some, warning
from siting.types import Note

Floats = NDArray[np.float64]
_LEAST_OF_A_MODEL = 5
_SLEEPS_S = 60.0
_IN_COMMON = 0.5
_YEAR_DAYS = 366
# What bait outdoes: an animal comes to the bait, by a path or without one.
BAITED_AWAY = ("trail", "crossing", "water", "valley")


class Terms(NamedTuple):
    """Columns (n, t) of what differs, their names, pairs that may be compared, and notes."""

    columns: Floats | None
    names: tuple[str, ...]
    comparable: NDArray[np.bool_] | None
    blocked: dict[str, str]
    notes: list[Note]


def terms_of(rows: Sequence[CameraRow]) -> Terms:
    """Terms of the deployments that are used, in their order."""
    held = [row.deployment for row in rows]
    bait, blocked, notes = _bait(held)
    models, more = _models(held)
    seasons, comparable, other = _seasons(held)
    columns = bait | models | seasons
    stacked = np.column_stack(list(columns.values())) if columns else None
    return Terms(stacked, tuple(columns), comparable, blocked, [*notes, *more, *other])


_Columns = dict[str, Floats]


def _bait(held: Sequence[Deployment]) -> tuple[_Columns, dict[str, str], list[Note]]:
    baited = np.array([one.baited for one in held], dtype=float)
    count = int(baited.sum())
    if not count:
        return {}, {}, []
    # No camera without bait is left to compare with.
    if count == len(held):
        note = warning("W-BAIT-01", n=count, what="All had: nothing is said of ways and water.")
        return {}, dict.fromkeys(BAITED_AWAY, "W-BAIT-01"), [note]
    note = warning("W-BAIT-01", n=count, what="Bait is allowed to bring records of its own.")
    return {"bait": baited}, {}, [note]


def _models(held: Sequence[Deployment]) -> tuple[_Columns, list[Note]]:
    """A term for each model of at least five cameras; the commonest is what they differ from."""
    counts = Counter(one.model for one in held if one.model)
    many = [name for name, count in counts.most_common() if count >= _LEAST_OF_A_MODEL]
    columns = {
        f"model {name}": np.array([one.model == name for one in held], dtype=float)
        for name in sorted(many[1:])
    }
    said = []
    if columns:
        said.append(f"Cameras of {len(many)} models were used: {some(sorted(many))}")
    sleepy = [one.id for one in held if one.delay_s > _SLEEPS_S]
    if sleepy:
        said.append(f"Cameras slept over {_SLEEPS_S:g} s after a picture: {some(sleepy)}")
    return columns, [warning("W-CAMERA-01", names="; ".join(said))] if said else []


def _seasons(
    held: Sequence[Deployment],
) -> tuple[_Columns, NDArray[np.bool_] | None, list[Note]]:
    """Sine and cosine of the time of year where seasons are mixed."""
    days = np.array([_days_of_year(one) for one in held], dtype=float)
    length = np.maximum(days.sum(axis=1), 1)
    shared = (days @ days.T) / np.minimum.outer(length, length)
    np.fill_diagonal(shared, np.nan)
    apart = np.nanmean(shared, axis=1) < _IN_COMMON if len(held) > 1 else np.zeros(len(held), bool)
    if not apart.any():
        return {}, None, []
    np.fill_diagonal(shared, 1)
    middle = np.array([_middle_of_year(one) for one in held]) * 2 * np.pi / _YEAR_DAYS
    names = some([one.id for one, far in zip(held, apart, strict=True) if far])
    note = warning("W-SEASON-01", n=int(apart.sum()), names=names)
    columns = {"time of year, sine": np.sin(middle), "time of year, cosine": np.cos(middle)}
    return columns, shared >= _IN_COMMON, [note]


def _days_of_year(one: Deployment) -> NDArray[np.bool_]:
    """Which days of the year a deployment recorded on, (366,)."""
    out = np.zeros(_YEAR_DAYS, dtype=bool)
    if one.start and one.end:
        days = (one.end.date() - one.start.date()).days + 1
        first = one.start.timetuple().tm_yday - 1
        out[(first + np.arange(min(days, _YEAR_DAYS))) % _YEAR_DAYS] = True
    return out


def _middle_of_year(one: Deployment) -> float:
    if not one.start or not one.end:
        return 0.0
    middle: dt.datetime = one.start + (one.end - one.start) / 2
    return float(middle.timetuple().tm_yday)


def other_counts(rows: Sequence[CameraRow]) -> dict[str, tuple[Floats, Floats]]:
    """Events and camera-days counted in another way, by the words for it; empty where all agree."""
    events = np.array([row.events[GAPS_MIN[0]] for row in rows], dtype=float)
    days = np.array([row.days for row in rows], dtype=float)
    cut = np.array([row.days_to_last for row in rows], dtype=float)
    sure = np.array([row.sure_events for row in rows], dtype=float)
    found = {}
    if any(row.fell_silent for row in rows):
        found["days up to the last picture only"] = (events, cut)
    if (sure < events).any() and sure.any():
        found["without records that a machine was not sure of"] = (sure, days)
    return found
