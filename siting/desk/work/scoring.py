"""Scoring in the worker: every file of a run, and the row that a batch would keep of it."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any, Protocol

from siting.batch.jobs import parcel_row
from siting.commands import score_to_folder, summary
from siting.report.files.tables import collection_of
from siting.report.shared.credits import short_lines
from siting.report.shared.facts import spot_facts
from siting.settings.load import load_inputs, load_protocol
from siting.types import Result
from siting.words.office.letters import credit_line


class Asked(Protocol):
    """What is to be scored: `siting.desk.worker.Score`."""

    @property
    def inputs(self) -> Path:
        """The inputs file."""

    @property
    def protocol(self) -> Path | None:
        """The survey's rules; None for those of the program."""

    @property
    def out(self) -> Path:
        """Folder to fill."""


def scored(
    job: Asked,
    progress: Callable[[str], None],
    listed: Callable[[dict[str, Any]], None],
    before_each: Callable[[], None],
) -> dict[str, str]:
    """Score and write; {"summary", "row": JSON of parcel and sources, "named": place first}.

    `listed` is called with the same and "features", the places as spots.geojson has them, as soon
    as they are known: the files take as long again, and the coordinator looks at the list.
    `before_each` is called before each file, and may end the writing by what it raises.
    """
    inputs, protocol = load_inputs(job.inputs), load_protocol(job.protocol)
    kept: dict[str, str] = {}

    def seen(result: Result) -> None:
        sources = credit_line(short_lines(result.land.credits))
        kept["row"] = json.dumps({"parcel": parcel_row(result, protocol), "sources": sources})
        kept["named"] = result.proposal.place_id if result.proposal is not None else ""
        listed(
            {
                "summary": summary(result, job.out / "map.html"),
                **kept,
                # As the file will hold them, so that the list does not change with the files.
                "features": collection_of(result, spot_facts(result))["features"],
            }
        )

    kept["summary"] = score_to_folder(
        inputs,
        protocol,
        job.out,
        progress=progress,
        overwrite=True,  # the desk keeps one folder for each parcel and scores it anew
        seen=seen,
        before_each=before_each,
    )
    return kept
