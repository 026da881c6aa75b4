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
from multiprocessing.process import BaseProcess
from typing import Any, TypeVar

from siting.kernels.bands import helpers

T = TypeVar("T")
Maker = Callable[[], Any]


@contextmanager
def begun(step: Callable[[], T], *, loads: str) -> Iterator[Callable[[], T]]:
    """A step that a second process does while this one does something else.

    What it loads would wait for the interpreter here; where it is loaded already, there is less to
    gain than the copy of a process costs, and the step is done when it is asked for.

    Parameters
    ----------
    step : function
        What it gives must be the same from a copy of this process, and is handed over by pickle.
    loads : str
        The library whose loading either side waits for.

    Yields
    ------
    function that gives what the step gives, or raises what it raises
    """
    if loads in sys.modules:
        yield step
        return
    with made_aside({"step": step}) as waiting:
        yield waiting["step"]


@contextmanager
def made_aside(makers: Mapping[str, Maker]) -> Iterator[Mapping[str, Maker]]:
    """The same makers, of which those of a second process only wait for what it made.

    What it cannot make, for whatever reason, is made here when it is asked for, so that a failure
    is the same as without it. Where no second core is wanted all is made here.

    Parameters
    ----------
    makers : mapping from a name to a function; what it gives is handed over by pickle

    Yields
    ------
    mapping from the same names to functions that give the same
    """
    with Ahead() as ahead:
        ahead.begin(lambda: lambda rest: makers)
        with ahead.made(None, makers) as waiting:
            yield waiting


class Ahead:
    """A second process that prepares something now, and finishes it with what is found meanwhile.

    A context: at its end the process ends. Where `begin` was not called, or no second core is
    wanted, all is made here.
    """

    def __init__(self) -> None:
        self._other: BaseProcess | None = None
        self._pipe: Connection | None = None

    def __enter__(self) -> Ahead:
        return self

    def __exit__(self, *_: object) -> None:
        if self._other is not None and self._pipe is not None:
            # What it has not made by now nobody asks for.
            _end(self._other)
            self._pipe.close()
            self._other = None

    @property
    def at_work(self) -> bool:
        """Whether there is a second process."""
        return self._other is not None

    def begin(self, prepare: Callable[[], Callable[[Any], Mapping[str, Maker]]]) -> None:
        """Split off the second process, which prepares.

        Parameters
        ----------
        prepare : function; what it gives turns what is found meanwhile into makers, each of which
            gives the same there as here
        """
        if self.at_work or not _can_split():
            return
        self._pipe, there = multiprocessing.Pipe()
        self._other = _copy_for(partial(_make, prepare, self._pipe, there))
        there.close()

    @contextmanager
    def made(self, rest: Any, makers: Mapping[str, Maker]) -> Iterator[Mapping[str, Maker]]:
        """The same makers, of which those of the second process only wait for what it made.

        Parameters
        ----------
        rest : what was found meanwhile, handed over by pickle
        makers : mapping from a name to what makes it here, where the second process cannot
        """
        if self._other is None or self._pipe is None:
            yield makers
            return
        made: dict[str, Future[Any]] = {name: Future() for name in makers}
        # One thread takes each piece when it is ready, so that the other process need not wait.
        talk = threading.Thread(target=_receive, args=(self._pipe, rest, made), daemon=True)
        talk.start()

        def get(name: str) -> Any:
            try:
                return made.pop(name).result()
            except CancelledError:
                return makers[name]()

        try:
            yield {name: partial(get, name) for name in makers}
        finally:
            # Its end is what the thread waits for, if not all was asked for.
            self._other.kill()
            talk.join()


@contextmanager
def done_aside(step: Callable[[], object]) -> Iterator[Callable[[], None]]:
    """A step of which only what it leaves on disk counts, done by a second process meanwhile.

    Yields
    ------
    function that waits for its end; where no second core is wanted the step is not done at all
    """
    if not _can_split():
        yield lambda: None
        return
    other = _copy_for(step)
    try:
        yield other.join
    finally:
        _end(other)


def _copy_for(step: Callable[[], object]) -> BaseProcess:
    """A copy of this process that does one step and ends, begun."""
    other = multiprocessing.get_context("fork").Process(target=_do, args=(step,), daemon=True)
    other.start()
    return other


def _do(step: Callable[[], object]) -> None:
    # Whoever stops the program stops the first process, which ends this one.
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    with suppress(Exception):
        step()
    # Nothing of the first process is to be tidied up by its copy.
    os._exit(0)


def _end(other: BaseProcess) -> None:
    other.kill()
    other.join()


def _can_split() -> bool:
    # A copy of a process has only the thread that made it: others may hold a lock for ever.
    alone = threading.active_count() == 1 and not multiprocessing.current_process().daemon
    return sys.platform == "linux" and helpers() > 1 and alone


def _make(
    prepare: Callable[[], Callable[[Any], Mapping[str, Maker]]],
    here: Connection,
    there: Connection,
) -> None:
    # As long as this copy could read, it would wait for ever to be read after the first was killed.
    here.close()
    finish = prepare()
    for name, make in finish(pickle.loads(there.recv_bytes())).items():
        there.send_bytes(pickle.dumps((name, make()), protocol=5))


def _receive(here: Connection, rest: Any, made: Mapping[str, Future[Any]]) -> None:
    """Pass on what the other process made; what it does not make is given up."""
    waiting = dict(made)
    with suppress(EOFError, OSError):
        here.send_bytes(pickle.dumps(rest, protocol=5))
        while waiting:
            name, content = pickle.loads(here.recv_bytes())
            waiting.pop(name).set_result(content)
    for future in waiting.values():
        future.cancel()
