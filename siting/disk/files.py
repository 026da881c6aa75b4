"""Writing files whole or not at all. The only module that opens a file for writing."""

from __future__ import annotations

import hashlib
import json
import os
import re
import shutil
import stat
import tempfile
import time
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager
from functools import partial
from pathlib import Path
from typing import Any

from siting.errors import ResourceError, SitingError

PART = ".siting-part"
"""Ending of a file that is being written: no other program's, since what is left of one goes."""
LAST = "run.json"
# About a second in all: a reader that holds the old file open is given time to end.
_REPLACE_TRIES = 10


# One door for all of them: tests/crash counts its calls and makes the n-th fail or die there.
def _perform(operation: str, path: Path, action: Callable[[], Any]) -> Any:
    """Every file operation passes here, so that tests can make the n-th one fail."""
    del operation, path
    return action()


def _failed(path: Path, error: OSError) -> ResourceError:
    try:
        free = f"{shutil.disk_usage(path.parent).free / 1e6:.1f} MB free"
    except OSError:
        free = "free space unknown"
    return ResourceError(
        "E-DISK-01",
        f"Cannot write {path}: {error.strerror or error} ({free}).",
        rule="A result is written whole or not at all; earlier files were left untouched.",
        cure="Free some space, or choose another folder with --out.",
    )


class Staged:
    """A set of files that appears in a folder together, with run.json last.

    Files are written beside their place under a name that ends in `PART`, flushed to disk, and
    renamed only when all of them are complete. An earlier run.json goes first and the new one
    comes last, so that a run.json is there exactly when the set beside it is whole. A set of
    another kind names the file that is its `last`.
    """

    def __init__(self, folder: Path, last: str = LAST) -> None:
        self.folder = folder
        self.last = last
        self._names: list[str] = []

    def part(self, name: str) -> Path:
        """Path to write to now; it becomes `name` at `commit`."""
        if name not in self._names:
            self._names.append(name)
        return self.folder / f".{name}{PART}"

    def write(self, name: str, content: bytes | str) -> None:
        """Stage one file with this content (text is UTF-8 with plain newlines)."""
        data = content.encode("utf-8") if isinstance(content, str) else content
        path = self.part(name)
        try:
            _perform("write", path, lambda: _write_and_flush(path, data))
        except OSError as error:
            raise _failed(self.folder / name, error) from error

    def digests(self) -> dict[str, str]:
        """SHA-256 of each staged file, by name, in the order they were staged."""
        return {name: file_hash(self.part(name)) for name in self._names}

    def commit(self) -> None:
        """Rename all staged files to their names, run.json (or `last`) last."""
        # The record last: where it stands, all it speaks of stands as well.
        names = sorted(self._names, key=lambda name: name == self.last)
        try:
            for name in names:
                part = self.part(name)
                # To the disk before the rename: else a power cut could leave the new name over an
                # empty file.
                _perform("flush", part, partial(_flush, part))
            record = self.folder / self.last
            # From here to the end there is no record: a run killed in between is seen to be
            # unfinished.
            if self.last in names and record.exists():
                _perform("remove", record, record.unlink)
            for name in names:
                target = self.folder / name
                _perform("rename", target, partial(_replace, self.part(name), target))
            _perform("flush folder", self.folder, lambda: _flush_folder(self.folder))
        except OSError as error:
            raise _failed(self.folder / names[-1], error) from error
        self._names.clear()

    def discard(self) -> None:
        """Remove what was staged and not committed."""
        for name in self._names:
            self.part(name).unlink(missing_ok=True)
        self._names.clear()


@contextmanager
def staged(folder: Path, last: str = LAST) -> Iterator[Staged]:
    """A `Staged` set in `folder` (made if missing), committed on success and removed on failure."""
    make_folder(folder)
    clean_parts(folder)
    stage = Staged(folder, last)
    try:
        yield stage
        stage.commit()
    finally:
        stage.discard()


def check_unlinked(folder: Path) -> None:
    """E-OUT-01 when a folder that this program makes itself is a link to elsewhere."""
    if folder.is_symlink() or folder.parent.is_symlink():
        raise SitingError(
            "E-OUT-01",
            f"{folder} or the folder it lies in is a link.",
            rule="Nothing is written through a link that lies in the output folder.",
            cure="Remove the link, or name another folder with --out.",
        )


def make_folder(folder: Path) -> None:
    """Create the folder, or say why it cannot be used."""
    try:
        _perform("make folder", folder, lambda: folder.mkdir(parents=True, exist_ok=True))
    except OSError as error:
        raise SitingError(
            "E-OUT-01",
            f"The output folder {folder} cannot be created: {error.strerror or error}.",
            rule="Results need a folder you can write to.",
            cure="Name another folder with --out.",
        ) from error


def clean_parts(folder: Path) -> None:
    """Remove what an earlier run that was cut short left unfinished."""
    for part in sorted(folder.glob(f".*{PART}")):
        if part.is_symlink() or part.is_file():
            part.unlink(missing_ok=True)


def remove(path: Path) -> None:
    """Remove a file of ours if it is there."""
    try:
        _perform("remove", path, lambda: path.unlink(missing_ok=True))
    except OSError as error:
        raise _failed(path, error) from error


def write_atomic(path: Path, content: bytes | str) -> None:
    """Write one file whole: a part beside it, flushed, then renamed over it."""
    make_folder(path.parent)
    stage = Staged(path.parent)
    try:
        stage.write(path.name, content)
        stage.commit()
    finally:
        stage.discard()


def make_runnable(path: Path) -> None:
    """Mark a file as a program for its owner; Windows goes by the ending alone."""
    try:
        _perform("make runnable", path, lambda: path.chmod(path.stat().st_mode | stat.S_IXUSR))
    except OSError as error:
        raise _failed(path, error) from error


def built_by(name: str, write: Callable[[Path], object]) -> bytes:
    """The bytes of a file that a library can only write to a path of its own.

    Parameters
    ----------
    name : str
        File name with the ending that the library expects.
    write : function of the path
    """
    with tempfile.TemporaryDirectory(prefix="siting-") as folder:
        path = Path(folder) / name
        try:
            _perform("build", path, lambda: write(path))
            return path.read_bytes()
        except OSError as error:
            raise _failed(path, error) from error


def append_line(path: Path, line: str) -> None:
    """Append one line and flush it to disk; a torn last line is the reader's to drop."""
    try:
        _perform("append", path, lambda: _append(path, line))
    except OSError as error:
        raise _failed(path, error) from error


def append_bytes(path: Path, data: bytes) -> None:
    """Append bytes and flush them to disk; a torn end is the reader's to drop."""
    try:
        _perform("append", path, lambda: _append_bytes(path, data))
    except OSError as error:
        raise _failed(path, error) from error


def shorten(path: Path, size: int) -> None:
    """Cut a file of ours to its first `size` bytes: what stands after them was torn by a crash."""
    try:
        _perform("cut", path, lambda: os.truncate(path, size))
    except OSError as error:
        raise _failed(path, error) from error


def remove_folder(path: Path) -> None:
    """Remove a folder of ours with all that is in it, if it is there."""
    try:
        if path.exists():
            _perform("remove", path, lambda: shutil.rmtree(path))
    except OSError as error:
        raise _failed(path, error) from error


def _unlinked(path: str, flags: int) -> int:
    """Opens a file of ours for writing, but never through a link: it could lead anywhere."""
    return os.open(path, flags | getattr(os, "O_NOFOLLOW", 0), 0o666)


def _append(path: Path, line: str) -> None:
    _append_bytes(path, line.encode("utf-8") + b"\n")


def _append_bytes(path: Path, data: bytes) -> None:
    with open(path, "ab", opener=_unlinked) as stream:
        stream.write(data)
        stream.flush()
        os.fsync(stream.fileno())


def _write_and_flush(path: Path, data: bytes) -> None:
    with open(path, "wb", opener=_unlinked) as stream:
        stream.write(data)
        stream.flush()
        os.fsync(stream.fileno())


def _flush(path: Path) -> None:
    with path.open("rb+") as stream:
        os.fsync(stream.fileno())


def _flush_folder(folder: Path) -> None:
    if os.name == "posix":
        # The rename itself lies in the folder, and is safe only when that is flushed, too.
        handle = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(handle)
        finally:
            os.close(handle)


def _replace(source: Path, target: Path) -> None:
    for attempt in range(_REPLACE_TRIES):
        try:
            source.replace(target)
        except PermissionError:
            # Windows refuses while a reader has the old file open; elsewhere it is final.
            if os.name != "nt" or attempt == _REPLACE_TRIES - 1:
                raise
            time.sleep(0.02 * (attempt + 1))
        else:
            return


State = tuple[int, int, int, int]


def file_state(path: str | Path) -> State | None:
    """Size, time of change, number on the disk and time of the last change of any kind.

    Two different states are two different files or contents. The reverse does not hold for long: a
    copy may keep size and time (`cp -p`), but not number and time of the last change together.
    None for what is no file.
    """
    try:
        status = Path(path).stat()
    except (OSError, ValueError):
        return None
    return status.st_size, status.st_mtime_ns, status.st_ino, status.st_ctime_ns


def file_hash(path: Path) -> str:
    """SHA-256 of a file's bytes, as hex digits."""
    with path.open("rb") as stream:
        return hashlib.file_digest(stream, "sha256").hexdigest()


def text_hash(text: str) -> str:
    """SHA-256 of a text in UTF-8, as hex digits."""
    return hashlib.sha256(text.encode("utf-8")).hexdigest()


def safe_name(identifier: str) -> str:
    """A file name for any identifier: readable start and a fingerprint, legal on every system.

    Two different identifiers get two different names, also where a file system ignores case.

    Examples
    --------
    >>> safe_name("Lot 7/b")
    'lot-7-b-5078dec9'
    """
    # Lower case, for file systems that ignore case; the fingerprint is of the identifier as given.
    slug = re.sub(r"[^a-z0-9]+", "-", identifier.lower()).strip("-")[:40].strip("-")
    return f"{slug or 'parcel'}-{text_hash(identifier)[:8]}"


def canonical_json(value: Any) -> str:
    """JSON text that is the same for equal values: sorted keys, no NaN, plain separators."""
    # NaN is no JSON: a browser would refuse the whole file.
    return json.dumps(value, sort_keys=True, ensure_ascii=False, allow_nan=False, indent=1)


@contextmanager
def private_copies(paths: Iterable[Path]) -> Iterator[Path]:
    """A temporary folder with copies of some files, gone afterwards; missing files are left out.

    For files whose library writes beside them even when it only reads.
    """
    with tempfile.TemporaryDirectory(prefix="siting-") as place:
        folder = Path(place)
        try:
            for path in paths:
                if path.is_file():
                    shutil.copyfile(path, folder / path.name)
        except OSError as error:
            raise _failed(folder / "copy", error) from error
        yield folder
