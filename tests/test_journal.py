"""The journal: readable after any cut, never wrong after any damage."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from siting.batch import fingerprints
from siting.batch.journal import Journal, entry_of, line_of
from siting.errors import ResourceError

VALUES = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats(allow_nan=False, allow_infinity=False)
    | st.text(max_size=20),
    lambda inner: st.lists(inner, max_size=3)
    | st.dictionaries(st.text(max_size=5), inner, max_size=3),
    max_leaves=6,
)  # fmt: skip
ENTRIES = st.fixed_dictionaries({"kind": st.sampled_from(["parcel", "file"]),
    "name": st.text(min_size=1, max_size=8), "value": VALUES})  # fmt: skip
QUICK = settings(deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])


def written(folder: Path, entries: list[dict]) -> bytes:
    path = folder / "journal.jsonl"
    path.unlink(missing_ok=True)
    data = b"".join(line_of(entry).encode() + b"\n" for entry in entries)
    path.write_bytes(data)
    return data


def last_of(entries: list[dict]) -> dict:
    return {(e["kind"], e["name"]): e for e in entries}


@given(entry=ENTRIES)
def test_a_line_gives_its_entry_back(entry):
    line = line_of(entry)
    assert entry_of(line) == entry
    assert "\n" not in line
    assert line.isascii()


@QUICK
@given(entries=st.lists(ENTRIES, max_size=6), share=st.floats(0, 1))
def test_any_suffix_may_be_cut_off(tmp_path, entries, share):
    """Property 40: what stands whole before the cut is read, and nothing else."""
    data = written(tmp_path, entries)
    cut = int(share * len(data))
    (tmp_path / "journal.jsonl").write_bytes(data[:cut])
    # A last line without its line feed is whole all the same.
    whole = [e for k, e in enumerate(entries) if len(b"".join(
        line_of(x).encode() + b"\n" for x in entries[: k + 1])) - 1 <= cut]  # fmt: skip
    journal = Journal(tmp_path)
    for (kind, name), entry in last_of(whole).items():
        assert journal.get(kind, name) == entry
    torn = data[:cut].rsplit(b"\n", 1)[-1]
    assert journal.dropped == (1 if torn and entry_of(torn) is None else 0)


@QUICK
@given(entries=st.lists(ENTRIES, min_size=1, max_size=4), data=st.data())
def test_a_flipped_byte_never_gives_another_entry(tmp_path, entries, data):
    whole = written(tmp_path, entries)
    at = data.draw(st.integers(0, len(whole) - 1))
    bit = data.draw(st.integers(0, 7))
    damaged = bytearray(whole)
    damaged[at] ^= 1 << bit
    (tmp_path / "journal.jsonl").write_bytes(bytes(damaged))
    journal = Journal(tmp_path)
    for kind, name in last_of(entries):
        found = journal.get(kind, name)
        assert found is None or found in entries


def test_after_a_torn_line_the_next_entry_stands_alone(tmp_path):
    first = Journal(tmp_path)
    first.add("parcel", "P1", key="a")
    path = tmp_path / "journal.jsonl"
    path.write_bytes(path.read_bytes() + b'{"check":"12')
    second = Journal(tmp_path)
    assert second.dropped == 1
    second.add("parcel", "P2", key="b")
    third = Journal(tmp_path)
    assert third.get("parcel", "P1") == {"kind": "parcel", "name": "P1", "key": "a"}
    assert third.get("parcel", "P2") == {"kind": "parcel", "name": "P2", "key": "b"}
    assert third.dropped == 1


def test_the_last_entry_of_a_name_wins(tmp_path):
    journal = Journal(tmp_path)
    journal.add("parcel", "P1", key="old")
    journal.add("parcel", "P1", key="new")
    assert Journal(tmp_path).get("parcel", "P1")["key"] == "new"


def test_only_ever_appended(tmp_path):
    journal = Journal(tmp_path)
    journal.add("parcel", "P1", key="a")
    before = journal.path.read_bytes()
    journal.add("parcel", "P1", key="b")
    assert journal.path.read_bytes().startswith(before)


def test_a_full_disk_is_told(tmp_path, monkeypatch):
    journal = Journal(tmp_path)

    def full(operation, path, action):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("siting.disk.files._perform", full)
    with pytest.raises(ResourceError, match="E-DISK-01"):
        journal.add("parcel", "P1", key="a")
    assert journal.get("parcel", "P1") is None


def test_what_is_compiled_is_no_part_of_the_program(tmp_path, monkeypatch):
    """Kernels compiled by the first run must not make the second do everything again."""
    copied = tmp_path / "siting"
    shutil.copytree(Path(fingerprints.__file__).parents[1], copied)
    monkeypatch.setattr(fingerprints, "__file__", str(copied / "batch" / "fingerprints.py"))
    before = fingerprints.program_print()
    cache = copied / "kernels" / "__pycache__"
    cache.mkdir(exist_ok=True)
    (cache / "water.fill-1.py311.1.nbc").write_bytes(b"compiled")
    assert fingerprints.program_print() == before
    (copied / "lengths.py").write_text("# another program\n")
    assert fingerprints.program_print() != before
