"""The stages of a run on one line of the terminal."""

from __future__ import annotations

import sys
import time
from collections.abc import Callable

import click


class progress_line:  # noqa: N801 - used like a function
    """Shows the stages of a run on a terminal; silent when the output goes to a file or a log."""

    def __init__(self) -> None:
        # Not on standard output, which holds the result alone and can be piped on.
        self._shown = sys.stderr.isatty()
        self._start = time.monotonic()

    def __enter__(self) -> Callable[[str], None]:
        return self._tell

    def __exit__(self, *_: object) -> None:
        if self._shown:
            click.echo("\r\033[K", nl=False, err=True)

    def _tell(self, stage: str) -> None:
        if self._shown:
            spent = time.monotonic() - self._start
            # The whole line is erased first, or the end of a longer stage would stay behind this
            # one.
            click.echo(f"\r\033[K{stage} ... ({spent:.0f} s)", nl=False, err=True)
