"""TOML files: tables read from them, and a protocol written as one that explains itself."""

from __future__ import annotations

import json
import os
import stat
import tomllib
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any

from pydantic.fields import FieldInfo

from siting.errors import SitingError
from siting.settings.protocol import Protocol
from siting.settings.protocol_base import Section, about

AnyPath = str | os.PathLike[str]
_OUTLINES = (".kml", ".kmz", ".gpkg", ".geojson", ".json", ".shp", ".gpx", ".zip", ".gdb")
_MOST_BYTES = 1_000_000


def read_toml(path: AnyPath) -> dict[str, Any]:
    """The tables of a TOML file.

    Raises
    ------
    SitingError
        E-FILE-01 when missing, E-FILE-03 without permission, E-SETTINGS-02 when it is no TOML.
    """
    path = Path(path)
    rule = "Settings are TOML text in UTF-8."
    try:
        # Before it is opened: reading a pipe would wait for ever.
        mode = path.stat().st_mode
        if not (stat.S_ISREG(mode) or stat.S_ISDIR(mode)):
            raise SitingError(
                "E-FILE-04",
                f"{path} is neither a file nor a folder.",
                rule="Settings are read from ordinary files; a pipe or device may never end.",
                cure="Save the settings in a file.",
            )
        if path.stat().st_size > _MOST_BYTES:
            raise SitingError(
                "E-FILE-06",
                f"{path} has {path.stat().st_size:,} bytes.",
                rule=f"A settings file has at most {_MOST_BYTES:,} bytes.",
                cure="Check that this is the inputs or protocol file.",
            )
        data = path.read_bytes()
    except FileNotFoundError as error:
        raise SitingError(
            "E-FILE-01", f"There is no file {path}.", rule=rule, cure="Check the name and folder."
        ) from error
    except PermissionError as error:
        raise SitingError(
            "E-FILE-03",
            f"Permission denied: {path}.",
            rule=rule,
            cure="Ask its owner for read access.",
        ) from error
    except OSError as error:
        raise SitingError(
            "E-FILE-02", f"{path} cannot be read: {error.strerror}.", rule=rule, cure="Name a file."
        ) from error
    # The commonest slip: the raster where the inputs file is meant. Its first bytes tell.
    _refuse_outline(path)
    if b"\0" in data[:64] or data[:4] in (b"II*\0", b"MM\0*", b"PK\3\4"):
        raise SitingError(
            "E-SETTINGS-02",
            f"{path} is a binary file (a raster or an archive?), not a settings file.",
            rule=rule,
            cure="Name the inputs file (.toml); rasters are named inside it or with --dem and "
            "--land-cover.",
        )
    try:
        return tomllib.loads(data.decode("utf-8-sig"))
    except (ValueError, RecursionError) as error:  # also a number of thousands of digits
        raise SitingError(
            "E-SETTINGS-02",
            f"{path} is not valid TOML: {str(error).partition(';')[0]}.",
            rule=rule,
            cure='Correct the line named; text stands in quotes, as in file = "dem.tif".',
        ) from error


def rows(section: Section, prefix: str = "") -> Iterator[tuple[str, Any, FieldInfo]]:
    """Every number of a protocol as (dotted key, value, description), in file order."""
    fields = type(section).model_fields
    nested = [n for n in fields if isinstance(getattr(section, n), Section)]
    for name in fields:
        if name not in nested:
            yield f"{prefix}{name}", getattr(section, name), fields[name]
    for name in nested:
        yield from rows(getattr(section, name), f"{prefix}{name}.")


def facts(info: FieldInfo) -> dict[str, str]:
    """Unit, range and source of one number."""
    extra = info.json_schema_extra if isinstance(info.json_schema_extra, dict) else {}
    # The limits stand in the model alone; docs and comments of the file are made from them.
    limit = {
        side: next(
            (getattr(m, name) for name in names for m in info.metadata if hasattr(m, name)), None
        )
        for side, names in (("low", ("ge", "gt")), ("high", ("le", "lt")))
    }
    low, high = limit["low"], limit["high"]
    limits = f"{low:g} to {high:g}" if low is not None and high is not None else ""
    choices = [a for a in getattr(info.annotation, "__args__", ()) if isinstance(a, str)]
    if choices:
        limits = " or ".join(f'"{choice}"' for choice in choices)
    return {
        "unit": str(extra.get("unit", "")),
        "range": limits,
        "source": str(extra.get("source", "")),
    }


def protocol_text(protocol: Protocol) -> str:
    """The protocol as a TOML file whose comments give help, unit, range and source.

    The text can be read back: `load_protocol` of it gives an equal protocol.
    """
    lines = ["# Protocol of a camera survey: every number with its unit, range and source.", ""]
    lines += list(_section_lines(protocol, ""))
    return "\n".join(lines).rstrip() + "\n"


def _section_lines(section: Section, name: str) -> Iterator[str]:
    fields = type(section).model_fields
    plain = [n for n in fields if not isinstance(getattr(section, n), Section)]
    if name and plain:
        yield f"# {about(type(section))}"
        yield f"[{name}]"
    for field in plain:
        told = facts(fields[field])
        marks = [f"{key}: {text}" for key, text in told.items() if text]
        yield f"# {fields[field].description}"
        if marks:
            yield f"#   {'; '.join(marks)}"
        yield f"{field} = {toml_value(getattr(section, field))}"
    if plain:
        yield ""
    for field in fields:
        if field not in plain:
            # Tables inside a table come last: TOML counts every key below a header as that table's.
            yield from _section_lines(getattr(section, field), f"{name}.{field}" if name else field)


def toml_value(value: Any) -> str:
    """A value as TOML text.

    Examples
    --------
    >>> toml_value(((0.0, 1.0), (30.0, 0.5)))
    '[[0.0, 1.0], [30.0, 0.5]]'
    """
    # Before numbers: to Python a bool is one.
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, str):
        return _quoted(value)
    if isinstance(value, Mapping):
        inner = ", ".join(f"{toml_key(k)} = {toml_value(v)}" for k, v in value.items())
        return "{ " + inner + " }" if inner else "{}"
    if isinstance(value, (list, tuple)):
        return "[" + ", ".join(toml_value(item) for item in value) + "]"
    return repr(value)


def toml_key(key: object) -> str:
    """A key as TOML text, quoted where it is not a bare word."""
    text = str(key)
    bare = text.replace("_", "").replace("-", "").isalnum() and text.isascii()
    return text if bare else _quoted(text)


def _quoted(text: str) -> str:
    """Text in quotes: as JSON has it, and the one sign escaped that TOML refuses besides."""
    return json.dumps(text, ensure_ascii=False).replace("\x7f", "\\u007f")


def _refuse_outline(path: Path) -> None:
    """E-SETTINGS-02 with what to type, where an outline stands in place of an inputs file."""
    if path.suffix.lower() not in _OUTLINES:
        return
    name = f'"{path}"' if " " in str(path) else str(path)
    raise SitingError(
        "E-SETTINGS-02",
        f"{path} is an outline of land or another layer, not a settings file.",
        rule="What follows the command is an inputs file (TOML); an outline is an option.",
        cure=f"Type --parcel {name} --dem DEM.tif --land-cover COVER.tif --legend nlcd, or name "
        "the outline in an inputs file.",
    )
