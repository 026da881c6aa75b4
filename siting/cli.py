"""The command line: options become one call; no logic lives here."""

from __future__ import annotations

import gc
import logging
import os
import signal
import sys
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import click

from siting import __version__
from siting.cli_review import review
from siting.criteria import TARGET_GROUPS
from siting.errors import SitingError, memory_error, out_of_memory
from siting.streams import forgive_closed_streams

_LOG = logging.getLogger("siting")
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
    ("--crossings", "layers.crossings", "Logs, fords and other crossings you know."),
    ("--roads", "layers.roads", "Roads; column class: major, minor or track."),
    ("--buildings", "layers.buildings", "Buildings."),
    ("--feeders", "layers.feeders", "Bird feeders, licks and other feeding."),
    ("--livestock", "layers.livestock", "Fields with livestock."),
    ("--no-go", "layers.no_go", "Areas the owner wants left alone."),
    ("--way-in", "layers.way_in", "Where you would enter the land."),
    ("--fences", "layers.fences", "Fences and walls: your way passes them at paths and crossings."),
    ("--trees", "layers.trees", "Single trees to strap a camera to."),
    ("--time-zone", "survey.time_zone", "IANA name, such as Etc/GMT+5."),
    ("--first-day", "survey.first_day", "First day of the deployment, YYYY-MM-DD."),
    ("--last-day", "survey.last_day", "Last day of the deployment, YYYY-MM-DD."),
    ("--visited", "survey.visited", "Decisions and visits: a file or a folder of them."),
    ("--places", "survey.places", "places.csv of an earlier run: places keep their names."),
    ("--grid-crs", "grid.crs", "Metric map projection to work in."),
)
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
    for name, key, text in reversed(INPUT_OPTIONS):
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
        protocol,
        file,
    ):
        command = decorate(command)
    return command


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
    for option, key in (("dem_nodata", "dem.nodata"), ("land_cover_nodata", "land_cover.nodata")):
        value = options.pop(option)
        if value is not None:
            _put(out, key, value if value == "none" else _number(option, value))
    point, radius, cell = options.pop("point"), options.pop("radius"), options.pop("cell_size")
    if point is not None:
        lon, _, lat = point.partition(",")
        _put(out, "parcel.point", [_number("point", lon), _number("point", lat)])
        _put(out, "parcel.file", "")
    if radius is not None:
        _put(out, "parcel.radius_m", radius)
    if cell is not None:
        _put(out, "grid.cell_size_m", cell)
    return out


def _typed(key: str, value: str) -> Any:
    import datetime as dt

    if key in _PATHS or key.startswith("layers."):
        return value if "://" in value or not value else str(Path(value).absolute())
    if key.endswith("_day"):
        try:
            return dt.date.fromisoformat(value)
        except ValueError as error:
            raise click.BadParameter(f"{value!r} is not a date; use YYYY-MM-DD.") from error
    if key == "land_cover.legend" and value.lower().endswith(".csv"):
        return str(Path(value).absolute())
    return value


def _number(option: str, text: str) -> float:
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


def _settings(
    inputs_file: Path | None, protocol_file: Path | None, options: dict[str, Any]
) -> tuple[Any, Any]:
    from siting.read.sketches import outline_overrides, with_sketches
    from siting.settings.load import load_inputs, load_protocol

    sketches = [str(Path(file).absolute()) for file in options.pop("sketch")]
    each_kind = bool(options.pop("best_of_each_kind"))
    over = overrides(options)
    if inputs_file is None and not over and not sketches:
        raise click.UsageError("Name an inputs file, or give the inputs as options.")
    for file in sketches:
        over.update(outline_overrides(file))
    protocol = load_protocol(protocol_file, best_of_each_kind=each_kind)
    return with_sketches(load_inputs(inputs_file, over), sketches), protocol


@click.group(context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100})
@click.version_option(__version__, prog_name="siting")
@click.option("--debug", is_flag=True, help="Show the full trace of an error.")
def siting(debug: bool) -> None:
    """Find, rank and explain good places for a survey's motion-triggered still camera."""
    logging.basicConfig(
        level=logging.DEBUG if debug else logging.WARNING,
        format="%(levelname)s %(name)s: %(message)s",
        stream=sys.stderr,
    )
    # Libraries chatter; only our own lines help a user, and what is wrong is told in one message.
    for noisy in ("rasterio", "numba", "fiona", "pyogrio", "matplotlib"):
        logging.getLogger(noisy).setLevel(logging.WARNING if debug else logging.ERROR)


@siting.command()
@input_options
@click.option("-o", "--out", type=click.Path(path_type=Path), required=True, help="Output folder.")
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

    inputs, protocol = _settings(inputs_file, protocol_file, options)
    with progress_line() as progress:
        told = score_to_folder(
            inputs, protocol, out, progress=progress, public=public, overwrite=overwrite
        )
    click.echo(told)


def _pages(context: click.Context, option: click.Parameter, value: str) -> int | None:
    """How many parcels get pages: 0 for "none", None for "all", else the number in the text."""
    del context, option
    words = value.lower().replace("best", " ").split()
    if words in (["none"], ["all"]):
        return 0 if words == ["none"] else None
    if len(words) == 1 and words[0].isascii() and words[0].isdigit():
        return int(words[0])
    raise click.BadParameter(f'{value!r} is not "none", "all" or "best 20".')


@siting.command()
@input_options
@click.option("-o", "--out", type=click.Path(path_type=Path), required=True, help="Output folder.")
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
    from siting.batch.run import Options
    from siting.commands import batch_to_folder

    inputs, protocol = _settings(inputs_file, protocol_file, options)
    told, complete = batch_to_folder(
        inputs,
        protocol,
        out,
        options=Options(
            pages=pages, workers=workers, dask=dask, assign=assign, overwrite=overwrite
        ),
        watcher=BatchProgress(),
    )
    click.echo(told)
    if not complete:
        raise SystemExit(4)


@siting.command()
@input_options
def check(inputs_file: Path | None, protocol_file: Path | None, **options: Any) -> None:
    """Show what each input is and what is wrong with it. Writes nothing."""
    from siting.commands import check_inputs

    inputs, protocol = _settings(inputs_file, protocol_file, options)
    text, sound = check_inputs(inputs, protocol)
    click.echo(text)
    if not sound:
        raise SystemExit(3)


@siting.command()
@click.option("--point", default=None, help="LON,LAT in degrees, with --radius.")
@click.option("--radius", type=float, default=None, help="Radius around --point, m.")
@click.option("--parcel", default=None, help='Outlines of the land: FILE or "FILE::LAYER".')
@click.option("--bounds", default=None, help="W,S,E,N in degrees.")
@click.option("-o", "--out", type=click.Path(path_type=Path), required=True, help="Output folder.")
@click.option(
    "--recipe",
    default="world",
    show_default=True,
    help="Which open data: the name of a recipe, or a file of your own (.toml).",
)
@click.option("--dem", multiple=True, help="Elevation by hand: files or folders of tiles.")
@click.option(
    "--land-cover", multiple=True, help='Land cover by hand: files or folders of tiles; "osm".'
)
@click.option("--legend", default="", help="Legend of --land-cover: a name or a CSV.")
@click.option(
    "--surface",
    type=click.Choice(["yes", "no", "unknown"]),
    default="unknown",
    show_default=True,
    help="Whether the heights of --dem are of tree tops and roofs.",
)
@click.option(
    "--margin",
    type=click.FloatRange(0, 20_000),
    default=1500.0,
    show_default=True,
    help="Ground around the land, m.",
)
@click.option(
    "--osm",
    type=click.Path(exists=False),
    default="",
    help="OpenStreetMap extract (.osm.pbf), or a folder made from one. Without land: make it.",
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
    type=click.FloatRange(1, 1_000_000),
    default=2000.0,
    show_default=True,
    help="Never download more than this, MB.",
)
@click.option("--allow-host", multiple=True, help="Another host that may be contacted.")
def gather(out: Path, **options: Any) -> None:
    """Gather open elevation, land cover and layers for a piece of land into a folder.

    This is the only command that asks the network. Run it again to resume or renew.
    """
    from siting.commands import gather_to_folder

    agreed = options.pop("yes")
    ask = _ask(options)

    def confirm(estimate: str, size: int) -> bool:
        del size
        click.echo(estimate, err=True)
        return agreed or (sys.stdin.isatty() and click.confirm("Download it?", err=True))

    with progress_line() as progress:
        told = gather_to_folder(ask, out, confirm=confirm, progress=progress)
    click.echo(told)


def _ask(options: dict[str, Any]) -> Any:
    """The options of gather as what is to be gathered."""
    from siting.gather.recipes import load_recipe
    from siting.gather.run import Ask

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

    if [point, parcel, bounds].count(None) != 2 or (point is None) != (radius is None):
        raise click.UsageError("Give one of --point with --radius, --parcel, or --bounds.")
    if parcel is not None:
        return region.from_file(parcel)
    name, count = ("point", 2) if point is not None else ("bounds", 4)
    numbers = [_number(name, text) for text in (point or bounds or "").split(",")]
    if len(numbers) != count:
        raise click.BadParameter(f"--{name} needs {count} numbers with commas between.")
    if radius is not None:
        return region.from_point(numbers[0], numbers[1], radius)
    return region.from_bounds(numbers[0], numbers[1], numbers[2], numbers[3])


@siting.command()
@click.argument("inputs_file", required=False, type=click.Path(path_type=Path))
@click.option("--point", required=True, help="LON,LAT in degrees: the middle of the land.")
@click.option(
    "--radius", type=float, default=1000.0, show_default=True, help="How far the land reaches, m."
)
@click.option(
    "--for", "made_for", default="", help="The sign-up it is for; the sketch carries it back."
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
    """Write a page on which a volunteer draws the land. It works offline, on a phone or laptop."""
    from siting.commands import sketch_to_file
    from siting.settings.load import load_inputs

    lon, _, lat = point.partition(",")
    place = (_number("point", lon), _number("point", lat))
    over = {"parcel": {"point": list(place), "radius_m": radius, "file": ""}}
    inputs = load_inputs(inputs_file, over) if inputs_file is not None else None
    click.echo(sketch_to_file(inputs, out, point=place, radius_m=radius, made_for=made_for))


@siting.command()
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
@click.option("--port", type=click.IntRange(0, 65535), default=0, help="Port; 0 picks a free one.")
def desk(
    inputs_file: Path | None,
    folder: Path,
    protocol_file: Path | None,
    no_browser: bool,
    port: int,
) -> None:
    """Open the survey office in the browser. Sign-ups, land, places, hand-over; no internet."""
    try:
        from siting.desk.run import run_desk
    except ModuleNotFoundError as error:
        raise click.ClickException(
            f"The desk needs {error.name}, which is not installed. Install it with: "
            "pip install 'siting[desk]'"
        ) from error
    if inputs_file is None and not (folder / "office.toml").exists():
        sample = Path("sample_rasters") / "inputs.toml"  # so that one command shows it all
        inputs_file = sample if sample.exists() else None
    run_desk(
        folder, inputs_file, protocol_file, say=click.echo, open_browser=not no_browser, port=port
    )


@siting.command()
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
    from siting.settings.load import load_protocol, protocol_for, protocol_text

    if target is None:
        shown = load_protocol(protocol_file, changed_by=change)
    elif protocol_file is not None or change is not None:
        raise click.UsageError("Name a protocol file or --for, not both.")
    else:
        shown = protocol_for(TARGET_GROUPS[target])
    click.echo(protocol_text(shown), nl=False)


siting.add_command(review)


class progress_line:  # noqa: N801 - used like a function
    """Shows the stages of a run on a terminal; silent when the output goes to a file or a log."""

    def __init__(self) -> None:
        self._shown = sys.stderr.isatty()
        self._start = time.monotonic()

    def __enter__(self) -> Callable[[str], None]:
        return self._tell

    def __exit__(self, *_: object) -> None:
        if self._shown:
            click.echo("\r\033[K", nl=False, err=True)

    def _tell(self, stage: str) -> None:
        if self._shown:
            spent = time.monotonic() - self._start
            click.echo(f"\r\033[K{stage} ... ({spent:.0f} s)", nl=False, err=True)


def main() -> None:
    """Entry point: every failure becomes one message and its exit code."""
    # The systems of equations here are small: further threads would wait more than they work.
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    # The libraries make half a million objects that stay: looking through them again and again
    # for what can go takes a tenth of a short run.
    gc.set_threshold(100_000, 50, 50)
    debug = "--debug" in sys.argv
    forgive_closed_streams()
    try:
        status = siting.main(prog_name="siting", standalone_mode=False)
    except SitingError as error:
        if debug:
            raise
        click.echo(_one_message(error), err=True)
        raise SystemExit(error.exit_status) from None
    except click.exceptions.Abort:
        raise _interrupted() from None
    except click.ClickException as error:
        error.show()
        raise SystemExit(error.exit_code) from None
    except KeyboardInterrupt:
        raise _interrupted() from None
    except Exception as error:
        if debug:
            raise
        if out_of_memory(error):
            click.echo(str(memory_error()), err=True)
            raise SystemExit(3) from None
        click.echo(
            f"E-INTERNAL: {type(error).__name__}: {error}. This is a fault of the program, not of "
            "your files. Run again with 'siting --debug ...' and report what it prints.",
            err=True,
        )
        raise SystemExit(1) from None
    raise SystemExit(status if isinstance(status, int) else 0)


def _interrupted() -> SystemExit:
    """The end of a run that was stopped; a second Ctrl-C no longer disturbs it."""
    for kind in (signal.SIGINT, signal.SIGTERM):
        signal.signal(kind, signal.SIG_IGN)
    click.echo("Interrupted; nothing half-written was left.", err=True)
    return SystemExit(130)


def _one_message(error: SitingError) -> str:
    """The message without control characters, which a terminal would obey."""
    from siting.lengths import NO_BREAK

    text = str(error).replace(NO_BREAK, " ")
    return "".join(c if c == "\n" or c.isprintable() else "\ufffd" for c in text)
