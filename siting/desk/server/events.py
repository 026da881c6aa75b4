"""What happens at the desk, sent to every open page as server-sent events."""

from __future__ import annotations

import asyncio
import itertools
import json
from collections.abc import AsyncIterator
from typing import Any

_QUIET_S = 15.0
# A page that no longer reads must not fill the memory with what it missed.
_MOST_WAITING = 1000


class Events:
    """Listeners of this start of the desk; `tell` may be called from any thread."""

    def __init__(self) -> None:
        self._loop: asyncio.AbstractEventLoop | None = None
        self._listeners: set[asyncio.Queue[str | None]] = set()
        self._numbers = itertools.count(1)
        self._closed = False

    def attach(self, loop: asyncio.AbstractEventLoop) -> None:
        """The loop in which pages listen."""
        self._loop = loop

    def tell(self, name: str, values: dict[str, Any]) -> None:
        """Send an event to every page."""
        text = f"id: {next(self._numbers)}\nevent: {name}\ndata: {json.dumps(values)}\n\n"
        if self._loop is not None and not self._loop.is_closed():
            # Work is done in other threads, and asyncio's queues are made for one.
            self._loop.call_soon_threadsafe(self._put, text)

    def _put(self, text: str | None) -> None:
        for listener in self._listeners:
            if listener.qsize() < _MOST_WAITING:
                listener.put_nowait(text)

    def close(self) -> None:
        """End every stream, and each that is asked for from now on."""
        self._closed = True
        if self._loop is not None and not self._loop.is_closed():
            self._loop.call_soon_threadsafe(self._put, None)

    async def stream(self) -> AsyncIterator[str]:
        """Events for one page, with a sign of life every 15 s."""
        mine: asyncio.Queue[str | None] = asyncio.Queue()
        self._listeners.add(mine)
        try:
            # The browser connects again by itself; this is how soon.
            yield "retry: 1000\n\n"
            while not self._closed:
                try:
                    text = await asyncio.wait_for(mine.get(), _QUIET_S)
                except TimeoutError:
                    yield ": still here\n\n"
                    continue
                if text is None:
                    return
                yield text
        finally:
            self._listeners.discard(mine)
