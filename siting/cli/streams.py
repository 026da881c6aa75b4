"""Standard output and error that never cost a run its files."""

from __future__ import annotations

import os
import sys
from typing import Any


class Forgiving:
    """Standard output or error that never ends a run: output that nobody reads is dropped.

    A pipe that was closed (`siting check x.toml | head -1`) or a stream that was never open must
    not cost the files of a run, nor change how it ends.
    """

    def __init__(self, stream: Any) -> None:
        self._stream = stream

    def write(self, text: str) -> int:
        """Write what can be written."""
        try:
            return int(self._stream.write(text))
        except (OSError, ValueError):
            # A pipe that was closed is an OSError, a stream that was closed a ValueError.
            self._give_up()
            return len(text)

    def flush(self) -> None:
        """Flush what can be flushed."""
        try:
            self._stream.flush()
        except (OSError, ValueError):
            self._give_up()

    def _give_up(self) -> None:
        # What is left in the buffer goes nowhere, or Python would complain about it on exit.
        nowhere = os.open(os.devnull, os.O_WRONLY)
        os.dup2(nowhere, self._stream.fileno())
        os.close(nowhere)

    def __getattr__(self, name: str) -> Any:
        # Whatever else a library asks of a stream (isatty, encoding, buffer) is answered as before.
        return getattr(self._stream, name)


def forgive_closed_streams() -> None:
    """Open 0, 1 and 2 where they are closed, or the next file opened would take their place."""
    for number in (0, 1, 2):
        try:
            os.fstat(number)
        except OSError:
            # The lowest free number is taken, and 0 is looked at first: each gets its own number
            # back.
            os.open(os.devnull, os.O_RDONLY if number == 0 else os.O_WRONLY)
    for name in ("stdout", "stderr"):
        stream = getattr(sys, name)
        if stream is None:
            stream = os.fdopen(1 if name == "stdout" else 2, "w", encoding="utf-8")
        setattr(sys, name, Forgiving(stream))
