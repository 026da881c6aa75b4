"""The command `siting gather`."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Any

import click

from siting.cli.options import NumberRange, number
from siting.cli.progress_line import progress_line


@click.command()
@click.option("--point", default=None, help="LON,LAT in degrees, with --radius.")
@click.option("--radius", type=float, default=None, help="Radius around --point, m.")
@click.option("--parcel", default=None, help='Outlines of the land: FILE or "FILE::LAYER".')
@click.option("--bounds", default=None, help="W,S,E,N in degrees.")
@click.option(
    "-o",
    "--out",
    type=click.Path(path_type=Path),
    show_default="region; osm where an extract alone is given",
    help="Output folder.",
)
@click.option(
    "--recipe",
    default="world",
    show_default=True,
    help="Which open data: the name of a recipe, or a file of your own (.toml).",
)
@click.option("--dem", multiple=True, help="Elevation of your own: files or folders of tiles.")
@click.option(
    "--land-cover",
    multiple=True,
    help='Land cover of your own: files or folders of tiles; or "osm".',
)
@click.option("--legend", default="", help="Legend of --land-cover: a name or a CSV.")
@click.option(
    "--surface",
    type=click.Choice(["yes", "no", "unknown"]),
    default="unknown",
    show_default=True,
    help="Whether the heights of --dem include trees and roofs.",
)
@click.option(
    "--margin",
    type=NumberRange(0, 20_000),
    default=1500.0,
    show_default=True,
    help="Ground around the land, m.",
)
@click.option(
    "--osm",
    type=click.Path(exists=False),
    default="",
    help="OpenStreetMap extract (.osm.pbf), or a folder made from one. Without a piece of land "
    "the folder is made.",
)
@click.option(
    "--lidar", multiple=True, help="Point clouds (.las, .laz) or folders: elevation, vegetation."
)
@click.option("--layers", "mapping", default="", help="Mapping (.toml) of other vector files.")
@click.option(
    "--hunting",
    type=click.Choice(["note", "no-go"]),
    default="note",
    show_default=True,
    help="Mapped hunting stands: reported, or kept clear of.",
)
@click.option("--fill", is_flag=True, help="Fill holes from the next edition or product.")
@click.option("--update", is_flag=True, help="Check again for newer versions of what is here.")
@click.option("--yes", is_flag=True, help="Agree to a large download in advance.")
@click.option(
    "--most-mb",
    type=NumberRange(1, 1_000_000),
    default=2000.0,
    show_default=True,
    help="Never download more than this, MB.",
)
@click.option("--allow-host", multiple=True, help="Another host that may be asked for data.")
def gather(out: Path | None, **options: Any) -> None:
    """Gather open data for a piece of land into a folder.

    This is the only command that uses the network. Run it again to resume or renew.
    """
    from siting.commands import gather_to_folder

    agreed = options.pop("yes")
    ask = _ask(options)

    def confirm(estimate: str, size: int) -> bool:
        # The estimate has the size in words; the number is for the page of the desk.
        del size
        # Without a terminal nobody can answer, and silence is not consent.
        click.echo(estimate, err=True)
        return agreed or (sys.stdin.isatty() and click.confirm("Download it?", err=True))

    # An extract belongs to no land: the next call, for a piece of land, must find its folder free.
    folder = out or Path("osm" if ask.region is None else "region")
    with progress_line() as progress:
        said = gather_to_folder(ask, folder, confirm=confirm, progress=progress)
    click.echo(said)


def _ask(options: dict[str, Any]) -> Any:
    """The options of gather as what is to be gathered."""
    from siting.gather.ask import Ask
    from siting.gather.recipes import load_recipe

    # Without land, an extract alone is made into the folder that later calls use.
    land = [options.pop(name) for name in ("point", "radius", "parcel", "bounds")]
    region = None if options["osm"] and not any(land) else _region(*land)
    files = {name: options.pop(name) for name in ("dem", "land_cover")}
    return Ask(
        region=region,
        recipe=load_recipe(options["recipe"]),
        files={name: tuple(paths) for name, paths in files.items() if paths},
        legend=options["legend"],
        surface=options["surface"],
        margin_m=options["margin"],
        update=options["update"],
        fill=options["fill"],
        most_mb=options["most_mb"],
        allow_hosts=tuple(options["allow_host"]),
        osm=options["osm"],
        mapping=options["mapping"],
        lidar=tuple(options["lidar"]),
        hunting_no_go=options["hunting"] == "no-go",
    )


def _region(point: str | None, radius: float | None, parcel: str | None, bounds: str | None) -> Any:
    from siting.gather import region

    # Where two kinds of land are given, which one to gather is not guessed.
    if [point, parcel, bounds].count(None) != 2 or (point is None) != (radius is None):
        raise click.UsageError("Give one of --point with --radius, --parcel, or --bounds.")
    if parcel is not None:
        return region.from_file(parcel)
    name, count = ("point", 2) if point is not None else ("bounds", 4)
    numbers = [number(name, text) for text in (point or bounds or "").split(",")]
    if len(numbers) != count:
        raise click.BadParameter(f"--{name} needs {count} numbers separated by commas.")
    if radius is not None:
        return region.from_point(numbers[0], numbers[1], radius)
    return region.from_bounds(numbers[0], numbers[1], numbers[2], numbers[3])
