"""A folder for one run at a time."""

from __future__ import annotations

import json
import os
import socket
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from siting.disk.files import canonical_json, remove, write_atomic
from siting.errors import ResourceError, SitingError

LOCK = ".lock"
HOLDER = ".lock.json"


@contextmanager
def locked(folder: Path, *, wait_s: float = 0.0) -> Iterator[None]:
    """Hold a folder; the operating system frees it when this process ends, however it ends.

    Parameters
    ----------
    folder : Path
        It must be there.
    wait_s : float
        How long to wait for another run to end, seconds.

    Raises
    ------
    ResourceError
        E-LOCK-01 with the process and host that hold it.
    SitingError
        E-OUT-01 when nothing may be written to the folder.
    """
    # Loaded here: `import siting` stays quick, and reading needs no lock.
    from filelock import FileLock, Timeout

    lock, holder = FileLock(folder / LOCK), folder / HOLDER
    try:
        lock.acquire(timeout=wait_s)
    except Timeout as error:
        raise ResourceError(
            "E-LOCK-01",
            f"{folder} is in use by {_holder_words(holder)}.",
            rule="Only one run at a time can write to a folder.",
            cure="Wait until it finishes, or choose another folder with --out.",
        ) from error
    except OSError as error:
        raise SitingError(
            "E-OUT-01",
            f"The output folder {folder} is not writable: {error.strerror or error}.",
            rule="Results need a folder you can write to.",
            cure="Name another folder with --out.",
        ) from error
    try:
        who = {"pid": os.getpid(), "host": socket.gethostname()}
        write_atomic(holder, canonical_json(who))
        yield
    finally:
        # First the note of who holds it, then the lock: else it could be the next holder's note.
        remove(holder)
        lock.release()


def _holder_words(holder: Path) -> str:
    try:
        who = json.loads(holder.read_text(encoding="utf-8"))
        return f"process {int(who['pid'])} on {str(who['host'])[:100]}"
    except (OSError, ValueError, KeyError, TypeError):
        return "another run"
