"""All that the routes of the desk work with."""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field
from pathlib import Path
from typing import ParamSpec, TypeVar

from siting.desk.downloads import Downloads
from siting.desk.jobs import Reader, Runner
from siting.desk.server.events import Events
from siting.desk.server.security import Gate
from siting.desk.storage.store import Store
from siting.desk.tiles import Cover, Relief
from siting.desk.work.season import Seasons
from siting.settings.inputs import SurveyInput
from siting.settings.protocol import Protocol

P = ParamSpec("P")
T = TypeVar("T")


@dataclass
class Desk:
    """All that the routes work with; `bounds` (west, south, east, north) of the DEM in degrees."""

    folder: Path
    store: Store
    gate: Gate
    relief: Relief
    runner: Runner
    reader: Reader
    events: Events
    bounds: tuple[float, float, float, float]
    season: str
    downloads: Downloads
    seasons: Seasons
    survey: SurveyInput
    protocol: Protocol
    cover: Cover | None = None
    reliefs: dict[str, Relief] = field(default_factory=dict)
    # One thread: saves are kept in the order they came, and no two are at the file at once.
    _saves: ThreadPoolExecutor = field(
        default_factory=lambda: ThreadPoolExecutor(1, thread_name_prefix="save")
    )

    async def saved(self, act: Callable[P, T], *values: P.args, **more: P.kwargs) -> T:
        """What an act gives that writes, once it is kept; all else is answered meanwhile.

        It goes on when who asked has gone: the page may be closed, and an act is whole.
        """
        kept = self._saves.submit(act, *values, **more)
        return await asyncio.shield(asyncio.wrap_future(kept))

    def end_saves(self) -> None:
        """Wait until what was asked to be saved is kept."""
        self._saves.shutdown()
