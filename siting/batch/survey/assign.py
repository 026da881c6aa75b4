"""One parcel and spot for each survey cell: chosen together, so that neighbours keep apart.

The choice is a small integer program, solved by HiGHS through `scipy.optimize.milp`. Three wishes
are met in this order, each as well as the ones before it allow: as many cells as possible get a
camera; as few cameras as possible go beyond the share that one kind of place may have; the sum of
the values of the chosen spots is greatest.

Since the last step is an optimum, a cell whose best spot was not chosen always has one of two
reasons, and the table gives it: the best spot lies too near the camera of another cell, or its
kind of place already has its share.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from collections.abc import Set as AbstractSet
from dataclasses import dataclass

from siting.batch.rows import PlaceByLot
from siting.batch.survey.assign_program import TIE, Option, Program, best_few
from siting.decisions.proposal import CAMERA_UP
from siting.errors import SitingError
from siting.lengths import index_text, length, percent
from siting.settings.protocol_assign import AssignRules
from siting.words.spot.doubt import OPEN_QUESTION
from siting.words.spot.reasons import NOTHING_KNOWN


@dataclass(frozen=True)
class CellChoice:
    """What is proposed for one cell.

    `chosen` is None for a cell without a camera; `reason` says why this spot or why none, and
    `traded` what was given up for it ("" when nothing was). `because` says the same to the
    volunteer, as a clause that names no other parcel. `lot` is the place where the camera stands
    at random, None for one that was picked.
    """

    cell: str
    chosen: Option | None
    reserves: tuple[Option, ...]
    reason: str
    traded: str
    because: str = ""
    lot: PlaceByLot | None = None


@dataclass(frozen=True)
class Assignment:
    """The proposal for all cells, in the order of their names.

    `gap` is how far the sum of values may be below the best possible one, as a share; 0 is exact.
    """

    cells: tuple[CellChoice, ...]
    gap: float


def assign(options: Sequence[Option], *, cells: Sequence[str], rules: AssignRules) -> Assignment:
    """A camera and reserves for each survey cell.

    Parameters
    ----------
    options : spots of all parcels, each with the cell it lies in
    cells : names of all cells, also those without any spot
    rules : AssignRules

    Raises
    ------
    SitingError
        E-ASSIGN-01 when there is no cell at all, or the solver finds no answer in its time.
    """
    if not cells:
        raise SitingError(
            "E-ASSIGN-01",
            "No parcel names a survey cell.",
            rule="Cameras are assigned to cells, so every parcel must name its cell.",
            cure="Name the column with [parcel] cell_column, or leave out --assign.",
        )
    names = sorted(set(cells))
    kept = best_few(options, rules)
    program = Program(kept, names, rules)
    chosen, gap = program.solve()
    choices = [_cell_choice(program, name, chosen) for name in names]
    return Assignment(tuple(choices), gap)


def _cell_choice(program: Program, cell: str, chosen: Mapping[str, int]) -> CellChoice:
    """The words for one cell."""
    ranked = sorted(program.of_cell[cell], key=lambda n: (-program.values[n], n))
    others = {n for c, n in chosen.items() if c != cell}
    pick = chosen.get(cell)
    reserves = _reserves(program, ranked, pick, others)
    if pick is None:
        return CellChoice(cell, None, reserves, _no_camera(program, ranked, others), "")
    option, best = program.options[pick], program.options[ranked[0]]
    if option.decided:
        return CellChoice(cell, option, reserves, f"{settled_words(option)}.", "")
    reason, traded = f"{_option_words(option)} is the best spot of the cell", ""
    # What animals do there: "the best place we know" would only say the proposal again.
    because = option.draws or "it is the best place we know in your part of the survey"
    if program.values[ranked[0]] > program.values[pick] + TIE:
        reason = f"{_option_words(option)} is the best spot that goes together with the other cells"
        because += ", and it goes well with the cameras around it"
        traded = (
            f"{_option_words(best)} would be better, but {_against(program, ranked[0], others)}."
        )
    else:
        traded = _passed_over(program, ranked, option)
    over = f"{_over_share(program, pick, others)}{_scant(option, program.rules)}"
    return CellChoice(
        cell,
        option,
        reserves,
        f"{reason}{over}.",
        traded,
        because + _scant_for_volunteer(option, program.rules),
    )


def _passed_over(program: Program, ranked: Sequence[int], option: Option) -> str:
    """Which spot of the cell has a higher index than the one asked for, and why it waits."""
    options = [program.options[n] for n in ranked]
    fair = max(options, key=lambda o: o.fair_score)
    if fair.fair_score > option.fair_score + TIE:
        waits = fair.doubt and fair.asked_score <= option.asked_score + TIE
        why = OPEN_QUESTION[fair.doubt] if waits else "its parcel comes later by priority"
        why = NOTHING_KNOWN if fair.plain else why
        return f"{_option_words(fair)} scores more, but {why}."
    plain = max(options, key=lambda o: o.score)
    if plain.score > option.score + TIE:
        return f"{_option_words(plain)} scores more, but only by maps that not all parcels have."
    return ""


def settled_words(option: Option) -> str:
    """What was decided, as a sentence without its full stop."""
    place = option.parcel if option.spot is None else _option_words(option)
    if option.decided == CAMERA_UP:
        return f"A camera stands at {place} already"
    return f"{place} was chosen for the camera"


def _option_words(option: Option) -> str:
    return f"{option.parcel} spot {option.spot} (index {index_text(option.score)})"


def _scant(option: Option, rules: AssignRules) -> str:
    """What to say with a parcel that suits badly: it is not proposed without a word."""
    said = _weakness(option, rules)
    return f"; {said}: look at it before you promise a camera" if said else ""


def _weakness(option: Option, rules: AssignRules) -> str:
    if option.usable_share < rules.scant_share:
        return f"only {percent(option.usable_share)} of its parcel is open to a camera"
    if option.plain:
        return NOTHING_KNOWN
    if option.doubt:
        return OPEN_QUESTION[option.doubt]
    return "its parcel has no second place to go to" if option.of_spots == 1 else ""


def _scant_for_volunteer(option: Option, rules: AssignRules) -> str:
    if option.usable_share < rules.scant_share:
        return f", though only {percent(option.usable_share)} of the land is open to a camera"
    if option.plain:
        return f", though {NOTHING_KNOWN}: let us look for fresh tracks first"
    if option.doubt:
        return f", though {OPEN_QUESTION[option.doubt]}"
    return ", though the land has no second place to go to" if option.of_spots == 1 else ""


def _reserves(
    program: Program, ranked: Sequence[int], pick: int | None, others: AbstractSet[int]
) -> tuple[Option, ...]:
    """The best spots of other parcels of the cell that keep apart from the other cells' cameras."""
    # If an owner declines, a second spot on the same land is no reserve.
    taken = set() if pick is None else {program.options[pick].parcel}
    out: list[Option] = []
    for n in ranked:
        option = program.options[n]
        free = others.isdisjoint(program.distance.near.get(n, ()))
        if option.parcel not in taken and free and len(out) < program.rules.reserves:
            out.append(option)
            taken.add(option.parcel)
    return tuple(out)


def _nearest(program: Program, n: int, others: AbstractSet[int]) -> tuple[str, str] | None:
    """Cell and distance of the nearest camera that is too near an option; None when none is."""
    near = [m for m in program.distance.near.get(n, ()) if m in others]
    if not near:
        return None
    m = min(near, key=lambda other: program.distance.between(n, other))
    return program.options[m].cell, length(program.distance.between(n, m))


def _no_camera(program: Program, ranked: Sequence[int], others: AbstractSet[int]) -> str:
    if not ranked:
        return "No parcel of the cell has a spot that scores enough."
    best = _option_words(program.options[ranked[0]])
    found = _nearest(program, ranked[0], others)
    if found is None:
        return f"The time limit ended before {best} could be placed."
    asked = length(program.rules.distance_m)
    return (
        f"Every spot lies within {asked} of the camera of another cell: {best} is {found[1]} from "
        f"that of cell {found[0]}."
    )


def _against(program: Program, n: int, others: AbstractSet[int]) -> str:
    """Why an option was not chosen, the choices of the other cells given."""
    found = _nearest(program, n, others)
    if found is not None:
        asked = length(program.rules.distance_m)
        return f"it lies {found[1]} from the camera of cell {found[0]}, and {asked} is the rule"
    kind, cameras = program.options[n].kind, len(others) + 1
    used = sum(1 for m in others if program.options[m].kind == kind)
    return (
        f"{used} of the {cameras} cameras already stand at this kind of place ({kind}); at most "
        f"{program.most(kind, cameras)} should"
    )


def _over_share(program: Program, pick: int, others: AbstractSet[int]) -> str:
    kind, cameras = program.options[pick].kind, len(others) + 1
    used = 1 + sum(1 for m in others if program.options[m].kind == kind)
    most = program.most(kind, cameras)
    if used <= most:
        return ""
    return (
        f"; with it {used} of the {cameras} cameras stand at this kind of place ({kind}), more "
        f"than the {most} that should, because no other choice fills as many cells"
    )
