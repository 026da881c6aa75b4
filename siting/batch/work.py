"""The work of one batch: which parcels are done, which pages are wanted, and who does the rest."""

from __future__ import annotations

import sys
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Protocol

from siting.batch import budget, jobs
from siting.batch.cluster import connect
from siting.batch.executors import Executor, PoolExecutor, SerialExecutor, run_jobs
from siting.batch.jobs import Job, parcel_folder
from siting.batch.journal import Journal
from siting.batch.output.tables import Batch
from siting.batch.rows import Done, FailedParcel, Failure, ScoredParcel, comparable_scores
from siting.batch.survey.assign import Assignment, assign
from siting.batch.survey.at_random import with_random
from siting.batch.worklist import Decided, Sizes, outlines
from siting.decisions.history import reported
from siting.decisions.places import KnownPlace
from siting.disk.files import LAST, file_hash
from siting.read.land import credits_of
from siting.report.files.places import places_csv
from siting.scoring.common_maps import not_common
from siting.settings.inputs import Inputs
from siting.settings.protocol import Protocol as SurveyProtocol
from siting.types import Parcel
from siting.words.office.compared import compared_notes, draw_notes

# Failures that lie with the machine or the moment, not with the parcel: tried again at each start.
_PASSING = ("E-DISK", "E-MEM", "E-CRASH", "E-CHANGED", "E-LOCK", "E-OUT", "E-INTERNAL", "E-FILE")


@dataclass(frozen=True)
class Options:
    """How a batch is run.

    Parameters
    ----------
    pages : int or None
        For how many of the best parcels the map, the sheet and the files are written; None is
        for all of them. Parcels with a camera assigned get theirs, too, unless it is 0.
    workers : int or None
        Processes; None is as many as the machine carries, 0 works in this process.
    dask : str
        Address of a Dask scheduler, "" for none.
    assign : bool
        Propose a parcel and spot for each survey cell.
    overwrite : bool
        Replace the tables of another list of parcels.
    """

    pages: int | None = 0
    workers: int | None = None
    dask: str = ""
    assign: bool = False
    overwrite: bool = False


class Watcher(Protocol):
    """Shows how far a batch is: a terminal, a notebook or nobody."""

    def stage(self, words: str) -> None: ...

    def begin(self, total: int, *, done: int) -> None: ...

    def ended(self, *, failed: bool) -> None: ...


class Work:
    """One run of a batch: what is known of each parcel, and the workers.

    Parameters
    ----------
    keys : fingerprint of everything a parcel's result depends on, by its identifier
    sizes : Sizes, for the memory each parcel will need
    decided : Decided, what was decided about the parcels
    """

    def __init__(
        self,
        inputs: Inputs,
        protocol: SurveyProtocol,
        folder: Path,
        options: Options,
        journal: Journal,
        watcher: Watcher,
        parcels: Sequence[Parcel],
        keys: Mapping[str, str],
        sizes: Sizes,
        decided: Decided,
    ) -> None:
        self.inputs = inputs
        self.protocol = protocol
        self.folder = folder
        self.options = options
        self.parcels = parcels
        self._journal = journal
        self._watcher = watcher
        self._keys = keys
        self._sizes = sizes
        self.decided = decided
        self._executor: Executor | None = None
        self._offers: Mapping[str, tuple[str, str]] = {}

    def score(self) -> int:
        """Score what is not done yet; how many were done already."""
        pages = self.options.pages is None
        todo = [p for p in self.parcels if not self._is_done(p, pages=pages)]
        self._do(todo, pages=pages, done=len(self.parcels) - len(todo))
        return len(self.parcels) - len(todo)

    def write_pages(self) -> Assignment | None:
        """Write the pages that are wanted and missing; the proposal for the cells.

        A parcel whose pages cannot be written is a failure from then on, so its place in the
        proposal is given anew.
        """
        while True:
            assignment = self._assigned()
            wanted = self._wanted(assignment)
            # A page names the proposed place first: one made for another proposal is made again.
            self._offers = self._offered(assignment)
            todo = [
                p
                for p in self.parcels
                if p.id in wanted and not self._is_done(p, pages=True, offered=True)
            ]
            if not todo:
                return assignment
            self._watcher.stage("writing pages")
            self._do(todo, pages=True, done=len(wanted) - len(todo))

    def gathered(self, assignment: Assignment | None) -> Batch:
        """Rows, failures, outlines and pages of all parcels, in the order of their file."""
        failures: list[FailedParcel] = [
            {
                "parcel_id": parcel.id,
                "parcel_label": parcel.label,
                "survey_cell": parcel.cell,
                "code": entry["code"],
                "message": entry["message"],
            }
            for parcel in self.parcels
            if (entry := self._entry(parcel)) is not None and "row" not in entry
        ]
        wanted = self._wanted(assignment)
        pages = {
            p.id: parcel_folder(Path(), p.id).as_posix() for p in self.parcels if p.id in wanted
        }
        rows = self._rows()
        notes = [note.text for note in self.decided.notes]
        notes += compared_notes([row["judged_by"] for row in rows])
        if self.protocol.random.places:
            notes += draw_notes(parcels=len(rows), pages=sum(r["parcel_id"] in pages for r in rows))
        states = {
            name: reported(found.records, parcel=name, known=found.known)
            for name, found in self.decided.of.items()
        }
        return Batch(
            rows,
            failures,
            outlines(self.parcels),
            pages,
            assignment,
            notes,
            states,
            credits=credits_of(self.inputs),
        )

    def places_csv(self) -> str:
        """Every place of every parcel that has a name, for the next season."""
        entries = [(p.id, self._entry(p) or {}) for p in self.parcels]
        return places_csv(
            (name, KnownPlace(*row)) for name, entry in entries for row in entry.get("places", [])
        )

    def close(self) -> None:
        """End the workers, also those with a parcel under way."""
        if self._executor is not None:
            # After an error or Ctrl-C nobody waits for the jobs under way.
            self._executor.close(at_once=sys.exc_info()[0] is not None)
            self._executor = None

    def _entry(self, parcel: Parcel) -> Mapping[str, Any] | None:
        # An entry under another fingerprint was made from other inputs and counts for nothing.
        entry = self._journal.get("parcel", parcel.id)
        return entry if entry is not None and entry["key"] == self._keys[parcel.id] else None

    def _is_done(self, parcel: Parcel, *, pages: bool, offered: bool = False) -> bool:
        """Whether nothing is to do; with `offered`, pages must also name what is proposed now."""
        entry = self._entry(parcel)
        if entry is None:
            return False
        if "row" not in entry:
            # The same inputs would fail again, unless the fault was the machine's.
            return not entry["code"].startswith(_PASSING)
        if not pages:
            return True
        # run.json is written last: if its hash is right, the pages beside it are complete.
        record = parcel_folder(self.folder, parcel.id) / LAST
        whole = bool(entry["record"]) and record.exists() and file_hash(record) == entry["record"]
        offer = self._offers.get(parcel.id)
        as_now = entry.get("offered") == (list(offer) if offer else None)
        return whole and (as_now or not offered)

    def _do(self, todo: Sequence[Parcel], *, pages: bool, done: int) -> None:
        """Run the jobs and write each outcome into the journal as it comes."""
        self._watcher.begin(len(todo), done=done)
        if not todo:
            return
        plan = self._plan(todo)
        by_id = {parcel.id: parcel for parcel in todo}
        work = [(p.id, self._job(p, pages=pages)) for p in todo]
        fits = [j for j, turn in zip(work, plan.turns, strict=True) if turn == budget.SHARED]
        alone = [j for j, turn in zip(work, plan.turns, strict=True) if turn == budget.ALONE]
        for (name, _), turn in zip(work, plan.turns, strict=True):
            if turn == budget.REFUSED:
                self._keep(by_id[name], jobs.too_large(self._sizes.needed(by_id[name])))
        # Kept from the rows to the pages: new workers would load every library again.
        if self._executor is None:
            self._executor = self._started(plan.workers)
        for ended in run_jobs(self._executor, fits, alone=alone):
            self._keep(by_id[ended.name], jobs.CRASHED if ended.died else ended.value)

    def _job(self, parcel: Parcel, *, pages: bool) -> Job:
        return Job(
            parcel,
            self.inputs,
            self.protocol,
            # A worker may have another working folder, where a relative path would lead elsewhere.
            self.folder.absolute() if pages else None,
            self.decided.of[parcel.id],
            self._offers.get(parcel.id),
        )

    def _keep(self, parcel: Parcel, outcome: Done | Failure) -> None:
        # On disk before it is counted: what was shown as done is done, also after a power cut.
        self._journal.add("parcel", parcel.id, key=self._keys[parcel.id], **outcome)
        self._watcher.ended(failed="row" not in outcome)

    def _plan(self, todo: Sequence[Parcel]) -> budget.WorkerPlan:
        needs = [self._sizes.needed(parcel) for parcel in todo]
        if self.options.dask:
            # A cluster has memory of its own, and watches it: nothing to plan from here.
            return budget.WorkerPlan(0, (budget.SHARED,) * len(todo), 0)
        asked = self.options.workers
        plan = budget.plan_workers(
            needs, asked=None if asked is None else max(asked, 1), free=budget.available_bytes()
        )
        # The turns stay: a parcel that is too large for the machine is too large for this process.
        return plan if asked != 0 else budget.WorkerPlan(0, plan.turns, plan.bytes_needed)

    def _started(self, workers: int) -> Executor:
        if self.options.dask:
            return connect(jobs.do_job, self.options.dask, inputs=self.inputs, folder=self.folder)
        if workers == 0:
            return SerialExecutor(jobs.do_job)
        return PoolExecutor(jobs.do_job, workers=workers)

    def _rows(self) -> list[ScoredParcel]:
        """The rows of what is scored, in the order of the parcels' file."""
        entries = [self._entry(parcel) for parcel in self.parcels]
        return [entry["row"] for entry in entries if entry is not None and "row" in entry]

    def _assigned(self) -> Assignment | None:
        if not self.options.assign:
            return None
        # From the parcels and not from the rows, so that a cell whose parcels all failed is named,
        # too.
        cells = sorted({parcel.cell for parcel in self.parcels if parcel.cell})
        rows = self._rows()
        left_out = not_common([row["judged_by"] for row in rows])
        options = [
            option
            for row in rows
            if row["survey_cell"]
            for option in jobs.options_of(row, left_out=left_out)
        ]
        rules = self.protocol.assign
        picked = assign(options, cells=cells, rules=rules)
        return with_random(picked, rows, rules=rules, seed=self.protocol.random.seed)

    def _offered(self, assignment: Assignment | None) -> Mapping[str, tuple[str, str]]:
        """The place that the assignment proposes on each parcel that gets a camera, and why."""
        rows = {row["parcel_id"]: row for row in self._rows()}
        offers = {}
        for choice in assignment.cells if assignment else ():
            if choice.chosen is not None and choice.lot is not None:
                offers[choice.chosen.parcel] = (choice.lot["place_id"], choice.because)
            elif choice.chosen is not None and not choice.chosen.decided:
                top = rows[choice.chosen.parcel]["top"]
                spot = next(s for s in top if s["spot"] == choice.chosen.spot)
                offers[choice.chosen.parcel] = (spot["place_id"], choice.because)
        return offers

    def _wanted(self, assignment: Assignment | None) -> set[str]:
        """Parcels whose pages are wanted: all, or the best and those with a camera."""
        rows, most = self._rows(), self.options.pages
        if most is None:
            return {row["parcel_id"] for row in rows}
        if most == 0:
            return set()
        scored = [
            (score, row)
            for row, score in zip(rows, comparable_scores(rows), strict=True)
            if score is not None
        ]
        # By the index that compares fairly alone: equal ones keep the order of their file.
        best = [row for _, row in sorted(scored, key=lambda pair: -pair[0])[:most]]
        chosen = [c.chosen.parcel for c in assignment.cells if c.chosen] if assignment else []
        return {*(row["parcel_id"] for row in best), *chosen}
