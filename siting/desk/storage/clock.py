"""The time as the desk writes it."""

from __future__ import annotations

import datetime as dt


def now_text() -> str:
    """The moment in UTC, as 2027-03-02T14:05:00.123Z; for people, never to put things in order."""
    moment = dt.datetime.now(dt.UTC)
    return moment.strftime("%Y-%m-%dT%H:%M:%S.") + f"{moment.microsecond // 1000:03d}Z"
