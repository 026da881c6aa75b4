"""Starting and stopping the desk."""

from __future__ import annotations

import logging
import shutil
import socket
import threading
import webbrowser
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path
from types import FrameType
from typing import TYPE_CHECKING

from rasterio.warp import transform_bounds

from siting.desk.back.records import remember_camera
from siting.desk.downloads import Downloads
from siting.desk.jobs import RUNS, Reader, Runner
from siting.desk.routes.back import RECEIVED
from siting.desk.server.app import make_app
from siting.desk.server.desk import Desk
from siting.desk.server.events import Events
from siting.desk.server.security import Gate
from siting.desk.storage.clock import now_text
from siting.desk.storage.office import SAID, open_office, parcel_folder, season
from siting.desk.storage.office_file import BACKUPS
from siting.desk.storage.store import Store
from siting.desk.tiles import Cover, Relief
from siting.desk.work.season import Seasons
from siting.disk.files import clean_parts, make_folder, remove
from siting.disk.lock import locked
from siting.errors import SitingError
from siting.read.input_files import raster_path
from siting.read.raster import rasters
from siting.settings.inputs import Inputs
from siting.settings.load import load_protocol
from siting.words.office.desk import CLOSED, HOW_TO_STOP

if TYPE_CHECKING:
    import uvicorn

Say = Callable[[str], None]
_MOST_BACKUPS = 14


def run_desk(
    folder: Path,
    inputs_file: Path | None,
    protocol_file: Path | None,
    *,
    say: Say,
    open_browser: bool = True,
    port: int = 0,
) -> None:
    """Serve the office until it is stopped; nobody but this machine can reach it.

    Raises
    ------
    SitingError
        E-DESK-01, E-DESK-04, and all that reading the maps may raise.
    ResourceError
        E-LOCK-01 when another desk works on the folder.
    """
    import uvicorn

    inputs = open_office(folder, inputs_file)
    with locked(folder):
        listening = _socket(port)
        desk = _desk(folder, inputs, protocol_file, Gate(listening.getsockname()[1]))
        address = f"http://127.0.0.1:{listening.getsockname()[1]}/enter?key={desk.gate.key}"
        say(f"The desk is open. If no browser appears, go to\n  {address}")
        say(HOW_TO_STOP)
        if open_browser:
            # To find and start a browser takes as long as what is left to load here.
            threading.Thread(target=webbrowser.open, args=(address,), daemon=True).start()
        config = uvicorn.Config(
            make_app(desk),
            ws="none",
            server_header=False,
            access_log=False,
            log_level="error",
            # An open page listens for events without end, and would keep the desk from stopping.
            timeout_graceful_shutdown=1,
        )
        server = uvicorn.Server(config)
        try:
            _serve(server, listening, desk.events)
            say(CLOSED)
        finally:
            desk.downloads.close()
            desk.seasons.close()
            desk.runner.close()
            desk.reader.close()
            desk.store.close()


def _serve(server: uvicorn.Server, listening: socket.socket, events: Events) -> None:
    """Answer until Ctrl and C; open pages are let go first, or they would hold the desk open."""
    asked_to_stop = server.handle_exit

    def stop(sig: int, frame: FrameType | None) -> None:
        events.close()
        asked_to_stop(sig, frame)

    server.handle_exit = stop  # type: ignore[method-assign]
    # What is cut off after a second had nobody waiting: its traceback helps no coordinator.
    logging.getLogger("uvicorn.error").addFilter(lambda record: not server.should_exit)
    # Where the interrupt is ignored, as for a job in the background, the server just returns.
    with suppress(KeyboardInterrupt):
        server.run(sockets=[listening])


def _socket(port: int) -> socket.socket:
    """A socket of this machine only. With the protocol named, answers are not held back 40 ms."""
    # asyncio then sends small answers at once: 0.6 ms in place of 44 (measured).
    made = socket.socket(socket.AF_INET, socket.SOCK_STREAM, socket.IPPROTO_TCP)
    made.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
    try:
        made.bind(("127.0.0.1", port))
    except OSError as error:
        raise SitingError(
            "E-DESK-05",
            f"Port {port} of this machine cannot be used: {error.strerror or error}.",
            rule="The desk listens on one port that no other program uses.",
            cure="Leave out --port, and a free one is taken.",
        ) from error
    made.listen(100)
    return made


def _desk(folder: Path, inputs: Inputs, protocol: Path | None, gate: Gate) -> Desk:
    events = Events()
    store = Store(folder)
    clean(folder, store)
    # A desk that was killed may have taken in a file and not got to its sum.
    for uid in store.signups_with_words():
        remember_camera(store, uid)
    back_up(store, folder / BACKUPS)
    runner = Runner(folder, store, protocol, events.tell)
    return Desk(
        folder=folder,
        store=store,
        gate=gate,
        relief=Relief(raster_path(inputs, inputs.dem, key="dem"), inputs.dem),
        runner=runner,
        reader=Reader(),
        events=events,
        bounds=_bounds(inputs),
        season=season(inputs),
        downloads=Downloads(folder, store, events.tell),
        seasons=Seasons(folder, store, protocol, events.tell),
        survey=inputs.survey,
        protocol=load_protocol(protocol),
        cover=_cover(inputs),
    )


def clean(folder: Path, store: Store) -> None:
    """Take away what a desk that was killed left half done; what it had saved stays."""
    clean_parts(folder / RECEIVED)
    # Marked after its files are gone: killed once more in between, the next start finds them.
    for uid, run in store.going():
        home = parcel_folder(folder, uid)
        shutil.rmtree(home / RUNS / run, ignore_errors=True)
        clean_parts(home)
        clean_parts(home / SAID)
    store.cut_short()
    for uid, run in store.replaced():
        shutil.rmtree(parcel_folder(folder, uid) / RUNS / run, ignore_errors=True)


def _cover(inputs: Inputs) -> Cover | None:
    """The land cover for the map to draw on; None for polygons or none at all."""
    spec = inputs.land_cover
    if spec is None or spec.is_polygons:
        return None
    return Cover(inputs, spec)


def back_up(store: Store, folder: Path) -> None:
    """A copy of the office file at the day's first start; the newest 14 are kept."""
    make_folder(folder)
    target = folder / f"office-{now_text()[:10]}.gpkg"
    if not target.exists():
        store.copy_to(target)
    for old in sorted(folder.glob("office-*.gpkg"))[:-_MOST_BACKUPS]:
        remove(old)


def _bounds(inputs: Inputs) -> tuple[float, float, float, float]:
    """(west, south, east, north) of the office's DEM, degrees."""
    path = raster_path(inputs, inputs.dem, key="dem")
    with rasters.opened(path, key="dem", spec=inputs.dem) as dataset:
        facts = rasters.describe(dataset, inputs.dem, key="dem")
        west, south, east, north = transform_bounds(facts.crs, "EPSG:4326", *dataset.bounds)
    return west, south, east, north
