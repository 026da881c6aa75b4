"""How far a batch is: one bar on a terminal, a plain line a minute in a log."""

from __future__ import annotations

import sys
import time
from typing import Any

import click

_EVERY_SECONDS = 60.0


class BatchProgress:
    """Rate, remaining time and failures so far, on standard error.

    Parameters
    ----------
    terminal : bool or None
        Draw a bar; None finds out whether standard error is a terminal.
    every_s : float
        Seconds between two plain lines when it is none.
    """

    def __init__(self, *, terminal: bool | None = None, every_s: float = _EVERY_SECONDS) -> None:
        self._terminal = sys.stderr.isatty() if terminal is None else terminal
        self._every_s = every_s
        self._bar: Any = None
        self._total = self._ended = self._failed = self._before = 0
        self._start = self._shown_s = time.monotonic()

    def stage(self, words: str) -> None:
        """A step that has no parcels to count."""
        self.close()
        click.echo(f"{words} ...", err=True)

    def begin(self, total: int, *, done: int) -> None:
        """So many parcels are to do, and so many were done before."""
        from tqdm import tqdm

        self.close()
        if done:
            click.echo(f"{done} done already", err=True)
        # Parcels that were done before do not count in the rate: they took no time of this run.
        self._total, self._before, self._ended, self._failed = total, done, 0, 0
        self._start = self._shown_s = time.monotonic()
        if total:
            self._bar = tqdm(
                total=total,
                unit=" parcels",
                # A bar that draws itself anew would fill a log with its copies.
                disable=not self._terminal,
                file=sys.stderr,
                dynamic_ncols=True,
                postfix={"failed": 0},
            )

    def ended(self, *, failed: bool) -> None:
        """One parcel ended."""
        self._ended += 1
        self._failed += failed
        if self._bar is not None:
            self._bar.set_postfix({"failed": self._failed}, refresh=False)
            self._bar.update()
        now = time.monotonic()
        if not self._terminal and (
            now - self._shown_s >= self._every_s or self._ended == self._total
        ):
            self._shown_s = now
            click.echo(self.line(now), err=True)

    def line(self, now: float) -> str:
        """The same as the bar says, as plain text; `now` in seconds of the monotonic clock."""
        spent = max(now - self._start, 1e-9)
        rate = self._ended / spent
        left = (self._total - self._ended) / rate if rate else 0.0
        return (
            f"{self._ended}/{self._total} parcels, {rate:.1f} a second, "
            f"{_clock(left)} left, {self._failed} failed"
        )

    def close(self) -> None:
        """End the bar."""
        if self._bar is not None:
            self._bar.close()
            self._bar = None


def _clock(seconds: float) -> str:
    """Hours, minutes and seconds.

    Examples
    --------
    >>> _clock(75), _clock(3700)
    ('1:15', '1:01:40')
    """
    whole = round(seconds)
    hours, minutes = whole // 3600, whole // 60 % 60
    if hours:
        return f"{hours}:{minutes:02d}:{whole % 60:02d}"
    return f"{minutes}:{whole % 60:02d}"
