"""One parcel and spot to each survey cell: chosen together, so that neighbours keep apart.

The choice is a small integer program, solved by HiGHS through `scipy.optimize.milp`. Three wishes
are met in this order, each as well as the ones before it allow: as many cells as possible get a
camera; as few cameras as possible go beyond the share that one kind of place may have; the sum of
the values of the chosen spots is greatest.

Since the last step is an optimum, a cell whose best spot was not chosen always has one of two
reasons, and it is told: the best spot lies too near the camera of another cell, or its kind of
place already has its share.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from collections.abc import Set as AbstractSet
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from siting.errors import SitingError
from siting.protocol_assign import AssignRules
from siting.words import length

# Kinds of spots that a survey would count as one kind of place.
PLACE_KINDS: Mapping[str, str] = {
    "trail": "trail",
    "water": "water",
    "crossing": "water",
    "edge": "edge",
    "soft_edge": "edge",
    "opening": "opening",
    "funnel": "passage",
    "feature": "passage",
}
_OTHER = "other"
_TIE = 1e-9


@dataclass(frozen=True)
class Option:
    """A spot that may become the camera of its cell.

    `priority` is 1 for the parcel to be placed first and NaN where none was given; `kind` is one
    of the values of `PLACE_KINDS` or "other".
    """

    cell: str
    parcel: str
    spot: int
    lon: float
    lat: float
    score: float
    kind: str
    priority: float = float("nan")


@dataclass(frozen=True)
class CellChoice:
    """What is proposed for one cell.

    `chosen` is None for a cell without a camera; `reason` says why this spot or why none, and
    `traded` what was given up for it ("" when nothing was).
    """

    cell: str
    chosen: Option | None
    reserves: tuple[Option, ...]
    reason: str
    traded: str


@dataclass(frozen=True)
class Assignment:
    """The proposal for all cells, in the order of their names.

    `gap` is how far the sum of values may be below the best possible one, as a share; 0 is exact.
    """

    cells: tuple[CellChoice, ...]
    gap: float


def place_kind(kind: str) -> str:
    """The kind of place a spot belongs to."""
    return PLACE_KINDS.get(kind, _OTHER)


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
            rule="Cameras are assigned to cells, so parcels must say in which they lie.",
            cure="Name the column with [parcel] cell_column, or leave out --assign.",
        )
    names = sorted(set(cells))
    kept = _kept(options, rules)
    problem = _Problem(kept, names, rules)
    chosen, gap = problem.solve()
    told = [_cell_choice(problem, name, chosen) for name in names]
    return Assignment(tuple(told), gap)


def _kept(options: Sequence[Option], rules: AssignRules) -> list[Option]:
    """The best few spots of each parcel, in a fixed order."""
    ordered = sorted(options, key=lambda o: (o.cell, o.parcel, o.spot))
    return [o for o in ordered if o.spot <= rules.spots_per_parcel and o.score >= rules.lowest]


@dataclass(frozen=True)
class _Row:
    """Of these options at most (or exactly) so many; what goes beyond may count as slack."""

    members: Sequence[int]
    low: float
    high: float
    slack: int = -1


class _Problem:
    """The integer program: one 0-1 unknown to each option."""

    def __init__(self, options: Sequence[Option], cells: Sequence[str], rules: AssignRules) -> None:
        self.options = options
        self.rules = rules
        self.of_cell: dict[str, list[int]] = {cell: [] for cell in cells}
        for n, option in enumerate(options):
            self.of_cell[option.cell].append(n)
        self.kinds = sorted({o.kind for o in options})
        self.values = _values(options, rules)
        self.distance = _Distances(options, rules.distance_m)

    def most(self, kind: str, cameras: int) -> int:
        """How many of so many cameras may stand at this kind of place."""
        share = float(getattr(self.rules.share, kind, 1.0))
        return max(int(np.ceil(share * cameras - _TIE)), 1)

    def solve(self) -> tuple[dict[str, int], float]:
        """The chosen option of each cell that gets one, and the gap of the last step."""
        if not self.options:
            return {}, 0.0
        every = range(len(self.options))
        rows = [_Row(members, 0.0, 1.0) for members in self.of_cell.values() if members]
        rows += self._apart()
        filled, _, _ = self._solved(rows, gain=np.ones(len(self.options)))
        cameras = float(filled.sum())
        rows.append(_Row(every, cameras, cameras))
        for k, kind in enumerate(self.kinds):
            members = [n for n in every if self.options[n].kind == kind]
            rows.append(_Row(members, -np.inf, float(self.most(kind, round(cameras))), slack=k))
        _, beyond, _ = self._solved(rows, gain=np.zeros(len(self.options)), slack_cost=1.0)
        on, _, gap = self._solved(rows, gain=self.values, most_slack=float(beyond.sum()))
        return {self.options[n].cell: n for n in np.flatnonzero(on > 0.5).tolist()}, gap

    def _apart(self) -> list[_Row]:
        """An option and all that lie too near it in one other cell: at most one of them.

        At most one option of a cell is chosen anyway, so they can stand in one row together,
        which is stronger than a row to each pair.
        """
        rows = []
        for n, others in self.distance.near.items():
            by_cell: dict[str, list[int]] = {}
            for other in others:
                by_cell.setdefault(self.options[other].cell, []).append(other)
            rows += [_Row([n, *members], 0.0, 1.0) for members in by_cell.values()]
        return rows

    def _solved(
        self,
        rows: Sequence[_Row],
        *,
        gain: NDArray[np.float64],
        slack_cost: float = 0.0,
        most_slack: float = np.inf,
    ) -> tuple[NDArray[np.float64], NDArray[np.float64], float]:
        """0 or 1 for each option, the slack of each kind, and the relative gap to the optimum."""
        from scipy.optimize import Bounds, LinearConstraint, milp
        from scipy.sparse import csr_array

        count, kinds = len(self.options), len(self.kinds)
        slack = range(count, count + kinds)
        entries = [(r, m, 1.0) for r, row in enumerate(rows) for m in row.members]
        entries += [(r, slack[row.slack], -1.0) for r, row in enumerate(rows) if row.slack >= 0]
        entries += [(len(rows), s, 1.0) for s in slack]
        at, of, size = (np.array(column) for column in zip(*entries, strict=True))
        found = milp(
            np.r_[-gain, np.full(kinds, slack_cost)],
            integrality=np.ones(count + kinds),
            bounds=Bounds(0, np.r_[np.ones(count), np.full(kinds, float(count))]),
            constraints=LinearConstraint(
                csr_array((size, (at, of)), shape=(len(rows) + 1, count + kinds)),
                [*(row.low for row in rows), 0.0],
                [*(row.high for row in rows), most_slack],
            ),
            options={"time_limit": self.rules.time_limit_s, "mip_rel_gap": 0.0},
        )
        if found.x is None:
            raise SitingError(
                "E-ASSIGN-01",
                f"The solver found no assignment of {count} spots: {found.message}.",
                rule=f"It may take {self.rules.time_limit_s:g} s a step (assign.time_limit_s).",
                cure="Allow more time, or lower assign.spots_per_parcel or assign.distance_m.",
            )
        x = np.rint(np.asarray(found.x, dtype=np.float64))
        return x[:count], x[count:], max(float(found.mip_gap or 0.0), 0.0)


def _values(options: Sequence[Option], rules: AssignRules) -> NDArray[np.float64]:
    """Score of each option, less what its parcel's priority costs it within its cell."""
    first: dict[str, float] = {}
    for option in options:
        if not np.isnan(option.priority):
            first[option.cell] = min(first.get(option.cell, np.inf), option.priority)
    worst: dict[str, float] = {}
    for option in options:
        if not np.isnan(option.priority):
            worst[option.cell] = max(worst.get(option.cell, -np.inf), option.priority)
    out = np.array([o.score for o in options], dtype=np.float64)
    for n, option in enumerate(options):
        if option.cell in first:
            # A parcel without a priority comes after those that have one.
            own = option.priority if not np.isnan(option.priority) else worst[option.cell] + 1
            out[n] -= rules.priority_step * (own - first[option.cell])
    return out


class _Distances:
    """Distances between options of different cells, as far as they matter."""

    def __init__(self, options: Sequence[Option], distance_m: float) -> None:
        from scipy.spatial import cKDTree

        self.near: dict[int, list[int]] = {}
        if not options:
            self._xyz = np.zeros((0, 3))
            return
        self._xyz = _geocentric(options)
        pairs = cKDTree(self._xyz).query_pairs(distance_m, output_type="ndarray")
        for i, j in sorted(map(tuple, pairs.tolist())):
            # A pair at the very distance asked for keeps it.
            if options[i].cell != options[j].cell and self.between(i, j) < distance_m:
                self.near.setdefault(i, []).append(j)
                self.near.setdefault(j, []).append(i)

    def between(self, i: int, j: int) -> float:
        """Metres between two options."""
        return float(np.linalg.norm(self._xyz[i] - self._xyz[j]))


def _geocentric(options: Sequence[Option]) -> NDArray[np.float64]:
    """Positions in metres from the Earth's centre: straight distances hold across map zones.

    Over 10 km the straight line is a millimetre shorter than the way along the ground.
    """
    from siting.grid import transformer

    lon = np.array([o.lon for o in options])
    lat = np.array([o.lat for o in options])
    x, y, z = transformer("EPSG:4979", "EPSG:4978").transform(lon, lat, np.zeros(len(options)))
    return np.column_stack([x, y, z])


def _cell_choice(problem: _Problem, cell: str, chosen: Mapping[str, int]) -> CellChoice:
    """The words for one cell."""
    ranked = sorted(problem.of_cell[cell], key=lambda n: (-problem.values[n], n))
    others = {n for c, n in chosen.items() if c != cell}
    pick = chosen.get(cell)
    reserves = _reserves(problem, ranked, pick, others)
    if pick is None:
        return CellChoice(cell, None, reserves, _no_camera(problem, ranked, others), "")
    option, best = problem.options[pick], problem.options[ranked[0]]
    reason, traded = f"{_called(option)} is the best spot of the cell", ""
    if problem.values[ranked[0]] > problem.values[pick] + _TIE:
        reason = f"{_called(option)} is the best spot that goes together with the other cells"
        traded = f"{_called(best)} would be better, but {_against(problem, ranked[0], others)}."
    else:
        top = max(ranked, key=lambda n: (problem.options[n].score, -n))
        if problem.options[top].score > option.score + _TIE:
            called = _called(problem.options[top])
            traded = f"{called} scores more, but its parcel comes later by priority."
    over = _over_share(problem, pick, others)
    return CellChoice(cell, option, reserves, f"{reason}{over}.", traded)


def _called(option: Option) -> str:
    return f"{option.parcel} spot {option.spot} ({round(100 * option.score)} points)"


def _reserves(
    problem: _Problem, ranked: Sequence[int], pick: int | None, others: AbstractSet[int]
) -> tuple[Option, ...]:
    """The best spots of other parcels of the cell that keep apart from the other cells' cameras."""
    taken = set() if pick is None else {problem.options[pick].parcel}
    out: list[Option] = []
    for n in ranked:
        option = problem.options[n]
        free = others.isdisjoint(problem.distance.near.get(n, ()))
        if option.parcel not in taken and free and len(out) < problem.rules.reserves:
            out.append(option)
            taken.add(option.parcel)
    return tuple(out)


def _nearest(problem: _Problem, n: int, others: AbstractSet[int]) -> tuple[str, str] | None:
    """Cell and distance of the nearest camera that is too near an option; None when none is."""
    near = [m for m in problem.distance.near.get(n, ()) if m in others]
    if not near:
        return None
    m = min(near, key=lambda other: problem.distance.between(n, other))
    return problem.options[m].cell, length(problem.distance.between(n, m))


def _no_camera(problem: _Problem, ranked: Sequence[int], others: AbstractSet[int]) -> str:
    if not ranked:
        return "No parcel of the cell has a spot that scores enough."
    best = _called(problem.options[ranked[0]])
    found = _nearest(problem, ranked[0], others)
    if found is None:
        return f"The time for the choice ended before {best} could be placed."
    asked = length(problem.rules.distance_m)
    return (
        f"Every spot lies within {asked} of the camera of another cell: {best} is {found[1]} from "
        f"that of cell {found[0]}."
    )


def _against(problem: _Problem, n: int, others: AbstractSet[int]) -> str:
    """Why an option was not chosen, the choices of the other cells given."""
    found = _nearest(problem, n, others)
    if found is not None:
        asked = length(problem.rules.distance_m)
        return f"it lies {found[1]} from the camera of cell {found[0]}; {asked} are asked"
    kind, cameras = problem.options[n].kind, len(others) + 1
    used = sum(1 for m in others if problem.options[m].kind == kind)
    return (
        f"{used} of the {cameras} cameras already stand at this kind of place ({kind}); at most "
        f"{problem.most(kind, cameras)} are asked"
    )


def _over_share(problem: _Problem, pick: int, others: AbstractSet[int]) -> str:
    kind, cameras = problem.options[pick].kind, len(others) + 1
    used = 1 + sum(1 for m in others if problem.options[m].kind == kind)
    most = problem.most(kind, cameras)
    if used <= most:
        return ""
    return (
        f"; with it {used} of the {cameras} cameras stand at this kind of place ({kind}), more "
        f"than the {most} asked, since no other choice fills as many cells"
    )
