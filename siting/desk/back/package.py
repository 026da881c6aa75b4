"""The deployments of the whole office as one data package, ready to send."""

from __future__ import annotations

import io
import zipfile
from collections.abc import Mapping

from siting.desk.back.records import all_decisions
from siting.desk.storage.store import Store
from siting.settings.inputs import SurveyInput
from siting.settings.protocol import Protocol
from siting.words.office.back import NO_CAMERA


def office_archive(store: Store, *, survey: SurveyInput, protocol: Protocol) -> bytes:
    """deployments.csv with its descriptor, check visits and what is due, as one zip.

    The tables are those that a batch writes from the same decisions.

    Raises
    ------
    ValueError
        Where no camera was put up yet.
    """
    # Here: the first page must not wait for the libraries that write tables.
    from siting.batch.output.office import office_files

    files = office_files(all_decisions(store), survey=survey, protocol=protocol)
    if not files:
        raise ValueError(NO_CAMERA)
    return zipped(files)


def zipped(files: Mapping[str, str | bytes], folder: str = "") -> bytes:
    """Files as one archive; the same files give the same bytes."""
    stream = io.BytesIO()
    # The time of each entry is fixed: the day an archive was made is not part of it.
    with zipfile.ZipFile(stream, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, content in files.items():
            inside = f"{folder}/{name}" if folder else name
            entry = zipfile.ZipInfo(inside, (1980, 1, 1, 0, 0, 0))
            entry.compress_type = zipfile.ZIP_DEFLATED
            archive.writestr(entry, content)
    return stream.getvalue()
