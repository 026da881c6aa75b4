"""Every faulty input of manifest.csv through the commands: the named code, or accepted and right.

A row is expected to be refused with a code (E-...), or as a wrong use of the command line
("usage", status 2), or accepted with a note that the clean land
does not have (W-... or A-...), or accepted as "right". What is accepted is held against what is
true of the land, unless the note itself says that it may be wrong (marked "doubted").
"""

from __future__ import annotations

import re
import subprocess
import sys
from pathlib import Path

import pytest

from siting.errors import CODES, SettingsError
from tests.bad_inputs import (  # noqa: F401 - they enter their builders
    builders_cover,
    builders_coverage,
    builders_crs,
    builders_files,
    builders_place,
    builders_settings,
    builders_shapes,
    builders_text,
    builders_time,
    builders_values,
)
from tests.bad_inputs.land import BUILDERS, Land, clean
from tests.bad_inputs.runner import (
    Outcome,
    Row,
    far_from_truth,
    manifest,
    run,
    words,
    write_settings,
)

ROWS = manifest()
MOST_SECONDS = 10.0
# What only a whole run can find out; 'siting check' looks at the inputs alone.
KNOWN_AFTER_SCORING = {"W-NOSPOT-01", "E-OUT-01", "W-COMPASS-01"}
# 'siting check' serves batches, too: several parcels are no fault there.
CHECK_TAKES_ALL = {"two parcels and none named"}


@pytest.fixture(scope="module")
def clean_notes(tmp_path_factory) -> set[str]:
    land = clean(tmp_path_factory.mktemp("clean"))
    told = run(land, "score")
    assert told.status == 0, told.err
    assert far_from_truth(told.result, land) == ""
    return {f"{note.code} {note.text}" for note in told.result.notes}


def build(row: Row, folder: Path) -> Land:
    return BUILDERS[row.builder](clean(folder), row.argument)


def check_one_message(told: Outcome, code: str) -> None:
    """One message of three parts, nothing on the other stream, no trace of the program."""
    assert told.status == 3, told.out + told.err
    assert told.out == ""
    assert told.err.startswith(f"{code}: "), told.err
    assert "Traceback" not in told.err
    assert "E-INTERNAL" not in told.err
    failure = told.failure
    assert failure is not None
    assert failure.code == code
    if isinstance(failure, SettingsError):
        faults = told.err.strip().splitlines()[1:]
        assert faults
        assert all(fault.startswith("  - ") and ": " in fault for fault in faults)
    else:
        assert failure.what, "what is missing"
        assert failure.rule, "the rule is missing"
        assert failure.cure, "the cure is missing"
        assert len(re.findall(r"E-[A-Z]+-\d\d", told.err)) == 1
    assert all(c == "\n" or c.isprintable() for c in told.err)


def quick_first(rows: list[Row]) -> list[object]:
    """The first row of each outcome in each group runs always, the others are slow."""
    met: set[tuple[str, str]] = set()
    found = []
    for row in rows:
        kind = (row.group, row.expected)
        marks = [pytest.mark.slow] if kind in met else []
        found.append(pytest.param(row, id=f"{row.group}: {row.name}", marks=marks))
        met.add(kind)
    return found


@pytest.mark.parametrize("row", quick_first(ROWS))
def test_row(row: Row, tmp_path, clean_notes):
    land = build(row, tmp_path)
    before = files_of(tmp_path)
    scored, checked = run(land, "score"), run(land, "check")
    assert max(scored.seconds, checked.seconds) < MOST_SECONDS
    assert max(scored.waited, checked.waited) < 6 * MOST_SECONDS
    expected, _, doubted = row.expected.partition(" ")
    if row.refused:
        check_one_message(scored, expected)
        if expected in KNOWN_AFTER_SCORING or row.name in CHECK_TAKES_ALL:
            assert checked.status == 0, checked.out
        else:
            assert checked.status == 3, checked.out
            assert expected in checked.out + checked.err
    elif expected == "usage":
        for told in (scored, checked):
            assert told.status == 2
            assert "Error: " in told.err
    else:
        assert (scored.status, checked.status) == (0, 0), scored.err + checked.out + checked.err
        fresh = [n for n in scored.result.notes if f"{n.code} {n.text}" not in clean_notes]
        told = {note.code for note in fresh}
        if expected != "right":
            assert expected in told, sorted(f"{n.code} {n.text}" for n in fresh)
            assert expected in checked.out or expected in KNOWN_AFTER_SCORING
        if not doubted:
            assert far_from_truth(scored.result, land) == ""
    if land.payload and not row.refused:
        check_text(scored, checked, land)
    assert "Traceback" not in checked.out + checked.err
    assert "E-INTERNAL" not in checked.out + checked.err
    left = files_of(tmp_path) - before - {"inputs.toml", "protocol.toml"}
    # A run that is accepted makes its folder; the writing itself is left out here.
    assert left <= (set() if row.refused or expected == "usage" else {"out", "out/.lock"})


def check_text(scored: Outcome, checked: Outcome, land: Land) -> None:
    """A terminal gets printable signs only, and no value is longer than a line can show."""
    for told in (scored.out, scored.err, checked.out, checked.err):
        assert all(c == "\n" or c.isprintable() for c in told)
        assert max(map(len, told.splitlines() or [""])) < 1000
    read = scored.result.land
    held = [read.parcel.id, read.parcel.label, *map(str, read.class_names.values())]
    held += [str(v) for frame in read.vectors.values() for c in ("name", "kind") for v in frame[c]]
    # What cannot be shown is replaced by a sign, and a library ends a text at a NUL; the rest
    # must have come through as it was.
    assert any(shown(land.payload.partition("\0")[0][:60]) in shown(text) for text in held)


def shown(text: str) -> str:
    return "".join(c for c in text if c.isprintable() and c not in " \ufffd")


def files_of(folder: Path) -> set[str]:
    """What stands in a folder; the libraries' own notes beside rasters do not count."""
    return {
        p.relative_to(folder).as_posix()
        for p in folder.rglob("*")
        if not p.name.endswith((".aux.xml", "-wal", "-shm"))
    }


def test_every_builder_is_used_and_known():
    assert {row.builder for row in ROWS} == set(BUILDERS)


def test_names_are_unique_and_codes_are_known():
    assert len({(row.group, row.name) for row in ROWS}) == len(ROWS)
    for row in ROWS:
        code = row.expected.partition(" ")[0]
        assert code in ("right", "usage") or code in CODES or code[:2] in ("W-", "A-"), row


# reliability.md, section 4: how many cases each group needs at the least.
LEAST = {
    "CRS": 22, "georeferencing": 16, "nodata and values": 28, "units": 14, "land cover": 16,
    "geometry": 36, "coverage": 14, "files": 30, "settings": 52, "attribute text": 30,
    "paths and system": 16, "time and sun": 14,
}  # fmt: skip


@pytest.mark.parametrize("group", LEAST)
def test_every_group_is_large_enough(group):
    assert sum(row.group == group for row in ROWS) >= LEAST[group]


def test_no_row_is_outside_the_groups():
    assert {row.group for row in ROWS} == set(LEAST)
    assert sum(LEAST.values()) == 288


# Traps that no input file can show; the test that holds each.
ELSEWHERE = {"R9": "test_environment.py", "R21": "reference/test_sun_nrel.py"}


def test_every_trap_of_reading_has_a_row_or_a_test():
    met = {trap for row in ROWS for trap in row.trap.split()}
    for number in range(1, 29):
        trap = f"R{number}"
        assert trap in met or (Path(__file__).parents[1] / ELSEWHERE[trap]).exists(), trap


# One row of each kind through a process of its own: nothing of this one helps.
IN_A_PROCESS = ("dem without a system", "bow-tie")


@pytest.mark.parametrize("name", IN_A_PROCESS)
@pytest.mark.parametrize("command", ["score", "check"])
def test_row_in_a_process_of_its_own(name, command, tmp_path):
    row = next(r for r in ROWS if r.name == name)
    land = build(row, tmp_path)
    write_settings(land)
    done = subprocess.run(
        [sys.executable, "-m", "siting", *words(land, command)],
        capture_output=True, text=True, timeout=240, check=False,
    )  # fmt: skip
    assert done.returncode == 3
    assert "Traceback" not in done.stderr + done.stdout
    assert row.expected in (done.stderr if command == "score" else done.stdout)
    if command == "score":
        assert done.stderr.count("\n") == 1
        assert not (tmp_path / "out").exists()
