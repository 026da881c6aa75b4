"""Protocol and inputs files: reading them, telling all their faults at once, printing them."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

from siting.criteria import Target
from siting.errors import SitingError
from siting.settings.inputs import Inputs
from siting.settings.protocol import Protocol
from siting.settings.ratios.compared import with_compared_weights
from siting.settings.ratios.targets import TARGETS, settings_for
from siting.settings.text.faults import validate
from siting.settings.text.toml import AnyPath, read_toml


def load_protocol(
    path: AnyPath | None = None,
    *,
    best_of_each_kind: bool = False,
    random_places: int | None = None,
    random_share: float | None = None,
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
    random_share : float or None
        Share of the assigned cameras at a place drawn at random, 0 to 1, whatever the file says.
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
        data = overlay(data, read_toml(changed_by))
    if best_of_each_kind:
        data = overlay(data, {"candidates": {"best_of_each_kind": True}})
    if random_places is not None:
        data = overlay(data, {"random": {"places": random_places}})
    if random_share is not None:
        data = overlay(data, {"assign": {"random_share": random_share}})
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
    # The group's ratios first, the file's own on top: a survey changes one number, not the table.
    if target in TARGETS:
        changes = overlay(settings_for(target), changes)
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
        rule="A criterion now has a ratio: pictures per day with it, divided by those without it.",
        cure="Print a new protocol with `siting protocol`, carry your own changes over, and write "
        "ratio = 1.6 where weight stood (docs/method.md has a ratio for each); 1 switches off.",
    )


def _table(data: Mapping[str, Any], name: str) -> Mapping[str, Any]:
    found = data.get(name)
    return found if isinstance(found, Mapping) else {}


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
    merged = overlay(data, overrides or {})
    source = str(path) if path is not None else "the command line"
    inputs = validate(Inputs, merged, source=source)
    folder = path.resolve().parent if path is not None else Path.cwd()
    return inputs.model_copy(update={"folder": folder})


def overlay(base: Mapping[str, Any], over: Mapping[str, Any]) -> dict[str, Any]:
    merged = dict(base)
    for key, value in over.items():
        below = merged.get(key)
        if isinstance(below, Mapping) and isinstance(value, Mapping):
            merged[key] = overlay(below, value)
        else:
            merged[key] = value
    return merged
