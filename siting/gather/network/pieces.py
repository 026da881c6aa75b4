"""Pieces of a file on the network, kept on disk until the region is done.

One file of ours per file of the network: a list of records, each a line of JSON and the bytes it
tells of. A run that was broken off leaves at most one torn record at the end, which is cut away;
all others are taken up by the next run without being asked for again.
"""

from __future__ import annotations

import hashlib
import io
import json
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from siting.disk.files import append_bytes, canonical_json, make_folder, remove, shorten, text_hash
from siting.errors import SitingError
from siting.gather.network.addresses import shown
from siting.gather.network.net import Answer, Door

# About the size of one packed tile of a GeoTIFF: little comes in vain.
BLOCK = 65_536
_RUN_BLOCKS = 128
"""Blocks of one request at most: 8 MB, so that little is lost when it breaks off."""
_WHOLE = 50_000_000
_WEB_PAGE = (b"<", b"\xef\xbb\xbf<")
_TIFF = (b"II*\0", b"MM\0*", b"II+\0", b"MM\0+")


class Changed(Exception):
    """The file at the server is another one than when it was begun."""


class Kept:
    """Blocks of one file that have come, on disk."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self.total = -1
        self.tag = ""
        # By the number of the block: where its bytes begin in our file, and how many they are.
        self._at: dict[int, tuple[int, int]] = {}
        self._read_all()

    def has(self, block: int) -> bool:
        """Whether a block is there."""
        return block in self._at

    def bytes_of(self, block: int) -> bytes:
        """The bytes of a block that is there."""
        offset, size = self._at[block]
        with self.path.open("rb") as stream:
            stream.seek(offset)
            return stream.read(size)

    def put(self, start: int, data: bytes, *, total: int, tag: str) -> None:
        """Keep bytes that begin on the border of a block."""
        self.total, self.tag = total, tag
        digest = hashlib.sha256(data).hexdigest()
        head = {"at": start, "n": len(data), "sha256": digest, "total": total, "tag": tag}
        # The head says how long the bytes are and what they sum to: a torn record is known by
        # itself.
        line = canonical_json(head).replace("\n", "").encode() + b"\n"
        offset = self.path.stat().st_size if self.path.exists() else 0
        make_folder(self.path.parent)
        append_bytes(self.path, line + data + b"\n")
        self._note(start, len(data), offset + len(line))

    def clear(self) -> None:
        """Forget everything: the file has changed at the server."""
        remove(self.path)
        self._at.clear()
        self.total, self.tag = -1, ""

    @property
    def size(self) -> int:
        """Bytes of the file that are here."""
        return sum(size for _, size in self._at.values())

    def _note(self, start: int, size: int, offset: int) -> None:
        for at in range(0, size, BLOCK):
            self._at[(start + at) // BLOCK] = (offset + at, min(BLOCK, size - at))

    def _read_all(self) -> None:
        if not self.path.exists():
            return
        sound = 0
        with self.path.open("rb") as stream:
            while line := stream.readline(4096):
                head = _head(line)
                data = stream.read(head["n"] + 1) if head else b""
                # From the first unsound record on nothing is trusted: what follows may be anything.
                if not head or hashlib.sha256(data[:-1]).hexdigest() != head["sha256"]:
                    break
                self._note(head["at"], head["n"], sound + len(line))
                self.total, self.tag = head["total"], head["tag"]
                sound = stream.tell()
        if sound != self.path.stat().st_size:
            shorten(self.path, sound)


def _head(line: bytes) -> dict[str, Any] | None:
    try:
        head = json.loads(line)
    except ValueError:
        return None
    known = {"at", "n", "sha256", "total", "tag"}
    return head if isinstance(head, dict) and set(head) == known else None


@dataclass
class Budget:
    """Bytes that may still come, over all files of a run; `came` is told of each piece."""

    left: int
    came: Callable[[int], None] | None = None

    def spend(self, size: int, what: str) -> None:
        """E-SIZE-01 when more has come than was estimated, by half and more."""
        self.left -= size
        if self.came is not None:
            self.came(size)
        if self.left < 0:
            raise SitingError(
                "E-SIZE-01",
                f"{what} sends more than one and a half times the estimate.",
                rule="The size of a download is estimated before and not exceeded by much.",
                cure="Run again with a larger --most-mb if you trust the catalogue.",
            )


class RemoteFile(io.RawIOBase):
    """A file on the network that reads like one on disk; only the blocks asked for come.

    Parameters
    ----------
    door : Door
    address : str
    folder : Path
        Where its blocks are kept.
    budget : Budget
    """

    def __init__(self, door: Door, address: str, folder: Path, budget: Budget) -> None:
        super().__init__()
        self.address = address
        self.kept = Kept(folder / f"{text_hash(address)[:32]}.blocks")
        self.budget = budget
        self.sha256 = ""
        self.wanted: set[int] = set()
        self.fault: Exception | None = None
        self._door = door

    @property
    def size(self) -> int:
        """Bytes of the whole file; asks for its first block when nothing is known."""
        if self.kept.total < 0:
            self.need([(0, 1)])
        return self.kept.total

    def need(self, parts: Iterable[tuple[int, int]]) -> None:
        """Fetch what is missing of the parts (start, length), neighbours in one request."""
        blocks = sorted({b for part in parts for b in _blocks(*part)})
        self.wanted.update(blocks)
        missing = [b for b in blocks if not self.kept.has(b)]
        if self.kept.total >= 0:
            missing = [b for b in missing if b * BLOCK < self.kept.total]
        for first, count in _runs(missing):
            if not all(self.kept.has(b) for b in range(first, first + count)):
                self._fetch(first * BLOCK, count * BLOCK)

    def missing(self, parts: Iterable[tuple[int, int]]) -> int:
        """Bytes of the blocks under the parts that have not come yet."""
        blocks = {b for part in parts for b in _blocks(*part)}
        return BLOCK * sum(1 for b in blocks if not self.kept.has(b))

    def part(self, start: int, length: int) -> bytes:
        """Bytes of the file; fewer at its end."""
        self.need([(start, length)])
        end = min(start + length, self.kept.total)
        if end <= start:
            return b""
        data = b"".join(self.kept.bytes_of(b) for b in _blocks(start, end - start))
        skip = start % BLOCK
        return data[skip : skip + end - start]

    def _fetch(self, start: int, length: int) -> None:
        if self.kept.total >= 0:
            length = min(length, self.kept.total - start)
        # A server without parts sends the whole; up to 50 MB that is taken.
        answer = self._door.get(self.address, most=max(length, _WHOLE), part=(start, length))
        self.budget.spend(len(answer.body), shown(self.address))
        self._check(answer)
        if answer.status == 200:
            self.sha256 = hashlib.sha256(answer.body).hexdigest()
            self.kept.put(0, answer.body, total=len(answer.body), tag=answer.tag)
            return
        short = answer.start + len(answer.body) != answer.total and len(answer.body) != length
        if answer.total < 0 or short:
            raise SitingError(
                "E-NET-06",
                f"{shown(self.address)}: {len(answer.body):,} of {length:,} bytes came.",
                rule="A large file is read by parts (HTTP ranges, RFC 9110); each must be whole.",
                cure="Download the file by hand and give it with --dem or --land-cover.",
            )
        self.kept.put(start, answer.body, total=answer.total, tag=answer.tag)

    def _check(self, answer: Answer) -> None:
        """A file that changed meanwhile, or that is no raster at all."""
        if self.kept.total >= 0:
            total = len(answer.body) if answer.status == 200 else answer.total
            # Blocks of two editions in one file would be neither.
            if total != self.kept.total or answer.tag != self.kept.tag:
                raise Changed
        if answer.start == 0 and not answer.body.startswith(_TIFF):
            # A login page with status 200 is the commonest wrong answer.
            page = answer.body.lstrip().startswith(_WEB_PAGE)
            raise SitingError(
                "E-NET-07",
                f"{shown(self.address)} sent {'a web page' if page else 'no GeoTIFF'}.",
                rule="A raster of a catalogue is a GeoTIFF.",
                cure="The server may want a login, or the recipe names the wrong file.",
            )


class Cursor(io.RawIOBase):
    """A reader of a RemoteFile with a place of its own; the library closes each after use."""

    def __init__(self, file: RemoteFile) -> None:
        super().__init__()
        self._file = file
        self._place = 0

    def readable(self) -> bool:
        """It can be read."""
        return True

    def seekable(self) -> bool:
        """It can be moved in."""
        return True

    def tell(self) -> int:
        """The place, bytes from the start."""
        return self._place

    def seek(self, offset: int, whence: int = io.SEEK_SET) -> int:
        """Move to a place."""
        base = {io.SEEK_SET: 0, io.SEEK_CUR: self._place}.get(whence)
        if base is None:
            base = self._guarded(lambda: self._file.size)
        self._place = base + offset
        return self._place

    def read(self, size: int = -1) -> bytes:
        """Bytes from the place on."""

        def some() -> bytes:
            length = self._file.size - self._place if size < 0 else size
            return self._file.part(self._place, max(length, 0))

        data: bytes = self._guarded(some)
        self._place += len(data)
        return data

    def _guarded(self, action: Any) -> Any:
        """Keep the first failure: the library would print it and tell "Read failed"."""
        # After a failure the library asks on for a while; nothing more is sent for.
        if self._file.fault is not None:
            return b""
        try:
            return action()
        except Exception as error:
            self._file.fault = error
            return b""


def _blocks(start: int, length: int) -> range:
    return range(start // BLOCK, (start + max(length, 1) - 1) // BLOCK + 1)


def _runs(blocks: list[int]) -> Iterator[tuple[int, int]]:
    """Blocks in a row as (first, count); a gap of one block is fetched with them."""
    at = 0
    while at < len(blocks):
        end = at
        while (
            end + 1 < len(blocks)
            and blocks[end + 1] - blocks[end] <= 2
            and blocks[end + 1] - blocks[at] < _RUN_BLOCKS
        ):
            end += 1
        yield blocks[at], blocks[end] - blocks[at] + 1
        at = end + 1
