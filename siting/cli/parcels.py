"""The commands `siting score`, `batch` and `check`."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from siting.cli.options import input_options, overwrite_option, settings_of
from siting.cli.progress_line import progress_line

OUT_OPTION = click.option(
    "-o",
    "--out",
    type=click.Path(path_type=Path),
    default=Path("out"),
    show_default=True,
    help="Output folder.",
)


@click.command()
@input_options
@OUT_OPTION
@click.option(
    "--public",
    is_flag=True,
    help="Write only files you may pass on: rounded places, no parcel, no layers, no map.",
)
@overwrite_option
def score(
    inputs_file: Path | None,
    protocol_file: Path | None,
    out: Path,
    public: bool,
    overwrite: bool,
    **options: Any,
) -> None:
    """Score one parcel: ranked map, sheet and files."""
    from siting.commands import score_to_folder

    inputs, protocol = settings_of(inputs_file, protocol_file, options)
    with progress_line() as progress:
        said = score_to_folder(
            inputs, protocol, out, progress=progress, public=public, overwrite=overwrite
        )
    click.echo(said)


def _pages(context: click.Context, option: click.Parameter, value: str) -> int | None:
    """How many parcels get pages: 0 for "none", None for "all", else the number in the text."""
    del context, option
    # "20" and "best20" are as clear as "best 20": nobody is sent back for the spelling.
    words = value.lower().replace("best", " ").split()
    if words in (["none"], ["all"]):
        return 0 if words == ["none"] else None
    # isdigit alone lets "²" pass, at which int() fails.
    if len(words) == 1 and words[0].isascii() and words[0].isdigit():
        return int(words[0])
    raise click.BadParameter(f'{value!r} is not "none", "all" or "best 20".')


@click.command()
@input_options
@OUT_OPTION
@click.option(
    "--pages",
    default="best 20",
    show_default=True,
    callback=_pages,
    metavar="none|best N|all",
    help="Parcels that get their map, sheet and files.",
)
@click.option(
    "--workers",
    type=click.IntRange(0, 1024),
    help="Number of processes; 0 uses this one. Default: as many as processors and memory allow.",
)
@click.option("--dask", default="", metavar="ADDRESS", help="Scheduler of a Dask cluster.")
@click.option("--assign", is_flag=True, help="Propose a parcel and spot for each survey cell.")
@click.option(
    "--random-share",
    type=click.FloatRange(0.0, 1.0),
    metavar="SHARE",
    help="With --assign: this share of the cameras at places drawn at random; 0.2 is one in five.",
)
@overwrite_option
def batch(
    inputs_file: Path | None,
    protocol_file: Path | None,
    out: Path,
    pages: int | None,
    workers: int | None,
    dask: str,
    assign: bool,
    overwrite: bool,
    **options: Any,
) -> None:
    """Score many parcels: tables, an overview and pages. Run again to resume."""
    from siting.batch.progress import BatchProgress
    from siting.batch.work import Options
    from siting.commands import batch_to_folder

    # A share of nothing: who names one and gets no proposal would not find out why.
    if options["random_share"] is not None and not assign:
        raise click.UsageError("--random-share goes with --assign.")
    inputs, protocol = settings_of(inputs_file, protocol_file, options)
    said, complete = batch_to_folder(
        inputs,
        protocol,
        out,
        options=Options(
            pages=pages, workers=workers, dask=dask, assign=assign, overwrite=overwrite
        ),
        watcher=BatchProgress(),
    )
    click.echo(said)
    # Not an error: the other parcels are done. A script can tell by the number.
    if not complete:
        raise SystemExit(4)


@click.command()
@input_options
def check(inputs_file: Path | None, protocol_file: Path | None, **options: Any) -> None:
    """Show what each input is and what is wrong with it. Writes nothing."""
    from siting.commands import check_inputs

    inputs, protocol = settings_of(inputs_file, protocol_file, options)
    text, sound = check_inputs(inputs, protocol)
    click.echo(text)
    # 3, as for every fault of what was given (docs/commands.md): a script can stop before the run.
    if not sound:
        raise SystemExit(3)
