"""Protocol and inputs files: reading them, telling all their faults at once, printing them."""

from __future__ import annotations

import difflib
import json
import math
import os
import stat
import tomllib
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any, TypeVar

from pydantic import BaseModel, ValidationError
from pydantic.fields import FieldInfo

from siting.criteria import Target
from siting.errors import SettingsError, SitingError
from siting.settings.inputs import Inputs
from siting.settings.protocol import Protocol
from siting.settings.protocol_base import Section, about
from siting.settings.protocol_score import TARGETS, Rule, settings_for
from siting.settings.weights import PairwiseWeights, pairwise_weights

Model = TypeVar("Model", bound=BaseModel)
AnyPath = str | os.PathLike[str]
_MOST_BYTES = 1_000_000


def load_protocol(
    path: AnyPath | None = None,
    *,
    best_of_each_kind: bool = False,
    random_places: int | None = None,
    changed_by: AnyPath | None = None,
) -> Protocol:
    """The protocol of a file, or the default; all faults of the file are told at once.

    Parameters
    ----------
    path : str, path or None
        TOML file; keys that it leaves out keep their default.
    best_of_each_kind : bool
        True switches candidates.best_of_each_kind on, whatever the file says.
    random_places : int or None
        How many places to draw at random, whatever the file says.
    changed_by : str, path or None
        TOML file of changes (such as a review suggests), laid over the first.

    Raises
    ------
    SettingsError
        E-SETTINGS-01 with one line per fault: key, value, rule, cure; E-SETTINGS-03 for a file
        of the time before ratios.
    """
    data = read_toml(path) if path is not None else {}
    if changed_by is not None:
        data = _overlay(data, read_toml(changed_by))
    if best_of_each_kind:
        data = _overlay(data, {"candidates": {"best_of_each_kind": True}})
    if random_places is not None:
        data = _overlay(data, {"random": {"places": random_places}})
    return protocol_with(data, source=str(path))


def protocol_with(changes: Mapping[str, Any], *, source: str = "the protocol") -> Protocol:
    """The default protocol with some values changed, given as nested tables like the file's.

    Raises
    ------
    SettingsError
        E-SETTINGS-01 with one line per fault, E-SETTINGS-03 for weights of an earlier version;
        `source` is what the message calls the tables.

    Examples
    --------
    >>> protocol_with({"candidates": {"spots": 3}}).candidates.spots
    3
    """
    _refuse_shares(changes, source=source)
    named = changes.get("scoring", {})
    target = named.get("target") if isinstance(named, Mapping) else None
    if target in TARGETS:
        changes = _overlay(settings_for(target), changes)
    return with_compared_weights(validate(Protocol, changes, source=source))


def protocol_for(target: Target) -> Protocol:
    """The protocol shipped for a group of animals."""
    return validate(Protocol, settings_for(target), source=target)


def _refuse_shares(data: Mapping[str, Any], *, source: str) -> None:
    """E-SETTINGS-03 for weights as shares and for the two ways of combining that went with them."""
    old = [
        f"scoring.{key}" for key in ("method", "attraction_share") if key in _table(data, "scoring")
    ]
    for group in ("attractors", "conditions"):
        for name in _table(data, group):
            old += [f"{group}.{name}.weight"] * ("weight" in _table(_table(data, group), name))
    if not old:
        return
    more = f" and {len(old) - 3} more" if len(old) > 3 else ""
    raise SitingError(
        "E-SETTINGS-03",
        f"{source} has {', '.join(old[:3])}{more}: weights of an earlier version.",
        rule="A criterion has a ratio now: pictures per day with it, as many times those without.",
        cure="Print a new protocol with `siting protocol`, carry your own changes over, and write "
        "ratio = 1.6 where weight stood (docs/method.md has a ratio for each); 1 switches off.",
    )


def _table(data: Mapping[str, Any], name: str) -> Mapping[str, Any]:
    found = data.get(name)
    return found if isinstance(found, Mapping) else {}


def compared_weights(protocol: Protocol) -> dict[str, PairwiseWeights]:
    """Weights by pairwise comparison of "attractors" and "conditions", where the protocol has any.

    Raises
    ------
    SitingError
        E-WEIGHTS-01 or E-WEIGHTS-02 for a table that cannot be used.
    """
    found: dict[str, PairwiseWeights] = {}
    for group in ("attractors", "conditions"):
        table = getattr(protocol.pairwise, group)
        if not table.criteria and not table.matrix:
            continue
        known = type(getattr(protocol, group)).model_fields
        strange = [name for name in table.criteria if name not in known]
        if strange:
            raise SitingError(
                "E-WEIGHTS-01",
                f"pairwise.{group}.criteria names {', '.join(strange)}.",
                rule=f"The {group} are {', '.join(known)}.",
                cure="Write the names exactly as in the protocol.",
            )
        found[group] = pairwise_weights(
            table.criteria, table.matrix, allow_inconsistent=table.allow_inconsistent
        )
    return found


def with_compared_weights(protocol: Protocol) -> Protocol:
    """The protocol with the ratios that its pairwise comparisons come to.

    The comparison shares out the logarithm: twice as important is twice the weight, and the most
    important criterion has the ratio `largest`.
    """
    changed: dict[str, Any] = {}
    for group, found in compared_weights(protocol).items():
        section, top = getattr(protocol, group), max(found.weights.values())
        largest = math.log(getattr(protocol.pairwise, group).largest)
        rules = {
            name: _with_ratio(getattr(section, name), math.exp(largest * weight / top))
            for name, weight in found.weights.items()
        }
        changed[group] = section.model_copy(update=rules)
    return protocol.model_copy(update=changed) if changed else protocol


def _with_ratio(rule: Rule, ratio: float) -> Rule:
    """The rule with another ratio, its interval as wide as before."""
    moved = ratio / rule.ratio
    return rule.model_copy(
        update={"ratio": ratio, "low": rule.low * moved, "high": rule.high * moved}
    )


def load_inputs(path: AnyPath | None, overrides: Mapping[str, Any] | None = None) -> Inputs:
    """The inputs of a file, with values of the command line laid over them.

    Parameters
    ----------
    path : str, path or None
        TOML file; its relative paths count from its own folder.
    overrides : mapping
        Nested like the file; a value here replaces the one in the file. Its relative paths must
        have been made absolute by the caller, who knows the working folder.
    """
    path = Path(path) if path is not None else None
    data = read_toml(path) if path is not None else {}
    merged = _overlay(data, overrides or {})
    source = str(path) if path is not None else "the command line"
    inputs = validate(Inputs, merged, source=source)
    folder = path.resolve().parent if path is not None else Path.cwd()
    return inputs.model_copy(update={"folder": folder})


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


def validate(model: type[Model], data: Mapping[str, Any], *, source: str) -> Model:
    """The model filled from nested tables, or every fault of them at once."""
    try:
        return model.model_validate(data)
    except ValidationError as error:
        faults = [_fault(model, fault) for fault in error.errors()]
        raise SettingsError(source, faults) from None


def _fault(model: type[BaseModel], fault: Any) -> str:
    path = [part for part in fault["loc"] if part not in ("function-before",)]
    key = ".".join(str(part) for part in path) or "(whole file)"
    value = _shown(fault.get("input"))
    kind = fault["type"]
    if kind == "extra_forbidden":
        return f"{key} = {value}: there is no such key.{_nearest(model, path)}"
    if kind == "missing":
        return f"{key} is missing: it must be given. Add it to the file or as an option."
    message = fault["msg"].removeprefix("Value error, ")
    cure = "" if kind == "value_error" else f" {_cure(kind, fault)}"
    if isinstance(fault.get("input"), Mapping):
        return f"{key}: {message}.{cure}"
    return f"{key} = {value}: {message}.{cure}"


def _cure(kind: str, fault: Any) -> str:
    limit, given = fault.get("ctx", {}).get("le"), fault.get("input")
    if kind == "less_than_equal" and limit == 1 and isinstance(given, int | float) and given <= 100:
        return f"A share is written 0 to 1: {given:g} % is {given / 100:g}."
    return "Change the value."


def _shown(value: Any) -> str:
    text = repr(value)
    return text if len(text) <= 60 else text[:57] + "..."


def _nearest(model: type[BaseModel], path: list[Any]) -> str:
    known = _keys_at(model, path[:-1])
    near = difflib.get_close_matches(str(path[-1]), known, n=1, cutoff=0.5)
    if near:
        return f" Did you mean {near[0]}?"
    return f" Known here: {', '.join(known)}." if known else ""


def _keys_at(model: type[BaseModel], path: list[Any]) -> list[str]:
    for part in path:
        info = model.model_fields.get(str(part))
        inner = _inner_model(info) if info else None
        if inner is None:
            return []
        model = inner
    return list(model.model_fields)


def _inner_model(info: FieldInfo) -> type[BaseModel] | None:
    choices = [info.annotation, *getattr(info.annotation, "__args__", ())]
    for choice in choices:
        if isinstance(choice, type) and issubclass(choice, BaseModel):
            return choice
    return None


def _overlay(base: Mapping[str, Any], over: Mapping[str, Any]) -> dict[str, Any]:
    merged = dict(base)
    for key, value in over.items():
        below = merged.get(key)
        if isinstance(below, Mapping) and isinstance(value, Mapping):
            merged[key] = _overlay(below, value)
        else:
            merged[key] = value
    return merged


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
            yield from _section_lines(getattr(section, field), f"{name}.{field}" if name else field)


def toml_value(value: Any) -> str:
    """A value as TOML text.

    Examples
    --------
    >>> toml_value(((0.0, 1.0), (30.0, 0.5)))
    '[[0.0, 1.0], [30.0, 0.5]]'
    """
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
