"""The visit form as data: its fields and their limits from the decisions format, its words."""

from __future__ import annotations

from typing import Any

from siting.decisions.model import FORMAT, Record
from siting.settings.protocol_field import VisitRules
from siting.words.office import decisions as words
from siting.words.office.service_interval import visit_plan
from siting.words.sheet import bring_on_check, check_visit


def form_data(visits: VisitRules, *, frost: bool = True) -> dict[str, Any]:
    """For the page: what may be reported, what is asked for it, and what each field may hold.

    `check` says when to come back to a camera that stands, with what, and what to do there;
    `frost` is whether there may be snow.
    """
    return {
        "check": {
            "after_days": visit_plan(visits).check_after_days,
            "bring": bring_on_check(frost=frost),
            "steps": [f"{word}: {line}" for word, line in check_visit(visits, frost=frost)],
        },
        "format": FORMAT,
        "states": words.STATES,
        "asked": {state: list(fields) for state, fields in words.ASKED.items()},
        "labels": words.FIELDS,
        "choices": words.choices(frost=frost),
        "fields": fields(),
    }


def fields() -> dict[str, dict[str, Any]]:
    """Kind and limits of every field of a record but the area, which no page draws."""
    # From the schema of the format: what the form lets in is what a later run can read.
    found = {name: _field(prop) for name, prop in Record.model_json_schema()["properties"].items()}
    return {name: field for name, field in found.items() if field is not None}


def _field(prop: dict[str, Any]) -> dict[str, Any] | None:
    """One field of the JSON Schema: text, moment, number, integer, choice or several."""
    kind = next((p for p in prop.get("anyOf", ()) if p.get("type") != "null"), prop)
    if prop.get("format") or kind.get("format"):
        return {"kind": "moment"}
    if "enum" in kind:
        return {"kind": "choice", "of": kind["enum"]}
    if kind["type"] == "array":
        return {"kind": "several", "of": kind["items"]["enum"]}
    if kind["type"] == "string":
        return {"kind": "text", "most": kind["maxLength"]}
    if kind["type"] in ("number", "integer"):
        least = kind.get("minimum", kind.get("exclusiveMinimum"))
        return {"kind": kind["type"], "least": least, "most": kind.get("maximum")}
    return None
