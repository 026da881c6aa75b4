"""From records to independent events, and from dates to camera-days."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable
from typing import Literal

_DAY_S = 86_400.0


def camera_days(start: dt.datetime, end: dt.datetime) -> float:
    """Days from start to end, both with a zone; nights of a clock change count what they last."""
    return (end - start).total_seconds() / _DAY_S


def count_events(
    times: Iterable[dt.datetime],
    *,
    gap_min: float = 30.0,
    counted_from: Literal["last", "first"] = "last",
) -> int:
    """Independent events among the records of one species at one deployment.

    A new event begins when at least `gap_min` minutes have passed since the last record, or since
    the first record of the event. Records of one instant are one: a herd, or a female and a male
    on two rows, is one event.

    Parameters
    ----------
    times : instants of the records, in any order
    gap_min : float, minutes; 30 is usual (common practice, no source)

    Examples
    --------
    >>> at = [dt.datetime(2026, 5, 1, m // 60, m % 60) for m in (0, 20, 40, 60, 100)]
    >>> count_events(at), count_events(at, counted_from="first")
    (2, 3)
    """
    gap = dt.timedelta(minutes=gap_min)
    count, reference = 0, None
    for time in sorted(set(times)):
        if reference is None or time - reference >= gap:
            count, reference = count + 1, time
        elif counted_from == "last":
            reference = time
    return count
