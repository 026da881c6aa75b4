"""The folder that a run may write to: never over what it reads, never mixed, never unasked."""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import Any

from siting.disk.files import LAST
from siting.disk.paths import told_paths
from siting.errors import SitingError
from siting.read.given import given_files
from siting.report.shared.facts import plain
from siting.settings.inputs import Inputs
from siting.settings.protocol import Protocol
from siting.types import Result

SCORE, PUBLIC, BATCH = "score", "public", "batch"
REVIEW, REVIEW_PUBLIC = "review", "public review"
REVIEW_RECORD = "review.json"
_WORDS = {
    SCORE: "one parcel (siting score)",
    PUBLIC: "files to pass on (siting score --public)",
    BATCH: "a batch (siting batch)",
    REVIEW: "a review (siting review)",
    REVIEW_PUBLIC: "a review to pass on (siting review --public)",
}
# What only a batch leaves behind, also when it was cut short.
_BATCH_MARKS = ("journal.jsonl", "parcels")


def check_destination(folder: Path, names: Iterable[str], *, kind: str, inputs: Inputs) -> None:
    """Refuse a folder in which a run of this kind would overwrite or mix something.

    Parameters
    ----------
    folder : Path
        It need not be there.
    names : names of the files and folders that will be written
    kind : SCORE, PUBLIC or BATCH
    inputs : Inputs
        What is read.

    Raises
    ------
    SitingError
        E-OUT-02 when a file that is read would be overwritten, E-OUT-03 when the folder holds
        another kind of run, E-OUT-01 when a name in it is a link to elsewhere.
    """
    wanted = tuple(names)
    check_no_input(folder, wanted, given_files(inputs))
    check_kind(folder, wanted, kind=kind)


def check_kind(folder: Path, names: Iterable[str], *, kind: str) -> None:
    """E-OUT-01 where a name in a folder is a link to elsewhere, E-OUT-03 for another kind of run.

    Parameters
    ----------
    folder, names : as of `check_destination`
    kind : any of the kinds above
    """
    # The locks, too: the run writes them into the folder as it does its results.
    for name in (*names, ".lock", ".lock.json"):
        if _is_link(folder / name):
            raise SitingError(
                "E-OUT-01",
                f"{folder / name} is a link to {(folder / name).readlink()}.",
                rule="Nothing is written through a link that lies in the output folder.",
                cure="Remove the link, or name another folder with --out.",
            )
    there = kind_of(folder)
    if there not in ("", kind):
        raise SitingError(
            "E-OUT-03",
            f"{folder} holds {_WORDS[there]}; this run makes {_WORDS[kind]}.",
            rule="A folder holds one kind of run: exact places must not lie beside files to pass "
            "on, and one record must not replace another.",
            cure="Name another folder with --out.",
        )


def _is_link(path: Path) -> bool:
    try:
        return path.is_symlink()
    except OSError as error:
        # A name too long, for instance: nobody could make such a folder either.
        raise SitingError(
            "E-OUT-01",
            f"{path.parent} cannot be used as the output folder: {error.strerror or error}.",
            rule="Results go to a folder that this program can make, look into and write to.",
            cure="Name another folder with --out.",
        ) from error


def check_no_input(folder: Path, names: Iterable[str], read: Iterable[Path]) -> None:
    """E-OUT-02 where a file that is read would be overwritten by one of these names."""
    home = folder.resolve()
    taken = {home / name for name in names}
    for path in read:
        # Resolved, so that an input is known also behind a link to it.
        real = path.resolve()
        if real in taken or any(mine in real.parents for mine in taken):
            raise SitingError(
                "E-OUT-02",
                f"{path} is an input, and this run would write a file of that name to {folder}.",
                rule="A run never overwrites what it reads.",
                cure="Name another folder with --out.",
            )


def check_page(target: Path, mark: str) -> None:
    """Refuse to write a page of one file over anything but an earlier one of its kind.

    Parameters
    ----------
    target : Path
    mark : text that every page of this kind holds

    Raises
    ------
    SitingError
        E-OUT-01 for a link, a folder or a device, E-OUT-04 for a file of another kind.
    """
    if _is_link(target) or (target.exists() and not target.is_file()):
        raise SitingError(
            "E-OUT-01",
            f"{target} is a link, a folder or a device, not a file.",
            rule="A page is written as an ordinary file.",
            cure="Name another file with --out.",
        )
    # By its content and not its name: a page may have another name, and any file may have this one.
    if target.exists() and mark.encode("utf-8") not in target.read_bytes():
        raise SitingError(
            "E-OUT-04",
            f"{target} is a file that this command did not write.",
            rule="Only an earlier page of the same kind is replaced.",
            cure="Name another file with --out.",
        )


def record_of(folder: Path, name: str = LAST) -> Mapping[str, Any] | None:
    """The run.json (or `name`) of a folder; None where there is none that can be read."""
    try:
        record = json.loads((folder / name).read_text(encoding="utf-8"))
    # ValueError: neither JSON nor UTF-8. RecursionError: lists in lists in lists without end.
    except (OSError, ValueError, RecursionError):
        return None
    return record if isinstance(record, dict) else None


def kind_of(folder: Path) -> str:
    """What kind of run a folder holds, one of those above; "" for none or unknown."""
    if any((folder / name).exists() for name in _BATCH_MARKS):
        return BATCH
    # A record that cannot be read says nothing: `check_replaceable` asks before it goes.
    record = record_of(folder) or record_of(folder, REVIEW_RECORD) or {}
    kind = str(record.get("kind", ""))
    return kind if kind in _WORDS else ""


def check_replaceable(
    folder: Path, names: Iterable[str], *, inputs: Inputs, protocol: Protocol, overwrite: bool
) -> None:
    """E-OUT-04 where a run of one parcel would replace results of other inputs unasked.

    Parameters
    ----------
    folder : Path
    names : names of the files that will be written
    inputs, protocol : of this run
    overwrite : bool
        The user said --overwrite.
    """
    found = sorted(name for name in names if (folder / name).exists())
    if overwrite or not found:
        return
    record = record_of(folder)
    if record is None:
        raise SitingError(
            "E-OUT-04",
            f"{folder} holds {', '.join(found[:5])} and no run.json that can be read: an "
            "unfinished run, or files of yours.",
            rule="Files that this program did not finish itself are not replaced.",
            cure="Add --overwrite if these files may go, or name another folder with --out.",
        )
    if not _same_settings(record, inputs=inputs, protocol=protocol):
        raise _finished(folder, "a finished run of other inputs or rules")


def check_same_list(folder: Path, *, inputs: Inputs, overwrite: bool) -> None:
    """E-OUT-04 where a batch would replace the tables of another list of parcels unasked.

    A list that grew, other rasters and other rules are what a batch is started again for.
    """
    record = record_of(folder)
    if overwrite or record is None:
        return
    # As records hold them, relative to the inputs file: a project that was moved still matches.
    now = plain(told_paths(inputs.parcel.model_dump(mode="json"), inputs.folder))
    if _held(record, "inputs", "settings", "parcel") != now:
        raise SitingError(
            "E-OUT-04",
            f"{folder} holds a finished batch of another list of parcels.",
            rule="The tables of one list are not replaced by those of another.",
            cure="Add --overwrite to replace them, or name another folder with --out.",
        )


def _same_settings(record: Mapping[str, Any], *, inputs: Inputs, protocol: Protocol) -> bool:
    settings = plain(told_paths(inputs.model_dump(mode="json"), inputs.folder))
    rules = plain(protocol.model_dump(mode="json"))
    return bool(_held(record, "inputs", "settings") == settings) and bool(
        _held(record, "protocol", "values") == rules
    )


def _held(record: Mapping[str, Any], *path: str) -> Any:
    """What a record holds under these keys; None where it is another kind of record."""
    value: Any = record
    for key in path:
        value = value.get(key) if isinstance(value, dict) else None
    return value


def check_same_sources(folder: Path, result: Result, *, overwrite: bool) -> None:
    """E-OUT-04 where a finished run of other bytes would be replaced unasked.

    What was read is known by its fingerprint, so this is known only after reading.
    """
    record = record_of(folder)
    if overwrite or record is None:
        return
    before = _held(record, "inputs", "files") or []
    now = [source.sha256 for source in result.land.sources]
    if [_held(file, "sha256") for file in before] != now:
        raise _finished(folder, "a finished run of other files")


def _finished(folder: Path, what: str) -> SitingError:
    return SitingError(
        "E-OUT-04",
        f"{folder} holds {what}.",
        rule="A finished run is replaced only by a run of the same inputs.",
        cure="Add --overwrite to replace it, or name another folder with --out.",
    )
