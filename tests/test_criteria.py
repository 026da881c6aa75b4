"""The rows of the criteria: each whole, each served, and one more is one row, section and layer."""

from __future__ import annotations

import csv
import json
import math
import re
import subprocess
import sys
from dataclasses import fields, replace
from pathlib import Path

import pytest

from siting import criteria
from siting.criteria import CRITERIA, Criterion, rows
from siting.settings.given.tables import LAYER_NAMES
from siting.settings.protocol import Protocol
from tests.bad_inputs.runner import words, write_settings
from tests.test_surroundings import whole_land

# What a developer writes to add a criterion: one row, one section of the protocol, one layer. The
# text is run before any other module is loaded, as if the three files had been edited.
TOY = '''
import siting.criteria as rows
rows.CRITERIA += (rows.Attractor(
    name="moss", group="ground", layer="mossiness", unit="share", needs=(rows.Need(("dem",)),),
    label="moss to lie on", about="Animals rest on moss.", why="Moss grows here ({value:.2f}).",
    place_kind="edge", letter_place="on a bed of moss",
    draws="animals are likely to rest on the moss there"),)

import siting.settings.protocol as protocol
import siting.settings.protocol_score as scores
class Moss(scores.Trail):
    """Animals rest on moss."""
    curve: scores.Curve = scores._curve([[0, 0], [1, 1]], "share", "invented", "Moss.")
    ratio: float = scores._draws(2.5, "invented")
class Attractors(protocol.Attractors):
    moss: Moss = Moss()
class Whole(protocol.Protocol):
    attractors: Attractors = Attractors()
protocol.Attractors, protocol.Protocol = Attractors, Whole

import dataclasses
import numpy as np
import siting.ground.layers as ground
built = ground.build_ground
def with_moss(land, **rules):
    found = built(land, **rules)
    row, col = np.indices(land.grid.shape)  # tufts 80 m apart, so that there are several
    moss = np.abs(np.sin(row * np.pi / 16) * np.sin(col * np.pi / 16)).astype(np.float32)
    return dataclasses.replace(found, layers={**found.layers, "mossiness": moss})
ground.build_ground = with_moss
'''
RUN = """
import sys
from siting.cli.main import main
main()
"""
LETTER = """
import sys
from siting.batch.survey.assign_program import place_kind
from siting.words.office.letters import where
from pathlib import Path
from siting.settings.load import load_inputs, load_protocol
from siting import read_parcel, site_parcel
from siting.words import notes
from siting.scoring.stability import Choice
inputs, rules = load_inputs(Path(sys.argv[1])), load_protocol(Path(sys.argv[2]))
result = site_parcel(inputs, rules, read_parcel(inputs))
best = [spot for spot in result.spots if spot.kind == "moss"][0]
nameless = dataclasses.replace(best, name="", place=None)
print(where(nameless, result.land), "|", place_kind(best.kind))
print(best.stability.draws, result.scores.weights["moss"])
print(notes._turning(Choice("moss", 1.0, 0.5, 0), shown=1))
"""


def ran(script: str, *arguments: str) -> str:
    done = subprocess.run(
        [sys.executable, "-c", script, *arguments],
        capture_output=True, text=True, timeout=300, check=False,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    return done.stdout


@pytest.fixture(scope="module")
def land(tmp_path_factory):
    found = whole_land(tmp_path_factory.mktemp("moss"))
    found.protocol = (
        str(found.protocol).replace("spots = 2", "spots = 2\nspacing_m = 20.0")
        + "[attractors.trail]\nratio = 1.0\n"
    )
    write_settings(found)
    found.out = str(found.folder / "out")
    ran(TOY + RUN, *words(found, "score"))
    return found


def test_a_criterion_more_reaches_table_card_and_weights_tab(land):
    with Path(land.out, "spots.csv").open(newline="", encoding="utf-8") as stream:
        rows = list(csv.DictReader(stream))
    assert rows
    assert all(0 < float(row["part_moss"]) <= 1 for row in rows)
    assert any("Moss grows here (" in row["why"] for row in rows)
    page = Path(land.out, "map.html").read_text(encoding="utf-8")
    island = re.search(r'<script[^>]*type="application/json"[^>]*>(.*?)</script>', page, re.S)
    data = json.loads(island[1])
    moss = next(row for row in data["criteria"] if row["name"] == "moss")
    assert (moss["label"], moss["says"]) == ("Moss to lie on", "Animals rest on moss.")
    assert (moss["ratio"], moss["group"], moss["cells"]) == (2.5, "attractor", True)
    assert any("Moss grows here" in line for spot in data["spots"] for line in spot["why"])
    assert all("moss" in spot["memberships"] for spot in data["spots"])


def test_a_criterion_more_reaches_letter_assignment_and_trials(land):
    files = (str(land.folder / "inputs.toml"), str(land.folder / "protocol.toml"))
    said, shaken, turned = ran(TOY + LETTER, *files).splitlines()
    assert said == "on a bed of moss | edge"
    draws, weight = shaken.split()
    assert draws == "60"
    assert float(weight) == pytest.approx(math.log(2.5))  # among those that each draw changes
    assert turned == '(spot 1) if the ratio of "moss to lie on" were 1.65 instead of 2.72'


@pytest.mark.parametrize("row", CRITERIA, ids=lambda row: row.name)
def test_a_row_with_a_gap_fails_with_its_name(row: Criterion):
    optional = row._optional() | {"name"}
    for field in fields(row):
        if field.name not in optional:
            empty: object = () if isinstance(getattr(row, field.name), tuple) else ""
            with pytest.raises(ValueError, match=f"criterion '{row.name}' has no {field.name}"):
                replace(row, **{field.name: empty})
    with pytest.raises(ValueError, match="criterion '' has no name"):
        replace(row, name="")


def test_a_gap_fails_when_the_module_is_loaded(tmp_path):
    text = Path(rows.__file__).read_text(encoding="utf-8")
    gone = text.replace('        letter_place="near water",\n', "", 1)
    assert gone != text
    (tmp_path / "gap.py").write_text(gone, encoding="utf-8")
    done = subprocess.run(
        [sys.executable, "-c", "import gap"],
        cwd=tmp_path, capture_output=True, text=True, check=False,
    )  # fmt: skip
    assert done.returncode != 0
    assert "ValueError: criterion 'water' has no letter_place" in done.stderr


def test_a_blank_that_nothing_fills_fails_with_the_row_name():
    with pytest.raises(ValueError, match=r"criterion 'trail': why may use .*not \['metres'\]"):
        replace(CRITERIA[0], why="A trail {metres} m away.")


def test_every_row_has_its_place_in_the_protocol_and_no_other_is_there():
    rules = Protocol()
    for kind, section in (("attractor", rules.attractors), ("condition", rules.conditions)):
        named = [row.name for row in CRITERIA if row.kind == kind]
        assert named == list(type(section).model_fields)
    for row in CRITERIA:
        section, name, key = row.curve_key.split(".")
        assert getattr(getattr(getattr(rules, section), name), key)


def test_evidence_is_named_as_the_inputs_name_it():
    known = {"dem", "land_cover", "canopy", *LAYER_NAMES}
    for row in CRITERIA:
        for need in row.needs:
            assert set(need.layers) <= known
            assert set(need.how) <= {criteria.MAPPED, criteria.DERIVED}


def test_no_animal_is_likely_where_no_study_says_so():
    """ "Go to spot 1 first: animals are likely to follow the valley line there" had no source."""
    for name, row in criteria.attractors().items():
        info = type(getattr(Protocol().attractors, name)).model_fields["ratio"]
        source = info.json_schema_extra["source"]
        assert ("likely" in row.draws) <= (not source.startswith("our judgement")), (name, source)
