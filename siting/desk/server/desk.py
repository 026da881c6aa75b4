"""All that the routes of the desk work with."""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path

from siting.desk.downloads import Downloads
from siting.desk.jobs import Reader, Runner
from siting.desk.server.events import Events
from siting.desk.server.security import Gate
from siting.desk.storage.store import Store
from siting.desk.tiles import Cover, Relief
from siting.desk.work.season import Seasons
from siting.settings.inputs import SurveyInput
from siting.settings.protocol import Protocol


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
