"""The keys of the inputs file as options, and what they come to."""

from __future__ import annotations

import math
from collections.abc import Callable
from pathlib import Path
from typing import Any

import click

Command = Callable[..., Any]

INPUT_OPTIONS: tuple[tuple[str, str, str], ...] = (
    ("--parcel", "parcel.file", 'Outline of the land: FILE or "FILE::LAYER".'),
    ("--parcel-crs", "parcel.crs", "Coordinate system of the outline, when it has none."),
    ("--parcel-id", "parcel.id", "Which parcel, when the file holds several."),
    ("--id-column", "parcel.id_column", "Column with the parcels' identifiers."),
    ("--dem", "dem.file", "Elevation raster (DEM)."),
    ("--dem-crs", "dem.crs", "Coordinate system of the DEM, when it has none."),
    ("--dem-z-unit", "dem.z_unit", "Unit of the elevations: m, ft or us-ft."),
    ("--land-cover", "land_cover.file", "Land cover: a raster of classes."),
    ("--land-cover-crs", "land_cover.crs", "Coordinate system of the land cover."),
    ("--legend", "land_cover.legend", "nlcd, worldcover, corine, dynamic-world, c-cap or a CSV."),
    ("--canopy", "canopy.file", "Raster of vegetation height."),
    ("--water", "layers.water", "Streams and ponds."),
    ("--trails", "layers.trails", "Trails; column use: game, quiet or busy."),
    ("--crossings", "layers.crossings", "Logs, fords and other crossings you know of."),
    ("--roads", "layers.roads", "Roads; column class: major, minor or track."),
    ("--buildings", "layers.buildings", "Buildings."),
    ("--feeders", "layers.feeders", "Bird feeders, licks and other feeding."),
    ("--livestock", "layers.livestock", "Fields with livestock."),
    ("--no-go", "layers.no_go", "Areas the owner wants left alone."),
    ("--way-in", "layers.way_in", "Where you would enter the land."),
    ("--fences", "layers.fences", "Fences and walls; the walk passes them at paths and crossings."),
    ("--trees", "layers.trees", "Single trees to strap a camera to."),
    ("--time-zone", "survey.time_zone", "IANA name, such as Etc/GMT+5."),
    ("--first-day", "survey.first_day", "First day of the deployment, YYYY-MM-DD."),
    ("--last-day", "survey.last_day", "Last day of the deployment, YYYY-MM-DD."),
    ("--visited", "survey.visited", "Decisions and visits: a file or a folder of them."),
    ("--places", "survey.places", "places.csv of an earlier run: places keep their names."),
    ("--grid-crs", "grid.crs", "Metric map projection for the working grid."),
)
# Options whose value is no text, each with the key that it fills; their forms stand below.
OWN_OPTIONS: dict[str, str] = {
    "--point": "parcel.point",
    "--radius": "parcel.radius_m",
    "--dem-nodata": "dem.nodata",
    "--land-cover-nodata": "land_cover.nodata",
    "--cell-size": "grid.cell_size_m",
}
# Options count from the folder the user is in, keys of a file from the folder of the file: paths
# of options are made absolute before the two are merged.
_PATHS = {
    "parcel.file",
    "dem.file",
    "land_cover.file",
    "canopy.file",
    "survey.visited",
    "survey.places",
}


def input_options(command: Command) -> Command:
    """All keys of the inputs file as options of a command."""
    # Decorators pile up from below: reversed, the help lists them in this order.
    for name, key, text in reversed(INPUT_OPTIONS):
        # A layer may lie in several files, and reports of visits come back as many files.
        many = key.startswith("layers.") or key == "survey.visited"
        text = f"{text} May be given more than once." if many else text
        command = click.option(name, default=None, multiple=many, help=text)(command)
    number = click.option("--cell-size", type=float, default=None, help="Cell size of the grid, m.")
    radius = click.option("--radius", type=float, default=None, help="Radius around --point, m.")
    point = click.option("--point", default=None, help="LON,LAT in degrees instead of --parcel.")
    dem_nodata = click.option("--dem-nodata", default=None, help='No-data value, or "none".')
    cover_nodata = click.option(
        "--land-cover-nodata", default=None, help='No-data value, or "none".'
    )
    each_kind = click.option(
        "--best-of-each-kind",
        is_flag=True,
        help="Show the best spot of each kind (trail, water, edge ...) before a second of any.",
    )
    drawn = click.option(
        "--random",
        "random_places",
        type=click.IntRange(0, 1000),
        metavar="N",
        help="Also draw N places at random in each parcel, for a survey that estimates.",
    )
    protocol = click.option(
        "--protocol", "protocol_file", type=click.Path(path_type=Path), help="Rules of the survey."
    )
    file = click.argument("inputs_file", required=False, type=click.Path(path_type=Path))
    sketch = click.option(
        "--sketch",
        multiple=True,
        metavar="FILE",
        help="What a volunteer drew on a sketch page: outline and layers. May be given more than "
        "once.",
    )
    for decorate in (
        sketch,
        number,
        radius,
        point,
        dem_nodata,
        cover_nodata,
        each_kind,
        drawn,
        protocol,
        file,
    ):
        command = decorate(command)
    return command


class NumberRange(click.FloatRange):
    """A range of numbers; NaN, which compares with nothing, lies in none."""

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> Any:
        """The number, or a usage error."""
        number = super().convert(value, param, ctx)
        if math.isnan(number):
            self.fail(f"{value!r} is not a number.", param, ctx)
        return number


overwrite_option = click.option(
    "--overwrite",
    is_flag=True,
    help="Replace what the folder already holds: other inputs or an unfinished run.",
)


def overrides(options: dict[str, Any]) -> dict[str, Any]:
    """Options of the command line as nested tables of an inputs file, paths made absolute."""
    out: dict[str, Any] = {}
    for option, key, _ in INPUT_OPTIONS:
        value = options.pop(option[2:].replace("-", "_"))
        if isinstance(value, tuple):
            if value:
                _put(out, key, [_typed(key, one) for one in value])
        elif value is not None:
            _put(out, key, _typed(key, value))
    for option, key in OWN_OPTIONS.items():
        name = option[2:].replace("-", "_")
        value = options.pop(name)
        if value is not None:
            _put(out, key, _own_value(name, value))
    if "point" in out.get("parcel", {}):
        # A point replaces the outline that an inputs file names.
        _put(out, "parcel.file", "")
    return out


def _own_value(name: str, value: Any) -> Any:
    if name == "point":
        lon, _, lat = value.partition(",")
        return [number(name, lon), number(name, lat)]
    # Radius and cell size are numbers already.
    return number(name, value) if isinstance(value, str) and value != "none" else value


def _typed(key: str, value: str) -> Any:
    import datetime as dt

    if key in _PATHS or key.startswith("layers."):
        # Made absolute, an address would pass for a missing file and an empty text for this folder.
        return value if "://" in value or not value else str(Path(value).absolute())
    if key.endswith("_day"):
        try:
            return dt.date.fromisoformat(value)
        except ValueError as error:
            from siting.settings.inputs import iso_form

            said = f"{value!r} is not a date; use {iso_form(value)}."
            raise click.BadParameter(said) from error
    # A legend is a shipped name or a file; only a file counts from the user's folder.
    if key == "land_cover.legend" and value.lower().endswith(".csv"):
        return str(Path(value).absolute())
    return value


def number(option: str, text: str) -> float:
    """The number of an option, in the unit of the option; BadParameter names the option."""
    try:
        return float(text)
    except ValueError as error:
        name = option.replace("_", "-")
        raise click.BadParameter(f"--{name}: {text!r} is not a number.") from error


def _put(table: dict[str, Any], key: str, value: Any) -> None:
    *path, last = key.split(".")
    for part in path:
        table = table.setdefault(part, {})
    table[last] = value


def settings_of(
    inputs_file: Path | None, protocol_file: Path | None, options: dict[str, Any]
) -> tuple[Any, Any]:
    from siting.read.sketch.sketches import outline_overrides, with_sketches
    from siting.settings.load import load_inputs, load_protocol

    sketches = [str(Path(file).absolute()) for file in options.pop("sketch")]
    each_kind = bool(options.pop("best_of_each_kind"))
    drawn, share = options.pop("random_places"), options.pop("random_share", None)
    over = overrides(options)
    if inputs_file is None and not over and not sketches:
        raise click.UsageError("Name an inputs file, or give the inputs as options.")
    for file in sketches:
        over.update(outline_overrides(file))
    protocol = load_protocol(
        protocol_file, best_of_each_kind=each_kind, random_places=drawn, random_share=share
    )
    return with_sketches(load_inputs(inputs_file, over), sketches), protocol
