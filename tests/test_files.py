"""Writing whole or not at all: every operation made to fail, full disks, shut folders."""

from __future__ import annotations

import errno
import os
import resource
import signal
import subprocess
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any
from unittest import mock

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from siting.disk import files
from siting.disk.files import (
    LAST,
    PART,
    append_line,
    built_by,
    canonical_json,
    file_hash,
    make_folder,
    safe_name,
    staged,
    text_hash,
    write_atomic,
)
from siting.disk.lock import locked
from siting.errors import ResourceError, SitingError
from tests.bad_inputs.runner import bound_by_permissions

OLD = {"map.html": b"old map", "spots.csv": b"old spots", LAST: b"old record"}
NEW = {
    "map.html": b"new map " * 500,
    "spots.csv": b"new spots",
    "more.txt": b"new",
    LAST: b"new record",
}


def fill(folder: Path, content: dict[str, bytes]) -> None:
    with staged(folder) as stage:
        for name, data in content.items():
            stage.write(name, data)


def held(folder: Path) -> dict[str, bytes]:
    return {p.name: p.read_bytes() for p in folder.iterdir() if p.is_file()}


@contextmanager
def failing(nth: int, code: int) -> Iterator[list[str]]:
    """The n-th file operation fails with this error; the list tells which were tried."""
    tried: list[str] = []

    def perform(operation: str, path: Path, action: Callable[[], Any]) -> Any:
        tried.append(operation)
        if len(tried) == nth:
            raise OSError(code, os.strerror(code), str(path))
        return action()

    with mock.patch.object(files, "_perform", perform):
        yield tried


def whole(folder: Path) -> None:
    """The promise: no half file, no leftovers, and a run.json exactly beside its own set."""
    there = held(folder) if folder.exists() else {}
    assert not [name for name in there if name.endswith(PART)]
    for name, data in there.items():
        assert data in (OLD.get(name), NEW.get(name)), name
    if there.get(LAST) == NEW[LAST]:
        assert there == {**OLD, **NEW}
    elif LAST in there:
        assert there == OLD, "the old record stands beside a set that is no longer its own"


def failure_of(action: Callable[[], None]) -> SitingError | None:
    try:
        action()
    except SitingError as error:
        return error
    return None


def operations() -> int:
    """How many operations one run over an older one takes."""
    import tempfile

    with tempfile.TemporaryDirectory() as name:
        folder = Path(name) / "out"
        fill(folder, OLD)
        with failing(0, 0) as tried:
            fill(folder, NEW)
        return len(tried)


@pytest.mark.parametrize("code", [errno.EIO, errno.EACCES, errno.EROFS, errno.ENOSPC])
@pytest.mark.parametrize("before", [{}, OLD], ids=["empty folder", "older run"])
def test_every_operation_may_fail(code, before, tmp_path):
    count = operations()
    assert count > 12
    for nth in range(1, count + 2):
        folder = tmp_path / str(nth)
        if before:
            fill(folder, before)
        with failing(nth, code) as tried:
            told = failure_of(lambda folder=folder: fill(folder, NEW))
        if nth > len(tried):
            assert told is None
        else:
            assert told is not None, f"operation {nth} failed and nothing was told"
            assert told.code in ("E-DISK-01", "E-OUT-01")
            assert told.what
            assert told.cure
        whole(folder)
        fill(folder, NEW)
        assert {**before, **NEW} == held(folder)


def test_what_fails_before_renaming_leaves_the_older_run_whole(tmp_path):
    fill(tmp_path, OLD)
    with failing(0, 0) as order:
        fill(tmp_path / "other", NEW)
    first_change = min(order.index(word) for word in ("remove", "rename") if word in order)
    for nth in range(1, first_change + 1):
        with failing(nth, errno.EIO), pytest.raises(SitingError):
            fill(tmp_path, NEW)
        assert held(tmp_path) == OLD


def test_a_failure_of_the_caller_leaves_the_older_run_whole(tmp_path):
    fill(tmp_path, OLD)

    def half_way() -> None:
        with staged(tmp_path) as stage:
            stage.write("map.html", b"new")
            raise ZeroDivisionError

    with pytest.raises(ZeroDivisionError):
        half_way()
    assert held(tmp_path) == OLD


def test_the_record_goes_first_and_comes_last(tmp_path):
    fill(tmp_path, OLD)
    seen: list[tuple[str, str]] = []
    perform = files._perform

    def watch(operation: str, path: Path, action: Callable[[], Any]) -> Any:
        seen.append((operation, path.name))
        return perform(operation, path, action)

    with mock.patch.object(files, "_perform", watch):
        fill(tmp_path, NEW)
    renamed = [name for operation, name in seen if operation == "rename"]
    assert renamed[-1] == LAST
    assert seen.index(("remove", LAST)) < seen.index(("rename", renamed[0]))


def test_leftovers_of_a_run_that_was_killed_are_cleared(tmp_path):
    (tmp_path / f".map.html{PART}").write_bytes(b"half a map")
    (tmp_path / "notes.txt").write_bytes(b"the user's own")
    fill(tmp_path, NEW)
    assert held(tmp_path) == {**NEW, "notes.txt": b"the user's own"}


@contextmanager
def small_disk(folder: Path, size: str) -> Iterator[Path]:
    """A disk of its own that is soon full."""
    folder.mkdir()
    made = subprocess.run(
        ["mount", "-t", "tmpfs", "-o", f"size={size}", "tmpfs", str(folder)],
        capture_output=True, check=False,
    )  # fmt: skip
    if made.returncode != 0:
        pytest.skip("a small disk cannot be mounted here")
    try:
        yield folder
    finally:
        subprocess.run(["umount", str(folder)], check=True)


@pytest.mark.parametrize("size", [100, 300, 500])
def test_a_full_disk(size, tmp_path):
    """512 KB of disk: the older run fits, the new one does not."""
    with small_disk(tmp_path / "disk", "512k") as disk:
        fill(disk, OLD)
        big = NEW | {"map.html": b"x" * size * 1024, "more.txt": b"y" * 500 * 1024}
        with pytest.raises(ResourceError) as caught:
            fill(disk, big)
        assert caught.value.code == "E-DISK-01"
        assert "MB free" in caught.value.what
        assert held(disk) == OLD


def test_a_limit_on_file_size(tmp_path):
    """The same where the system limits what a process may write to one file."""
    fill(tmp_path, OLD)
    before = resource.getrlimit(resource.RLIMIT_FSIZE)
    kept = signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
    try:
        resource.setrlimit(resource.RLIMIT_FSIZE, (1000, before[1]))
        with pytest.raises(ResourceError) as caught:
            fill(tmp_path, NEW)
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, before)
        signal.signal(signal.SIGXFSZ, kept)
    assert caught.value.code == "E-DISK-01"
    assert held(tmp_path) == OLD


def test_a_folder_that_is_shut(tmp_path):
    fill(tmp_path / "out", OLD)
    (tmp_path / "out").chmod(0o555)
    with bound_by_permissions(), pytest.raises(SitingError) as caught:
        fill(tmp_path / "out", NEW)
    assert caught.value.code in ("E-DISK-01", "E-OUT-01")
    assert held(tmp_path / "out") == OLD


def test_a_folder_that_cannot_be_made(tmp_path):
    (tmp_path / "file").write_text("")
    with pytest.raises(SitingError) as caught:
        make_folder(tmp_path / "file" / "out")
    assert caught.value.code == "E-OUT-01"


def test_what_a_library_builds():
    assert built_by("a.bin", lambda path: path.write_bytes(b"built")) == b"built"

    def refuse(path: Path) -> None:
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    with pytest.raises(ResourceError, match="E-DISK-01"):
        built_by("a.bin", refuse)


def test_lines_are_appended_whole(tmp_path):
    path = tmp_path / "log"
    append_line(path, "one")
    append_line(path, "zwei ü")
    assert path.read_bytes() == "one\nzwei ü\n".encode()
    with failing(1, errno.ENOSPC), pytest.raises(ResourceError):
        append_line(path, "three")
    assert path.read_bytes() == "one\nzwei ü\n".encode()


def test_text_is_utf8_with_plain_newlines(tmp_path):
    write_atomic(tmp_path / "a.txt", "ü\n")
    assert (tmp_path / "a.txt").read_bytes() == b"\xc3\xbc\n"


def test_hashes_are_those_of_sha256():
    """FIPS 180-2, appendix B.1: the message "abc"."""
    known = "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"
    assert text_hash("abc") == known


def test_file_hash_is_that_of_the_bytes(tmp_path):
    (tmp_path / "a").write_bytes(b"abc")
    assert file_hash(tmp_path / "a") == text_hash("abc")


RESERVED = {"con", "prn", "aux", "nul", *(f"{p}{n}" for p in ("com", "lpt") for n in range(1, 10))}


@settings(deadline=None)
@given(st.text(max_size=300))
def test_a_safe_name_is_legal_everywhere(identifier):
    """The rules of Windows, the strictest: naming files, paths and namespaces (Microsoft)."""
    name = safe_name(identifier)
    assert name
    assert name.isascii()
    assert len(name) <= 60
    assert not set(name) & set('<>:"/\\|?*. ')
    assert name.lower() == name
    assert name.split(".")[0] not in RESERVED
    assert ".." not in name


@settings(deadline=None)
@given(st.lists(st.text(max_size=12), unique=True, max_size=30))
def test_safe_names_differ_also_where_case_does_not_count(identifiers):
    names = [safe_name(identifier).lower() for identifier in identifiers]
    assert len(set(names)) == len(identifiers)


def test_safe_names_of_one_letter_in_two_cases_differ():
    assert len({safe_name("Lot A"), safe_name("lot a"), safe_name("LOT A")}) == 3


def test_json_is_the_same_for_equal_values():
    one = canonical_json({"b": 1, "a": [1.5, None, "ü"]})
    assert one == canonical_json({"a": [1.5, None, "ü"], "b": 1})
    assert "ü" in one
    with pytest.raises(ValueError, match="JSON"):
        canonical_json({"a": float("nan")})


TURN = """
import sys, time
from pathlib import Path
from siting.disk.files import staged
from siting.disk.lock import locked
folder, word = Path(sys.argv[1]), sys.argv[2]
for _ in range(12):
    with locked(folder, wait_s=60), staged(folder) as stage:
        for name in ("a.txt", "b.txt", "run.json"):
            stage.write(name, word * 20_000)
            time.sleep(0.002)
"""


def test_two_runs_into_one_folder_take_turns(tmp_path):
    """Whoever is last wins whole: never a file of the one beside a file of the other."""
    words = ("one ", "two ", "six ")
    both = [subprocess.Popen([sys.executable, "-c", TURN, str(tmp_path), word]) for word in words]
    mixed = 0
    while any(one.poll() is None for one in both):
        there = {name: (tmp_path / name) for name in ("a.txt", "b.txt")}
        for path in there.values():
            text = path.read_text() if path.exists() else words[0] * 20_000
            mixed += text not in {word * 20_000 for word in words}
    assert [one.returncode for one in both] == [0, 0, 0]
    assert mixed == 0
    assert len({(tmp_path / n).read_text() for n in ("a.txt", "b.txt", LAST)}) == 1


def test_a_held_folder_is_told(tmp_path):
    holder = subprocess.Popen(
        [sys.executable, "-c", "import sys, time\nfrom pathlib import Path\n"
         "from siting.disk.lock import locked\nwith locked(Path(sys.argv[1])):\n"
         "    print('held', flush=True)\n    time.sleep(60)\n", str(tmp_path)],
        stdout=subprocess.PIPE, text=True,
    )  # fmt: skip
    try:
        assert holder.stdout is not None
        assert holder.stdout.readline() == "held\n"
        with pytest.raises(ResourceError) as caught, locked(tmp_path):
            pass
        assert caught.value.code == "E-LOCK-01"
        assert str(holder.pid) in caught.value.what
    finally:
        holder.kill()
        holder.wait()
    with locked(tmp_path):
        pass


def test_a_shut_folder_cannot_be_held(tmp_path):
    (tmp_path / "out").mkdir(mode=0o555)
    with bound_by_permissions(), pytest.raises(SitingError) as caught, locked(tmp_path / "out"):
        pass
    assert caught.value.code == "E-OUT-01"
