"""What each command does, as one call: the command line is only a skin over these."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from siting.disk.files import write_atomic
from siting.lengths import NO_BREAK, index_text, percent
from siting.notes import head_and_gaps

# Each command loads what it runs: a check waits for no part of a score, nor a score for a batch,
# and open data are gathered without the protocol.
if TYPE_CHECKING:
    from siting.batch.run import Outcome
    from siting.batch.work import Options, Watcher
    from siting.gather.ask import Ask
    from siting.pipeline import Progress
    from siting.read.inspection import Finding
    from siting.report.shared.facts import SpotFacts
    from siting.settings.inputs import Inputs
    from siting.settings.protocol import Protocol
    from siting.types import Result
_SKETCH_RADIUS_M = 1000.0
# In the head of every sketch page: siting/web/sketch/sketch.html.
_SKETCH_MARK = "<title>Draw your land"


def score_to_folder(
    inputs: Inputs,
    protocol: Protocol,
    folder: Path,
    *,
    progress: Progress,
    public: bool = False,
    overwrite: bool = False,
    seen: Callable[[Result], None] | None = None,
    before_each: Callable[[], None] | None = None,
) -> str:
    """Score the one parcel of the inputs, and write every output.

    `seen` is called with the result before it is written, `before_each` before each file: what it
    raises ends the writing, and nothing is written.

    Returns
    -------
    str
        The result in words, as the terminal shows it.
    """
    from siting.notebook import site_parcel
    from siting.read.land import read_decisions_of, read_parcel
    from siting.report import output_names
    from siting.report.ahead import ReportAhead
    from siting.report.destination import (
        PUBLIC,
        SCORE,
        check_destination,
        check_replaceable,
        check_same_sources,
    )
    from siting.report.files.places import NAME as PLACES

    names = output_names(public=public)
    # Before minutes of work: a folder that cannot be used is known now.
    check_destination(folder, names, kind=PUBLIC if public else SCORE, inputs=inputs)
    check_replaceable(folder, names, inputs=inputs, protocol=protocol, overwrite=overwrite)
    parcel = read_parcel(inputs)
    # Before the run: places keep the names they have in this folder.
    decisions = read_decisions_of(inputs, parcel, before=folder / PLACES)
    with ReportAhead(protocol) as ahead:
        result = site_parcel(
            inputs,
            protocol,
            parcel,
            progress=progress,
            decisions=decisions,
            # What may be passed on holds no page.
            ahead=None if public else ahead,
        )
        if not public:
            # Only after the run are the fingerprints of all its files known.
            check_same_sources(folder, result, overwrite=overwrite)
        if seen is not None:
            seen(result)
        progress("writing the map and the files")
        result.write(folder, public=public, before_each=before_each, ahead=ahead)
    shown = "spots.csv" if public else "map.html"
    return summary(result, folder / shown)


def _percent(share: float) -> str:
    """Per cent with a plain space: a terminal's font may lack the no-break one."""
    return percent(share).replace(NO_BREAK, " ")


def summary(result: Result, page: Path) -> str:
    """The outcome of a run for a terminal: the first spots, the warnings, where to look."""
    from siting.report.shared.facts import spot_facts
    from siting.words.notes import spots_in_words

    count = len(result.spots)
    parcel = result.land.parcel
    name = f"{parcel.id} {parcel.label}".strip()
    found = spots_in_words(count, plain=result.plain)
    lines = [f"{name}: {found}, {_percent(result.usable_share)} of the parcel is open to a camera."]
    lines += [
        f"  {fact.spot.rank}. {index_text(fact.spot.score)} times plain ground  {_named(fact)}"
        for fact in spot_facts(result)[:5]
        if not fact.spot.plain
    ]
    main = sum(not place.spare for place in result.random_places)
    if main:
        lines.append(f"  {main} drawn at random, with spares: random_places.csv and .gpx")
    head, gaps = head_and_gaps(result.notes)
    lines += [f"Warning: {note.text}" for note in head]
    if gaps:
        lines.append(f'{len(gaps)} more under "Gaps in the maps" on the page and in run.json.')
    lines.append(f"Open {page}")
    return _plain("\n".join(lines))


def _named(fact: SpotFacts) -> str:
    """A spot's title, and its first reason where it has no name of its own that says it."""
    return fact.title if fact.spot.name else f"{fact.title}. {fact.why[0]}"


def batch_to_folder(
    inputs: Inputs, protocol: Protocol, folder: Path, *, options: Options, watcher: Watcher
) -> tuple[str, bool]:
    """Score all parcels of the inputs; the result in words, and whether every parcel was scored."""
    from siting.batch.run import run_batch

    outcome = run_batch(inputs, protocol, folder, options=options, watcher=watcher)
    return batch_summary(outcome, folder), not outcome.failed


def batch_summary(outcome: Outcome, folder: Path) -> str:
    """The outcome of a batch for a terminal: counts, first failures, where to look."""
    batch = outcome.batch
    scored, spots = len(batch.rows), sum(1 for row in batch.rows if row["spots"])
    lines = [f"{scored} {'parcel' if scored == 1 else 'parcels'} scored, {spots} with spots."]
    if batch.assignment is not None:
        cells = batch.assignment.cells
        cameras = sum(1 for cell in cells if cell.chosen is not None)
        lines.append(f"A camera is proposed for {cameras} of {len(cells)} survey cells.")
        drawn = sum(1 for cell in cells if cell.lot is not None)
        if drawn:
            lines.append(
                f"{drawn} of them at a place drawn at random, so that a review can compare."
            )
        if batch.assignment.gap > 0:
            lines.append(f"The proposal is within {batch.assignment.gap:.1%} of the best one.")
    lines += [f"Warning: {text}" for text in batch.notes]
    if outcome.failed:
        lines.append(f"{outcome.failed} could not be scored; see failures.csv:")
        lines += [f"  {f['parcel_id']}: {f['code']}: {f['message']}" for f in batch.failures[:5]]
    lines.append(f"Open {folder / 'overview.html'}")
    return _plain("\n".join(lines))


def check_inputs(inputs: Inputs, protocol: Protocol) -> tuple[str, bool]:
    """What each input is and what is wrong with it, as text; True when a run can be tried."""
    from siting.kernels.remembered import Memory
    from siting.read.inspection import inspect

    # The looks at each input, and the reading of all as a run does it, read each file but once.
    with Memory().at_work():
        findings = inspect(inputs, protocol)
    lines = [line for finding in findings for line in _lines(finding)]
    faults = sum(1 for finding in findings if finding.error)
    lines.append("")
    lines.append(f"{faults} to fix before a run." if faults else _no_fault(findings))
    return _plain("\n".join(lines)), not faults


def _no_fault(findings: Sequence[Finding]) -> str:
    """The last line of a check; of several parcels it says what each command does with them."""
    many = next((f.facts for f in findings if "parcels" in f.facts), None)
    if many is None:
        return "No fault found."
    bad = many["parcels"] - many["without a fault"]
    scored = f"all {many['parcels']} parcels"
    if bad:
        good = many["without a fault"]
        scored = f"{good} of {many['parcels']} parcels (what is wrong with {bad} stands above)"
    found = "No other fault found." if bad else "No fault found."
    return (
        f"{found} 'siting batch' scores {scored}; 'siting score' takes one: name it with "
        "--parcel-id."
    )


def gather_to_folder(
    ask: Ask,
    folder: Path,
    *,
    confirm: Callable[[str, int], bool],
    progress: Progress,
) -> str:
    """Gather a region's open data into a folder; what was written, in words."""
    # Loaded here: only this command asks the network, and no other shall load what can.
    from siting.gather.run import gather
    from siting.words.office.gather import done

    made = gather(ask, folder, confirm=confirm, progress=progress)
    lines = [done(str(folder), made.written, made.kept, made.requests, made.bytes)]
    lines += [f"Warning: {note.text}" for note in made.notes if note.level == "warning"]
    lines += [f"Assumed: {note.text}" for note in made.notes if note.level == "assumption"]
    if ask.region is None:
        lines.append(f"Next: siting gather --osm {folder} with a piece of land")
    else:
        lines.append(f"Next: siting score {folder / 'inputs.toml'} -o {folder / 'out'}")
    return _plain("\n".join(lines))


def _lines(finding: Finding) -> list[str]:
    mark = "FAULT" if finding.error else "ok"
    lines = [f"{finding.role}: {mark}  {finding.file}"]
    lines += [f"    {key}: {value}" for key, value in finding.facts.items()]
    lines += [f"    {note.code} {note.level}: {note.text}" for note in finding.notes]
    if finding.error:
        lines.append(f"    {finding.error}")
    return lines


def _plain(text: str) -> str:
    """Text without control characters, which a terminal would obey."""
    # Text of a user's file could hold escape codes that a terminal obeys.
    spaced = text.replace(NO_BREAK, " ")
    return "".join(c if c == "\n" or c.isprintable() else "\ufffd" for c in spaced)


def sketch_to_file(
    inputs: Inputs | None,
    target: Path,
    *,
    point: tuple[float, float],
    radius_m: float,
    made_for: str,
) -> str:
    """Write the sketch page of a place; where it is, in words.

    Parameters
    ----------
    inputs : Inputs or None
        Whose elevations, water, roads, trails and buildings are shown; None shows squares only.
    point : (longitude, latitude), degrees WGS 84
    radius_m : float
        How far around the point the land may reach, metres.
    made_for : str
        The sign-up that the page is for.
    """
    from siting.read.land import credits_of
    from siting.read.sketch.ground import sketch_ground
    from siting.read.vector.columns import plain_text
    from siting.report.destination import check_page
    from siting.report.page.sketch import sketch_page

    check_page(target, _SKETCH_MARK)
    ground, known, view = sketch_ground(inputs, point, radius_m)
    sources = credits_of(inputs) if inputs is not None else ()
    page = sketch_page(ground, known, made_for=plain_text(made_for), view=view, sources=sources)
    write_atomic(target, page)
    return _plain(
        f"Open {target} or send it to the volunteer. It shows no other parcel.\n"
        "Use the file that comes back with: siting score INPUTS --sketch FILE"
    )


def sketch_text_for(inputs: Inputs, place: tuple[float, float], made_for: str) -> str:
    """The sketch page of a sign-up as text, on the maps of an office, 1 km around its place."""
    from siting.read.land import credits_of
    from siting.read.sketch.ground import sketch_ground
    from siting.report.page.sketch import sketch_page

    ground, known, view = sketch_ground(inputs, place, _SKETCH_RADIUS_M)
    return sketch_page(ground, known, made_for=made_for, view=view, sources=credits_of(inputs))


def review_to_folder(
    packages: Sequence[Path],
    inputs_file: Path,
    protocol_file: Path | None,
    folder: Path,
    *,
    group: str = "",
    species: Path | None = None,
    public: bool = False,
    overwrite: bool = False,
) -> str:
    """Compare a season with the scores of its places and write the answer; its headline."""
    import datetime as dt

    from siting.report.destination import check_no_input
    from siting.review.recorded.effort import ALL_WILD
    from siting.review.run import NAMES, read_groups, review_season, write_review
    from siting.settings.load import load_inputs, load_protocol

    # The one place where the clock is read: all below takes the day, so that a run can be repeated.
    now = dt.datetime.now(dt.UTC)
    check_no_input(
        folder,
        NAMES,
        [*packages, inputs_file, *filter(None, (protocol_file, species))],
    )
    inputs, protocol = load_inputs(inputs_file), load_protocol(protocol_file)
    found = review_season(
        packages,
        inputs,
        protocol,
        group=group or ALL_WILD,
        groups=read_groups(species) if species else None,
        today=now,
    )
    headline = write_review(found, folder, protocol, today=now, public=public, overwrite=overwrite)
    return _plain(f"{headline}\nOpen {folder / 'review.html'}")
