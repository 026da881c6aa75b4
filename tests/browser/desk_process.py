"""A desk in a process of its own, as a user starts it."""

from __future__ import annotations

import re
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager


@contextmanager
def running_desk(*words: object) -> Iterator[str]:
    """`siting desk` with these words, while the block lasts; its one-time address."""
    process = subprocess.Popen(
        [sys.executable, "-m", "siting", "desk", *map(str, words), "--no-browser"],
        stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True,
    )  # fmt: skip
    assert process.stdout is not None
    said = ""
    while "http://" not in said:
        line = process.stdout.readline()
        assert line, said
        said += line
    found = re.search(r"http://\S+", said)
    assert found is not None
    try:
        yield found.group()
    finally:
        process.terminate()
        process.wait(20)
