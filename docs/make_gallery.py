"""Runs the examples of docs/python.md and draws the pictures they make.

    python docs/make_gallery.py

The Python blocks of the page are one session, in their order. After each, `figure` is saved under
the name of the picture that follows the block. Needs matplotlib (pip install -e '.[dev]').
"""

from __future__ import annotations

import io
import os
import re
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import matplotlib

matplotlib.use("Agg")
import matplotlib.pyplot as plt
from PIL import Image

ROOT = Path(__file__).parents[1]
PAGE = ROOT / "docs" / "python.md"
# A block of code and, after it, the picture it makes.
_EXAMPLE = re.compile(r"```python\n(.*?)```.*?!\[[^\]]+\]\((img/[\w-]+\.png)\)", re.DOTALL)
_COLOURS = 128


def examples() -> list[tuple[str, str]]:
    """(code, picture) of each example of the page, in order."""
    return _EXAMPLE.findall(PAGE.read_text(encoding="utf-8"))


@contextmanager
def session_folder() -> Iterator[Path]:
    """A working folder with the sample in it: what an example writes stays out of the tree."""
    before = Path.cwd()
    with tempfile.TemporaryDirectory() as place:
        (Path(place) / "sample_rasters").symlink_to(ROOT / "sample_rasters")
        os.chdir(place)
        try:
            yield Path(place)
        finally:
            os.chdir(before)


def pictures() -> Iterator[tuple[str, bytes]]:
    """Run the examples; the name of each picture and its PNG."""
    session: dict[str, object] = {}
    with session_folder():
        for code, picture in examples():
            exec(compile(code, str(PAGE), "exec"), session)
            yield picture, _png(session.pop("figure"))


def _png(figure) -> bytes:
    """A small file: a hundred colours are enough for these."""
    drawn, small = io.BytesIO(), io.BytesIO()
    figure.savefig(drawn, dpi=80)
    plt.close(figure)
    Image.open(drawn).convert("RGB").quantize(_COLOURS).save(small, "PNG", optimize=True)
    return small.getvalue()


def main() -> None:
    for name, data in pictures():
        (PAGE.parent / name).write_bytes(data)


if __name__ == "__main__":
    main()
