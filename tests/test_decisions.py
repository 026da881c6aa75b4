"""The decisions file: its format, and what the page of the docs says about it."""

from __future__ import annotations

import json
import re
from pathlib import Path

import pytest
from pydantic import ValidationError

from siting.decisions.model import Cleared, DecisionsFile, Done, PositionFrom, Reason, Record, State

DOCS = Path(__file__).parents[1] / "docs"
HERE = {"lat": 45.0, "lon": -92.0}


def test_the_example_of_the_docs_is_a_valid_file():
    text = (DOCS / "decisions.md").read_text(encoding="utf-8")
    (example,) = re.findall(r"```json\n(.*?)```", text, re.DOTALL)
    file = DecisionsFile.model_validate_json(example)
    assert [r.state for r in file.records] == ["ruled out", "camera up", "checked"]
    # Read back from what it writes: nothing is lost on the way.
    assert DecisionsFile.model_validate_json(file.model_dump_json()) == file


def test_the_docs_name_every_field_and_word():
    text = (DOCS / "decisions.md").read_text(encoding="utf-8")
    words = [*Record.model_fields, *DecisionsFile.model_fields]
    words += [w for kind in (State, Reason, Cleared, Done, PositionFrom) for w in kind.__args__]
    assert [word for word in words if f"`{word}`" not in text] == []


def test_the_schema_accepts_the_example_and_refuses_others():
    jsonschema = pytest.importorskip("jsonschema")
    schema = json.loads(
        (DOCS.parent / "siting" / "data" / "decisions.schema.json").read_text(encoding="utf-8")
    )
    text = (DOCS / "decisions.md").read_text(encoding="utf-8")
    example = json.loads(re.findall(r"```json\n(.*?)```", text, re.DOTALL)[0])
    jsonschema.validate(example, schema)
    example["records"][0]["state"] = "eaten"
    with pytest.raises(jsonschema.ValidationError):
        jsonschema.validate(example, schema)


@pytest.mark.parametrize(
    ("record", "words"),
    [
        ({"state": "chosen", "at": "2027-04-03"}, "which place"),
        ({"state": "camera up", "at": "2027-04-03", "location": "P01-7KQ3"}, "where it stands"),
        ({"state": "ruled out", "at": "2027-04-03", **HERE}, "needs a reason"),
        ({"state": "chosen", "at": "2027-04-03", "reason": "wet", **HERE}, "nothing else has one"),
        ({"state": "chosen", "at": "3 April", **HERE}, "is not a date"),
        ({"state": "chosen", "at": "2027-04-03T10:20", **HERE}, "offset"),
        ({"state": "chosen", "at": "2027-04-03", "lat": 45.0}, "belong together"),
        ({"state": "chosen", "at": "2027-04-03", "colour": "red", **HERE}, "colour"),
    ],
)
def test_a_record_that_cannot_be_used_says_why(record, words):
    with pytest.raises(ValidationError, match=words):
        DecisionsFile.model_validate({"format": "siting decisions 1", "records": [record]})
