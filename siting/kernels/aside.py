"""Work done by a second process meanwhile, where a thread would wait for the interpreter."""

from __future__ import annotations

import multiprocessing
import os
import pickle
import signal
import sys
import threading
from collections.abc import Callable, Iterator, Mapping
from concurrent.futures import CancelledError, Future
from contextlib import contextmanager, suppress
from functools import partial
from multiprocessing.connection import Connection

from siting.kernels.bands import helpers

Content = Callable[[], str | bytes]


@contextmanager
def made_aside(makers: Mapping[str, Content]) -> Iterator[Mapping[str, Content]]:
    """The same makers, of which those of a second process only wait for what it made.

    What it cannot make, for whatever reason, is made here when it is asked for, so that a failure
    is the same as without it. Where no second core is wanted all is made here.

    Parameters
    ----------
    makers : mapping from a name to a function that gives text or bytes

    Yields
    ------
    mapping from the same names to functions that give the same
    """
    if not _can_split():
        yield makers
        return
    context = multiprocessing.get_context("fork")
    here, there = context.Pipe(duplex=False)
    other = context.Process(target=_make, args=(makers, here, there), daemon=True)
    other.start()
    there.close()
    made: dict[str, Future[str | bytes]] = {name: Future() for name in makers}
    # One thread takes each piece when it is ready, so that the other process need not wait.
    reader = threading.Thread(target=_receive, args=(here, made), daemon=True)
    reader.start()

    def get(name: str) -> str | bytes:
        try:
            return made.pop(name).result()
        except CancelledError:
            return makers[name]()

    try:
        yield {name: partial(get, name) for name in makers}
    finally:
        other.kill()
        other.join()
        reader.join()
        here.close()


def _can_split() -> bool:
    # A copy of a process has only the thread that made it: others may hold a lock for ever.
    alone = threading.active_count() == 1 and not multiprocessing.current_process().daemon
    return sys.platform == "linux" and helpers() > 1 and alone


def _make(makers: Mapping[str, Content], here: Connection, there: Connection) -> None:
    # As long as this copy could read, it would wait for ever to be read after the first was killed.
    here.close()
    # Whoever stops the program stops the first process, which ends this one.
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    with suppress(Exception):
        for name, make in makers.items():
            there.send_bytes(pickle.dumps((name, make())))
    # Nothing of the first process is to be tidied up by its copy.
    os._exit(0)


def _receive(here: Connection, made: Mapping[str, Future[str | bytes]]) -> None:
    """Pass on what the other process made; what it does not make is given up."""
    waiting = dict(made)
    with suppress(EOFError, OSError):
        while waiting:
            name, content = pickle.loads(here.recv_bytes())
            waiting.pop(name).set_result(content)
    for future in waiting.values():
        future.cancel()
