"""One thread for sums and triangles: the same digits everywhere, and no threads that wait."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager


@contextmanager
def one_thread() -> Iterator[None]:
    """Sums in one thread, as in a worker: split between threads, their last digits would differ.

    Small matrices by the thousand (the triangles of a point cloud) are 60 times as quick so.
    """
    from threadpoolctl import threadpool_limits

    with threadpool_limits(limits=1):
        yield
