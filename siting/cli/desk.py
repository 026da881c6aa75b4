"""The commands `siting desk` and `siting sketch`."""

from __future__ import annotations

import sys
from pathlib import Path

import click

from siting.cli.options import number
from siting.cli.starter import write_starter


@click.command()
@click.argument("inputs_file", required=False, type=click.Path(path_type=Path))
@click.option("--point", required=True, help="LON,LAT in degrees: the middle of the land.")
@click.option(
    "--radius", type=float, default=1000.0, show_default=True, help="How far the land reaches, m."
)
@click.option(
    "--for",
    "made_for",
    default="",
    help="Sign-up that the page is for; named in the sketch that comes back.",
)
@click.option(
    "-o",
    "--out",
    type=click.Path(path_type=Path),
    default=Path("sketch.html"),
    show_default=True,
    help="File to write.",
)
def sketch(inputs_file: Path | None, point: str, radius: float, made_for: str, out: Path) -> None:
    """Write a page on which a volunteer draws the land. It works offline, on a phone or laptop.

    \f
    What follows the form feed is not shown as help: `radius` is in metres.
    """
    from siting.commands import sketch_to_file
    from siting.settings.load import load_inputs

    # Without a comma the latitude is empty, and `number` names the option at fault.
    lon, _, lat = point.partition(",")
    place = (number("point", lon), number("point", lat))
    # As in the other commands, a point replaces the outline that the inputs file names.
    over = {"parcel": {"point": list(place), "radius_m": radius, "file": ""}}
    inputs = load_inputs(inputs_file, over) if inputs_file is not None else None
    click.echo(sketch_to_file(inputs, out, point=place, radius_m=radius, made_for=made_for))


@click.command()
@click.argument("inputs_file", required=False, type=click.Path(path_type=Path))
@click.option(
    "-o",
    "--out",
    "folder",
    type=click.Path(path_type=Path),
    default=Path("office"),
    show_default=True,
    help="Folder of the office; a new one is made.",
)
@click.option(
    "--protocol", "protocol_file", type=click.Path(path_type=Path), help="The survey's rules."
)
@click.option("--no-browser", is_flag=True, help="Print the address; do not open a browser.")
@click.option(
    "--starter", is_flag=True, help="Write a file here that opens this desk by a double click."
)
@click.option("--port", type=click.IntRange(0, 65535), default=0, help="Port; 0 picks a free one.")
def desk(
    inputs_file: Path | None,
    folder: Path,
    protocol_file: Path | None,
    no_browser: bool,
    port: int,
    starter: bool,
) -> None:
    """Open the survey office in your browser: sign-ups, land, places, files. Works offline."""
    if inputs_file is None and not (folder / "office.toml").exists():
        sample = Path("sample_rasters") / "inputs.toml"  # so that one command shows it all
        inputs_file = sample if sample.exists() else None
    if starter:
        asked = _arguments(inputs_file, folder, protocol_file)
        path = write_starter(Path.cwd(), asked)
        click.echo(f"Double-click {path.name} to open the desk. It may be moved anywhere.")
        return
    # Loaded here: no other command waits for the libraries of a server.
    from siting.desk.run import run_desk

    run_desk(
        folder, inputs_file, protocol_file, say=click.echo, open_browser=not no_browser, port=port
    )


def _arguments(inputs_file: Path | None, folder: Path, protocol_file: Path | None) -> list[str]:
    """The command that opens this desk, from whatever folder it is started."""
    asked = [sys.executable, "-m", "siting", "desk"]
    if inputs_file is not None:
        asked.append(str(inputs_file.absolute()))
    if protocol_file is not None:
        asked += ["--protocol", str(protocol_file.absolute())]
    return [*asked, "-o", str(folder.absolute())]
