"""Every sentence that gathering open data says: estimates, questions, warnings, results."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping, Sequence

from siting.lengths import NO_BREAK, percent
from siting.types import Note

_SMALL_MB = 0.1


def size(count: int) -> str:
    """A number of bytes for people.

    Examples
    --------
    >>> size(1_234_567), size(20_000)
    ('1.2 MB', '0.1 MB')
    """
    # "0.0 MB" reads like a fault.
    return f"{max(count / 1e6, _SMALL_MB):,.1f} MB"


# A coordinator at the desk has never seen the keys of an inputs file.
_LAYER_WORDS = {
    "dem": "Elevations",
    "land_cover": "Land cover",
    "canopy": "Height of the vegetation",
}


def estimate(layers: Sequence[tuple[str, str, int]], *, total: int) -> str:
    """What will be downloaded: a line per layer (layer, title, bytes) and the sum."""
    lines = [
        f"  {_LAYER_WORDS.get(layer, layer)}: {title}, about {size(count)}"
        for layer, title, count in layers
    ]
    return "\n".join(["To download:", *lines, f"  together about {size(total)}"])


def question(total: int) -> str:
    """Asked before a large download."""
    return f"Download about {size(total)}?"


def surface(layer: str, title: str) -> Note:
    """W-SURFACE-01: heights that are not of the ground."""
    text = (
        f"The heights of {title or layer} are those of tree tops and roofs where there are any, "
        "not of the ground: do not trust slope and view in and beside woods. Check them on site, "
        "or use bare-earth elevations."
    )
    return Note("W-SURFACE-01", "warning", text)


def surface_unknown(file: str, hint: str) -> Note:
    """A-SURFACE-01: it is not known whether heights are of the ground."""
    more = f" Its name has {hint!r} in it, which often means a surface model." if hint else ""
    text = (
        f"It is not known whether the heights of {file} are of the ground or of tree tops and "
        f"roofs; the ground was assumed.{more} Set --surface no, or --surface yes."
    )
    return Note("A-SURFACE-01", "assumption", text)


def hole(layer: str, km2: float) -> Note:
    """W-HOLE-01: ground without data, in square km."""
    text = (
        f"{layer}: there are no data for {km2:,.2f} km2 of the region (a missing tile, sea, or "
        "ground that was not measured). It stays unknown."
    )
    return Note("W-HOLE-01", "warning", text)


def coarser_far(cell_m: float, from_m: float, off_m: float, angle_deg: float) -> Note:
    """A-FAR-01: elevations far off are coarser, and by how much they lower a crest.

    Parameters
    ----------
    cell_m : width of their cells, metres
    from_m : how far from the land they begin, metres
    off_m : how far the highest ground of a cell stands above it, 95 % of the cells, metres
    angle_deg : the angle of that at this distance, degrees
    """
    text = (
        f"From {from_m / 1000:.1f} km on the skyline is looked for in cells of {cell_m:.0f} m. The "
        f"highest ground of a cell stands up to {off_m:.1f} m above it (95 % of the cells): "
        f"{angle_deg:.2f} degrees at {from_m / 1000:.1f} km, half of that at twice the distance."
    )
    return Note("A-FAR-01", "assumption", text)


def copies_differ(file: str, from_m: float) -> Note:
    """W-OVERVIEW-01: reduced copies inside a file of a catalogue hold other heights.

    `from_m` is how far from the land the file itself is read, metres.
    """
    text = (
        f"The reduced copies (overviews) inside {file} hold other heights than the file: they are "
        f"not used, and the skyline is known for {from_m / 1000:.1f} km only. --margin 8800 reads "
        "the file itself that far, for many more bytes."
    )
    return Note("W-OVERVIEW-01", "warning", text)


def editions(layer: str, taken: str, others: Sequence[str]) -> Note:
    """A-EDITION-01: several editions lie over the land and one was taken."""
    text = f"{layer}: {taken} was used; there are also {', '.join(others)}."
    return Note("A-EDITION-01", "assumption", text)


def items_changed(layer: str, gone: Sequence[str], new: Sequence[str]) -> Note:
    """A-EDITION-01: the catalogue has other items than last time."""
    # Six are enough to see what kind of change it is; the note is one of several on a terminal.
    parts = [f"no longer there: {', '.join(gone[:6])}"] if gone else []
    parts += [f"new: {', '.join(new[:6])}"] if new else []
    text = f"{layer}: the catalogue has changed since the last run ({'; '.join(parts)})."
    return Note("A-EDITION-01", "assumption", text)


def seam(layer: str, cells: int, second: str, step: float) -> Note:
    """W-SEAM-01: two products in one raster; `step` in metres, NaN where they share no ground."""
    # NaN is the one number that does not equal itself.
    apart = "they share no ground to compare" if step != step else f"{step:+.2f} m off there"
    text = (
        f"{layer}: {cells:,} cells were filled from {second}, {apart}. A step may show at the seam."
    )
    return Note("W-SEAM-01", "warning", text)


def shared_cells(layer: str, names: Sequence[str]) -> Note:
    """W-SEAM-01: tiles that overlap and differ."""
    text = (
        f"{layer}: {', '.join(names[:6])} differ from their neighbours where they overlap; the "
        "first by name was used."
    )
    return Note("W-SEAM-01", "warning", text)


def part_only(layer: str, share: float) -> Note:
    """W-COVER-01: tiles that leave part of the land out; `share` covered, 0..1."""
    text = f"{layer} covers {percent(share)} of the land and the ground around it."
    # These notes are printed: not every terminal can show a space that does not break.
    return Note("W-COVER-01", "warning", text.replace(NO_BREAK, " "))


def inputs_kept(name: str) -> Note:
    """A-INPUTS-01: the user's own lines are not overwritten."""
    text = (
        f"You have changed inputs.toml since it was written, so it was kept; the new version is "
        f"in {name}."
    )
    return Note("A-INPUTS-01", "assumption", text)


def use_not_known(file: str, unknown: int, trails: int) -> Note:
    """A-USE-01: paths whose tags say nothing of who uses them."""
    share = percent(unknown / max(trails, 1))
    text = (
        f"{file}: {unknown:,} of {trails:,} trails ({share}) do not say "
        'who uses them. They stay "use not known": they may be game trails or full of people.'
    )
    return Note("A-USE-01", "assumption", text.replace(NO_BREAK, " "))


def strange_ways(file: str, counts: Mapping[str, int]) -> Note:
    """A-OSM-01: kinds of ways that are not in the table."""
    listed = ", ".join(f"{name} ({count})" for name, count in list(counts.items())[:12])
    text = f"{file}: ways of unknown kinds were left out: {listed}."
    return Note("A-OSM-01", "assumption", text)


def hunting(count: int) -> Note:
    """A-OSM-01: hunting stands are reported, and kept clear of when the survey asks for it."""
    text = (
        f"{count:,} hunting stands or grounds are mapped here (layer hunting). Ask the owner when "
        "hunting takes place and stay away then; --hunting no-go keeps spots clear of them."
    )
    return Note("A-OSM-01", "assumption", text)


def protected(count: int) -> Note:
    """A-OSM-01: protected areas may ask for a permit."""
    text = (
        f"{count:,} protected areas reach in here (layer protected): ask their office whether a "
        "permit is needed."
    )
    return Note("A-OSM-01", "assumption", text)


def old_extract(day: dt.date) -> Note:
    """W-AGE-01: an extract of years ago."""
    text = (
        f"The map extract dates from {day.isoformat()}: paths and houses built since are not in it."
    )
    return Note("W-AGE-01", "warning", text)


def areas_cut(missing: int, of: int) -> Note:
    """W-OSM-01: woods and waters at the border of an extract."""
    text = (
        f"{missing:,} of {of:,} large woods and waters are missing: parts of them lie outside the "
        "extract. Take the extract of a larger region when your land is near its border."
    )
    return Note("W-OSM-01", "warning", text)


def dropped(layer: str, file: str, count: int) -> Note:
    """A-DROP-01: features that a mapping leaves out."""
    text = f"{file}: {count:,} features of {layer} were left out, as the mapping asks."
    return Note("A-DROP-01", "assumption", text)


def twins(layer: str, count: int) -> Note:
    """W-TWIN-01: lines of one file that run along lines of another."""
    text = (
        f"{layer}: {count:,} lines of one source run along lines of the other within 5 m. They may "
        "be one thing mapped twice; leave them out of one source."
    )
    return Note("W-TWIN-01", "warning", text)


def density(
    points: float,
    ground: float,
    cell_m: float,
    years: Sequence[int],
    held: tuple[int, float, float],
) -> Note:
    """A-LIDAR-01: how dense and how old a point cloud is, and how far its ground can be trusted.

    Parameters
    ----------
    points, ground : points per square metre, all of them and those on the ground
    cell_m : cell size of what was made from it, metres
    years : first and last year of measuring, empty where not known
    held : (count, median, 95th percentile) of ground points kept back, and how far they lie from
        the surface, metres
    """
    # A set, so that a cloud that was measured within one year names it once.
    span = " to ".join(str(year) for year in sorted({years[0], years[-1]})) if years else ""
    when = f"measured or filed in {span}, " if span else ""
    text = (
        f"The point cloud was {when}with {points:.2g} points per square metre, "
        f"{ground:.2g} of them on the ground; cells of {cell_m:g} m were made from it."
    )
    count, median, most = held
    # Where nothing was held out no figure is given: 0.00 m would praise what was never tried.
    if count:
        text += (
            f" Of {count:,} ground points that were not used, half lie within {median:.2f} m of "
            f"the surface and 95 % within {most:.2f} m."
        )
    return Note("A-LIDAR-01", "assumption", text)


def spikes(count: int) -> Note:
    """W-SPIKE-01: cells that stick out."""
    text = (
        f"{count:,} cells are 30 m or more above or below the ground around them: a mast, a bird, "
        "an error?"
    )
    return Note("W-SPIKE-01", "warning", text)


def below_ground(count: int) -> Note:
    """A-LIDAR-02: points below the ground."""
    text = f"{count:,} points lie below the ground (wrong classes) and were taken as height 0."
    return Note("A-LIDAR-02", "assumption", text)


def lost_line(file: str, line: str) -> Note:
    """W-ATTRIB-01: a raster's own line that the inputs file lacks."""
    text = (
        f"{file} asks to be credited ({line}), and the inputs file has no such line: add it under "
        "[[sources]] with attribution, or copy it from the region's inputs.toml."
    )
    return Note("W-ATTRIB-01", "warning", text)


def done(folder: str, files: Sequence[str], kept: Sequence[str], asked: int, count: int) -> str:
    """The end of a run: what was written, what was there already, what was downloaded."""
    lines = [f"{folder}: {', '.join(files)}."] if files else [f"{folder}: nothing new."]
    if kept:
        lines.append(f"Kept from the last run: {', '.join(kept)}.")
    if asked:
        lines.append(f"{asked} requests, {size(count)} downloaded.")
    else:
        lines.append("Nothing was downloaded.")
    return "\n".join(lines)
