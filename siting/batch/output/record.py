"""run.json of a batch: what went in, what came out, what failed."""

from __future__ import annotations

import datetime as dt
from collections import Counter
from collections.abc import Mapping

from siting.batch.output.tables import Batch, roles
from siting.disk.files import canonical_json
from siting.disk.paths import told_paths
from siting.report.files.record import FORMAT, changed, versions
from siting.report.shared.credits import records
from siting.report.shared.facts import plain
from siting.report.shared.text import clean
from siting.settings.inputs import Inputs
from siting.settings.protocol import Protocol


def batch_json(
    batch: Batch,
    *,
    inputs: Inputs,
    protocol: Protocol,
    files: Mapping[str, str],
    outputs: Mapping[str, str],
    time: dt.datetime,
) -> str:
    """The record of a batch; all of it but `time` is the same for the same inputs.

    Parameters
    ----------
    batch : Batch
    inputs : Inputs
    protocol : Protocol
    files : fingerprint of each input file
    outputs : SHA-256 of each file written beside it
    time : datetime with a time zone, when the files were written
    """
    scored = [row for row in batch.rows if row["spots"]]
    record = {
        "format": FORMAT,
        "kind": "batch",
        "time": time.astimezone(dt.UTC).isoformat(timespec="seconds"),
        "versions": versions(),
        "inputs": {
            # Records are passed on: no path of the machine may stand in them.
            "settings": plain(told_paths(inputs.model_dump(mode="json"), inputs.folder)),
            "files": dict(files),
        },
        "protocol": {
            "name": clean(protocol.name),
            "values": plain(protocol.model_dump(mode="json")),
            "changed": changed(protocol),
        },
        "counts": {
            "parcels": len(batch.rows) + len(batch.failures),
            "scored": len(batch.rows),
            "with_spots": len(scored),
            "failed": len(batch.failures),
            "failures": dict(sorted(Counter(row["code"] for row in batch.failures).items())),
            "with_pages": len(batch.pages),
            "roles": dict(sorted(Counter(roles(batch.assignment).values()).items())),
        },
        "sources": records(batch.credits),
        "warnings": [clean(text) for text in batch.notes],
        "assignment_gap": None if batch.assignment is None else batch.assignment.gap,
        "outputs": dict(outputs),
    }
    return canonical_json(record) + "\n"
