"""Prints what the program says to each bad input, for reading: python -m tests.bad_inputs.show."""

from __future__ import annotations

import sys
import tempfile
from pathlib import Path

from tests.bad_inputs import test_bad_inputs as table
from tests.bad_inputs.runner import run


def main(group: str = "") -> None:
    for row in table.ROWS:
        if group in row.group:
            with tempfile.TemporaryDirectory() as folder:
                told = run(table.build(row, Path(folder)), "score")
                text = told.err or "\n".join(
                    f"  {note.code} {note.text}"
                    for note in (told.result.notes if told.result else ())
                )
                print(f"{row.group}: {row.name}\n{text.replace(folder, '')}\n")


if __name__ == "__main__":
    main(*sys.argv[1:])
