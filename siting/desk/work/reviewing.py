"""In the worker: last season as `siting review` answers it, and its first sentence."""

from __future__ import annotations

from pathlib import Path

from siting.disk.files import write_atomic

HEADLINE = "headline.txt"


def reviewed(package: Path, inputs: Path, protocol: Path | None, out: Path) -> str:
    """Review a package with an office's maps into a folder; the headline, which lies there, too."""
    # Here, for the server takes the name above and must not wait for what reviews.
    from siting.commands import review_to_folder

    said = review_to_folder([package], inputs, protocol, out, overwrite=True)
    headline = said.split("\nOpen ", 1)[0]
    # Written last: where it lies, the answer beside it is whole.
    write_atomic(out / HEADLINE, headline)
    return headline
