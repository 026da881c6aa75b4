"""Tables checked against their model; every fault of a file at once, each with its cure."""

from __future__ import annotations

import difflib
from collections.abc import Mapping
from typing import Any, TypeVar

from pydantic import BaseModel, ValidationError
from pydantic.fields import FieldInfo

from siting.errors import SettingsError

Model = TypeVar("Model", bound=BaseModel)


def validate(model: type[Model], data: Mapping[str, Any], *, source: str) -> Model:
    """The model filled from nested tables, or every fault of them at once."""
    try:
        return model.model_validate(data)
    except ValidationError as error:
        # All at once: who must correct a file ten times for ten faults gives up after three.
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
    # 60 where a share is meant is 60 per cent, and 0.6 is what to write.
    if kind == "less_than_equal" and limit == 1 and isinstance(given, int | float) and given <= 100:
        return f"A share is written 0 to 1: {given:g} % is {given / 100:g}."
    return "Change the value."


def _shown(value: Any) -> str:
    text = repr(value)
    return text if len(text) <= 60 else text[:57] + "..."


def _nearest(model: type[BaseModel], path: list[Any]) -> str:
    known = _keys_at(model, path[:-1])
    # Cut-off 0.5: loose enough for a swapped pair of letters in a short key.
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
