"""The command `siting review`: options become one call."""

from __future__ import annotations

from pathlib import Path

import click

from siting.cli.options import overwrite_option


@click.command()
@click.argument("packages", nargs=-1, required=True, type=click.Path(path_type=Path))
@click.option(
    "--inputs",
    "inputs_file",
    required=True,
    type=click.Path(path_type=Path),
    help="Inputs file of the survey area: the maps the places are judged by.",
)
@click.option(
    "--protocol", "protocol_file", type=click.Path(path_type=Path), help="Rules of the season."
)
@click.option(
    "-o",
    "--out",
    type=click.Path(path_type=Path),
    default=Path("review"),
    show_default=True,
    help="Output folder.",
)
@click.option("--group", default="", help="Group of species the survey is for; needs --species.")
@click.option(
    "--species",
    type=click.Path(path_type=Path),
    help="Table of two columns: species as in the package, and its group.",
)
@click.option("--public", is_flag=True, help="Leave out whatever is about a single camera.")
@overwrite_option
def review(
    packages: tuple[Path, ...],
    inputs_file: Path,
    protocol_file: Path | None,
    out: Path,
    group: str,
    species: Path | None,
    public: bool,
    overwrite: bool,
) -> None:
    """Check whether higher scores recorded more last season."""
    from siting.commands import review_to_folder

    # The table alone says which species a group has, and a table without a group leaves open which
    # one the survey is for: that is to be said before the results are seen.
    if bool(group) != bool(species):
        raise click.UsageError("--group and --species belong together.")
    said = review_to_folder(
        packages,
        inputs_file,
        protocol_file,
        out,
        group=group,
        species=species,
        public=public,
        overwrite=overwrite,
    )
    click.echo(said)
