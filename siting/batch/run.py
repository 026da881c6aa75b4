"""Many parcels: each scored once, all in one table and one map, resumable at any moment.

A parcel that is done stands in a journal, under a fingerprint of everything its result depends on.
Started again, a batch does what is missing or was made from other inputs, and nothing more.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

from siting.batch import fingerprints, jobs
from siting.batch import journal as journals
from siting.batch.executors import stop_signals
from siting.batch.journal import Journal
from siting.batch.output import tables
from siting.batch.output.drawn import NAME as RANDOM_PLACES
from siting.batch.output.drawn import random_places_csv
from siting.batch.output.letters import letters, templates
from siting.batch.output.office import office_files
from siting.batch.output.overview import overview_page
from siting.batch.output.record import batch_json
from siting.batch.output.tables import Batch
from siting.batch.work import Options, Watcher, Work
from siting.batch.worklist import (
    batch_parcels,
    decisions_by_parcel,
    file_prints,
    open_inputs_once,
)
from siting.disk.files import LAST, clean_parts, make_folder, remove, staged
from siting.disk.lock import locked
from siting.read.raster.relief import read_relief
from siting.report.destination import BATCH, check_destination, check_same_list
from siting.settings.inputs import Inputs
from siting.settings.protocol import Protocol as SurveyProtocol

ASSIGNMENTS = "assignments.csv"
LETTERS = "letters"
OFFICE = ("deployments.csv", "datapackage.json", "check_visits.csv", "due.csv")
OUTPUTS = (
    *OFFICE, LETTERS, "places.csv", RANDOM_PLACES,
    "parcels.csv", "parcels.gpkg", "failures.csv", ASSIGNMENTS, "overview.html", journals.NAME,
    jobs.PARCELS, ".lock", LAST,
)  # fmt: skip


@dataclass(frozen=True)
class Outcome:
    """The result of a batch: what its files were written from, and how many parcels it reused."""

    batch: Batch
    reused: int

    @property
    def failed(self) -> int:
        """Parcels that could not be scored."""
        return len(self.batch.failures)


def run_batch(
    inputs: Inputs,
    protocol: SurveyProtocol,
    folder: Path,
    *,
    options: Options,
    watcher: Watcher,
) -> Outcome:
    """Score every parcel of the inputs into a folder; what is done already is not done again.

    The result of a parcel is the same, byte for byte, for any number of workers, on a cluster,
    alone or resumed.

    Parameters
    ----------
    inputs : Inputs
        With a parcels file; a point and radius are for one parcel.
    protocol : Protocol
    folder : Path
        Made if missing. Two runs never write to it at the same time.
    options : Options
    watcher : Watcher

    Raises
    ------
    SitingError
        For what concerns all parcels: a raster or the parcels file. A fault of one parcel goes
        to failures.csv.
    ResourceError
        E-LOCK-01, E-DISK-01 or E-MEM-01.
    """
    # Before the lock: a folder of somebody else's files must not even get a lock file.
    check_destination(folder, OUTPUTS, kind=BATCH, inputs=inputs)
    check_same_list(folder, inputs=inputs, overwrite=options.overwrite)
    make_folder(folder)
    with locked(folder), stop_signals():
        _clean(folder)
        journal = Journal(folder)
        watcher.stage("reading the parcels")
        sizes = open_inputs_once(inputs, protocol)
        parcels = batch_parcels(inputs)
        # A fault in a template is reported now, not after all the parcels.
        letter_templates(inputs)
        watcher.stage("taking fingerprints of the files")
        # Every byte of the inputs, not their dates: a copied or touched file is the same file.
        files = file_prints(inputs, journal)
        shared = fingerprints.settings_print(
            inputs, protocol, files=files, program=fingerprints.program_print()
        )
        decided = decisions_by_parcel(inputs, parcels, journal)
        keys = {p.id: fingerprints.parcel_print(p, shared, decided.of[p.id]) for p in parcels}
        work = Work(
            inputs, protocol, folder, options, journal, watcher, parcels, keys, sizes, decided
        )
        try:
            reused = work.score()
            assignment = work.write_pages()
        finally:
            work.close()
        watcher.stage("writing the tables and the overview")
        batch = work.gathered(assignment)
        _write(batch, work, files)
        return Outcome(batch, reused)


def _clean(folder: Path) -> None:
    """Remove what an earlier run left half-written."""
    clean_parts(folder)
    for inner in sorted((folder / jobs.PARCELS).glob("*/")):
        clean_parts(inner)


def _write(batch: Batch, work: Work, files: Mapping[str, str]) -> None:
    """The tables and the overview: all of them or none, run.json last."""
    if batch.assignment is None:
        # A proposal of an earlier run would contradict the tables beside it.
        remove(work.folder / ASSIGNMENTS)
    office = office_files(work.decided.of, survey=work.inputs.survey, protocol=work.protocol)
    # No camera is up any more: tables of an earlier run would say there is one.
    for name in set(OFFICE) - set(office):
        remove(work.folder / name)
    drawn = random_places_csv(batch.rows, work.decided.of)
    if not drawn:
        remove(work.folder / RANDOM_PLACES)
    _write_letters(batch, work)
    with staged(work.folder) as stage:
        for name, text in office.items():
            stage.write(name, text)
        stage.write("places.csv", work.places_csv())
        if drawn:
            stage.write(RANDOM_PLACES, drawn)
        stage.write("parcels.csv", tables.parcels_csv(batch))
        stage.write("parcels.gpkg", tables.parcels_gpkg(batch))
        stage.write("failures.csv", tables.failures_csv(batch))
        if batch.assignment is not None:
            stage.write(ASSIGNMENTS, tables.assignments_csv(batch))
        relief = read_relief(work.inputs, batch.shapes)
        page = overview_page(batch, relief=relief, protocol_name=work.protocol.name)
        stage.write("overview.html", page)
        record = batch_json(
            batch,
            inputs=work.inputs,
            protocol=work.protocol,
            files=files,
            outputs=stage.digests(),
            time=dt.datetime.now(dt.UTC),
        )
        stage.write(LAST, record)


def letter_templates(inputs: Inputs) -> dict[str, str]:
    """The templates that the inputs name, else those of the program."""
    own = inputs.survey.letters
    return templates(inputs.folder / own if own else None)


def _write_letters(batch: Batch, work: Work) -> None:
    """A letter for each parcel where cameras were assigned; none outlives its proposal."""
    folder = work.folder / LETTERS
    texts = letter_templates(work.inputs)
    files = letters(batch, texts) if batch.assignment is not None else {}
    for path in sorted(folder.glob("*")) if folder.is_dir() else ():
        # Anything else in the folder was not written by a batch and is not ours to remove.
        if path.name not in files and path.suffix in (".txt", ".html"):
            remove(path)
    if files:
        with staged(folder) as stage:
            for name, text in files.items():
                stage.write(name, text)
