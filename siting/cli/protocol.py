"""The command `siting protocol`."""

from __future__ import annotations

from pathlib import Path

import click

from siting.criteria import TARGET_GROUPS


@click.command()
@click.argument("protocol_file", required=False, type=click.Path(path_type=Path))
@click.option(
    "--with",
    "change",
    type=click.Path(path_type=Path),
    help="File of changes to accept, such as the protocol-change.toml of a review.",
)
@click.option(
    "--for",
    "target",
    type=click.Choice(list(TARGET_GROUPS)),
    help="Print the ratios for one group of animals instead of all mammals.",
)
def protocol(protocol_file: Path | None, change: Path | None, target: str | None) -> None:
    """Print the survey's rules, or check a file of your own. Every number has unit and source."""
    from siting.settings.load import load_protocol, protocol_for
    from siting.settings.text.toml import protocol_text

    if target is None:
        shown = load_protocol(protocol_file, changed_by=change)
    # A file of one's own has ratios already: which of the two should win is not guessed.
    elif protocol_file is not None or change is not None:
        raise click.UsageError("Name a protocol file or --for, not both.")
    else:
        shown = protocol_for(TARGET_GROUPS[target])
    # The text ends with a line feed of its own: `siting protocol > protocol.toml` keeps it as it
    # is.
    click.echo(protocol_text(shown), nl=False)
