"""Steps that need not be worked out twice, and what decides that they need not.

A plain run remembers nothing: a step that is `remembered` is then the function itself. The desk
works inside `Memory.at_work`, where a step answers from memory when all that it read is as it was.
What a step reads is seen and not listed by hand, for a key that forgets something gives a wrong map
that looks right: every argument counts whole, and of a Land or Ground, which hold much more than a
step needs, all that the step looked at the first time. A step must therefore be pure: what it gives
depends on its arguments alone.
"""

from __future__ import annotations

import functools
import threading
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, fields, is_dataclass
from inspect import signature
from typing import Any, ParamSpec, TypeVar

import numpy as np
from numpy.typing import NDArray

from siting.kernels.fingerprints import Fingerprints, NoFingerprintError

P = ParamSpec("P")
T = TypeVar("T")
Look = tuple[str, Any]
"""One look at a value: ("field", name), ("item", key), ("has", key) or ("keys", None)."""

_MOST_BYTES = 1_000_000_000
# An answer without arrays still takes some room.
_LEAST_BYTES = 2_000
_SHAPE_WORDS = 25
_GONE = b"gone"
# Another parcel, or other rules, and back again.
_MOST_STORES = 2


def remembered(
    *watched: str, state: Callable[[Mapping[str, Any]], Any] | None = None
) -> Callable[[Callable[P, T]], Callable[P, T]]:
    """Mark a pure function as a step that a `Memory` may answer.

    Parameters
    ----------
    watched : names of parameters that hold more than the step reads (a Land, a Ground): of these
        only what it looks at counts. They must be dataclasses and must not be part of the result.
    state : of a step that reads a file, what counts of it, by the arguments; where that is None the
        file is read each time
    """

    def mark(step: Callable[P, T]) -> Callable[P, T]:
        names = tuple(signature(step).parameters)

        @functools.wraps(step)
        def run(*args: P.args, **kwargs: P.kwargs) -> T:
            memory = _at_work
            if memory is None:
                return step(*args, **kwargs)
            given = {**dict(zip(names, args, strict=False)), **kwargs}
            now = None if state is None else state(given)
            if state is not None and now is None:
                return step(*args, **kwargs)
            return memory.answer(step, given, watched, now)

        return run

    return mark


def remembering() -> bool:
    """Whether a memory is at work in this process: answers are then kept, and not made anew."""
    return _at_work is not None


def lasting(name: str, *given: Any) -> dict[str, Any]:
    """A store that outlives a run, the same one for the same name and equal `given`.

    For what is worked out piece by piece: a piece must follow from `given` and from what the store
    itself says it follows from. A plain run gets a new one.
    """
    return {} if _at_work is None else _at_work.store(name, given)


def near_change(
    was: Sequence[NDArray[Any]],
    now: Sequence[NDArray[Any]],
    cell: tuple[NDArray[np.int64], NDArray[np.int64]],
    *,
    reach: int,
) -> NDArray[np.bool_]:
    """Whether any layer has changed within `reach` rows and columns of some cells.

    Parameters
    ----------
    was, now : the same (rows, cols) layers before and after, NaN being like NaN
    cell : (row, col), two (n,) int arrays
    reach : int, rows and columns to each side

    Returns
    -------
    (n,) bool
    """
    changed = _changed(was, now)
    if not changed.any():
        return np.zeros(len(cell[0]), dtype=bool)
    # Sums of all cells above and to the left: four of them give the sum of any square.
    sums = np.zeros((changed.shape[0] + 1, changed.shape[1] + 1), dtype=np.int64)
    sums[1:, 1:] = changed.cumsum(axis=0, dtype=np.int64).cumsum(axis=1)
    n_rows, n_cols = changed.shape
    top, bottom = (np.clip(cell[0] + k, 0, n_rows) for k in (-reach, reach + 1))
    left, right = (np.clip(cell[1] + k, 0, n_cols) for k in (-reach, reach + 1))
    inside = sums[bottom, right] - sums[top, right] - sums[bottom, left] + sums[top, left]
    return np.asarray(inside > 0)


def window_of_change(
    was: Sequence[NDArray[Any]], now: Sequence[NDArray[Any]]
) -> tuple[slice, slice]:
    """The rows and columns within which any of some layers has changed; empty where none has.

    `was` and `now` are the same (rows, cols) layers before and after, NaN being like NaN.

    Examples
    --------
    >>> was = np.full((4, 5), np.nan)
    >>> now = was.copy()
    >>> now[1, 2] = now[2, 4] = 1.0
    >>> window_of_change([was], [now])
    (slice(1, 3, None), slice(2, 5, None))
    """
    changed = _changed(was, now)
    spans = []
    for axis in (1, 0):
        there = np.flatnonzero(changed.any(axis=axis))
        spans.append(slice(int(there[0]), int(there[-1]) + 1) if len(there) else slice(0, 0))
    return spans[0], spans[1]


def _changed(was: Sequence[NDArray[Any]], now: Sequence[NDArray[Any]]) -> NDArray[np.bool_]:
    changed: NDArray[np.bool_] = np.zeros(now[0].shape, dtype=bool)
    for before, after in zip(was, now, strict=True):
        if before is not after:
            changed |= (before != after) & ((before == before) | (after == after))
    return changed


_at_work: Memory | None = None


@dataclass(eq=False)
class _Entry:
    """An answer, the looks it rests on with what was seen, and how large it is."""

    seen: dict[tuple[Look, ...], bytes]
    answer: Any
    size_bytes: int


class Memory:
    """Answers of steps, the least recently used dropped beyond `most_bytes`."""

    def __init__(self, most_bytes: int = _MOST_BYTES) -> None:
        self._most_bytes = most_bytes
        self._entries: dict[tuple[str, bytes], list[_Entry]] = {}
        self._bytes = 0
        self._lock = threading.RLock()
        self.fingerprints = Fingerprints()
        self._stores: dict[tuple[str, bytes], dict[str, Any]] = {}
        self.known: dict[str, int] = {}
        self.worked: dict[str, int] = {}
        self.unknown: set[str] = set()

    def fingerprint(self, value: Any) -> bytes:
        """A digest of a value; see `Fingerprints.of`."""
        return self.fingerprints.of(value)

    def store(self, name: str, given: tuple[Any, ...]) -> dict[str, Any]:
        """See `lasting`."""
        key = (name, self.fingerprint(given))
        with self._lock:
            # The most recently used stand last.
            found = self._stores[key] = self._stores.pop(key, {})
            for old in [other for other in self._stores if other[0] == name][:-_MOST_STORES]:
                del self._stores[old]
        return found

    @property
    def size_bytes(self) -> int:
        """About how much the answers take."""
        return self._bytes

    @contextmanager
    def at_work(self) -> Iterator[None]:
        """While the block lasts, steps of this process answer from this memory."""
        global _at_work
        before, _at_work = _at_work, self
        self.known, self.worked = {}, {}
        try:
            yield
        finally:
            _at_work = before

    def answer(
        self,
        step: Callable[..., T],
        given: dict[str, Any],
        watched: tuple[str, ...],
        state: Any = None,
    ) -> T:
        """What a step gives for the arguments in `given`, from memory where it is known."""
        name = f"{step.__module__}.{step.__qualname__}"
        whole = [(key, value) for key, value in sorted(given.items()) if key not in watched]
        looked = {parameter: given[parameter] for parameter in watched}
        try:
            key = (name, self.fingerprint((whole, state)))
            with self._lock:
                found = self._known(key, looked)
        except NoFingerprintError:
            self.unknown.add(name)
            return step(**given)
        if found is not None:
            self.known[name] = self.known.get(name, 0) + 1
            return found.answer  # type: ignore[no-any-return]
        self.worked[name] = self.worked.get(name, 0) + 1
        seen: dict[tuple[Look, ...], bytes] = {}
        for parameter, value in looked.items():
            given[parameter] = self.watched(value, seen, (("item", parameter),))
        made = step(**given)
        self._keep(key, _Entry(seen, made, _size_bytes(made, set()) + _LEAST_BYTES))
        return made

    def _known(self, key: tuple[str, bytes], looked: Mapping[str, Any]) -> _Entry | None:
        entries = self._entries.get(key, [])
        for entry in entries:
            if all(self._sees(looked, looks) == was for looks, was in entry.seen.items()):
                # The most recently used stand last.
                entries.remove(entry)
                self._entries[key] = [*self._entries.pop(key), entry]
                return entry
        return None

    def _sees(self, looked: Mapping[str, Any], looks: tuple[Look, ...]) -> bytes:
        value: Any = looked
        for kind, at in looks:
            if kind == "item" and at not in value:
                return _GONE
            value = _look(value, kind, at)
        return self.fingerprint(value)

    def _keep(self, key: tuple[str, bytes], entry: _Entry) -> None:
        with self._lock:
            self._entries.setdefault(key, []).append(entry)
            self._bytes += entry.size_bytes
            while self._bytes > self._most_bytes:
                oldest = next(iter(self._entries))
                self._bytes -= self._entries[oldest].pop(0).size_bytes
                if not self._entries[oldest]:
                    del self._entries[oldest]

    def watched(self, value: Any, seen: dict[tuple[Look, ...], bytes], at: tuple[Look, ...]) -> Any:
        """`value` as it is, but every look at its parts is written down in `seen`."""
        if isinstance(value, Mapping) and not is_dataclass(value):
            return _Looked(self, value, seen, at)
        if is_dataclass(value) and not isinstance(value, type) and len(at) == 1:
            made: Any = object.__new__(_looked_at(type(value)))
            object.__setattr__(made, "_looks", (self, value, seen, at))
            return made
        seen[at] = self.fingerprint(value)
        return value


def _look(value: Any, kind: str, at: Any) -> Any:
    if kind == "field":
        return getattr(value, at)
    if kind == "item":
        return value[at]
    return at in value if kind == "has" else tuple(value)


class _Looked(Mapping[Any, Any]):
    """A mapping whose every look is written down."""

    def __init__(
        self,
        memory: Memory,
        value: Mapping[Any, Any],
        seen: dict[tuple[Look, ...], bytes],
        at: tuple[Look, ...],
    ) -> None:
        self._memory, self._value, self._seen, self._at = memory, value, seen, at

    def _note(self, kind: str, key: Any) -> Any:
        value = _look(self._value, kind, key)
        self._seen[(*self._at, (kind, key))] = self._memory.fingerprint(value)
        return value

    def __getitem__(self, key: Any) -> Any:
        # That it is missing is something a step may act on, too.
        self._note("has", key)
        return self._note("item", key)

    def __contains__(self, key: object) -> bool:
        return bool(self._note("has", key))

    def __iter__(self) -> Iterator[Any]:
        return iter(self._note("keys", None))

    def __len__(self) -> int:
        return len(self._note("keys", None))


@functools.cache
def _looked_at(kind: type) -> type:
    """A class like `kind`, every field of which is watched when it is read."""
    names = {f.name for f in fields(kind)}

    def read(self: Any, name: str) -> Any:
        if name not in names:
            return object.__getattribute__(self, name)
        memory, value, seen, at = object.__getattribute__(self, "_looks")
        return memory.watched(getattr(value, name), seen, (*at, ("field", name)))

    return type(f"Looked{kind.__name__}", (kind,), {"__getattribute__": read})


def _size_bytes(value: Any, counted: set[int]) -> int:
    """Bytes that the arrays in an answer take.

    Raises
    ------
    TypeError
        When a watched value stands in the answer: later looks at it would be written down nowhere.
    """
    if isinstance(value, np.ndarray):
        fresh = id(value) not in counted
        counted.add(id(value))
        # Of shapes about what they take: to look at each took longer than the step.
        return value.nbytes * (1 if value.dtype != object else _SHAPE_WORDS) if fresh else 0
    if isinstance(value, _Looked) or type(value).__name__.startswith("Looked"):
        raise TypeError(f"A step gave back {type(value).__name__}, of which looks are watched.")
    parts: list[Any] = []
    if isinstance(value, Mapping) and not is_dataclass(value):
        parts = list(value.values())
    elif isinstance(value, tuple | list):
        parts = list(value)
    elif is_dataclass(value) and not isinstance(value, type):
        parts = [getattr(value, f.name) for f in fields(value)]
    return sum(_size_bytes(part, counted) for part in parts)
