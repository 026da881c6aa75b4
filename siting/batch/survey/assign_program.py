"""The integer program behind the choice of a spot for each survey cell."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from siting import criteria
from siting.errors import SitingError
from siting.settings.protocol_assign import AssignRules

_OTHER = "other"
TIE = 1e-9
# More than two places with a reason differ by, as a rule: an area without one comes after them.
_NOTHING_KNOWN = 1.0
# What counts more: a camera that stands, then a choice, then nothing.
_STRENGTH = {"": 0, "chosen": 1, "camera up": 2}


@dataclass(frozen=True)
class Option:
    """A spot that may become the camera of its cell.

    `priority` is 1 for the parcel to be placed first and NaN where none was given; `kind` is one
    of the place kinds of the criteria or "other"; `usable_share` is the part of its parcel that is
    open to a camera, 0..1, and `of_spots` how many spots its parcel has in all. `decided` is
    "chosen" or "camera up" for a place that a volunteer settled on; it keeps its cell. Such a
    place may be none of the parcel's spots: then `spot` is None and `score` NaN. `fair` is what
    is left of its parcel's best index by the maps that all parcels of the batch have. `plain` is
    True for an area to which nothing mapped draws animals, and `draws` says why animals pass, as a
    clause ("" for not known). `doubt` is what the spot depends on that no map shows, as a `Spot`
    has it, and `asked` the index it is asked for by; NaN is its own.
    """

    cell: str
    parcel: str
    spot: int | None
    lon: float
    lat: float
    score: float
    kind: str
    priority: float = float("nan")
    usable_share: float = 1.0
    of_spots: int = 2
    decided: str = ""
    fair: float = 1.0
    plain: bool = False
    draws: str = ""
    doubt: str = ""
    asked: float = float("nan")

    @property
    def fair_score(self) -> float:
        """The index (without a unit) by the maps all parcels have: what they are compared by."""
        return self.score * self.fair

    @property
    def asked_score(self) -> float:
        """The same (without a unit), but the least it may be where a question is open."""
        return self.fair_score if np.isnan(self.asked) else self.asked * self.fair


def place_kind(kind: str) -> str:
    """The kind of place a spot belongs to."""
    rows = criteria.attractors()
    return rows[kind].place_kind if kind in rows else _OTHER


def best_few(options: Sequence[Option], rules: AssignRules) -> list[Option]:
    """The best few spots of each parcel, in a fixed order."""
    # Of two answers that are equally good the solver returns one by the order of its input.
    ordered = sorted(options, key=lambda o: (o.cell, o.parcel, o.spot or 0))
    mine: dict[str, list[Option]] = {}
    for option in ordered:
        mine.setdefault(option.parcel, []).append(option)
    return [o for o in ordered if o.decided or _may_be_asked(o, mine[o.parcel], rules)]


def _may_be_asked(option: Option, mine: Sequence[Option], rules: AssignRules) -> bool:
    """`mine` are the options of its parcel."""
    rank = option.spot or 0
    # A spot that waits for an answer must not take the room of one that goes before it.
    passed = sum(_goes_before(option, other) for other in mine)
    passing = sum(_goes_before(other, option) for other in mine)
    return rank - passed + passing <= rules.spots_per_parcel and option.score >= rules.lowest


def _goes_before(one: Option, other: Option) -> bool:
    """Whether a spot goes before one that is higher in the list and has an open question."""
    lower = (one.spot or 0) > (other.spot or 0)
    return lower and other.doubt != "" and one.asked_score > other.asked_score


@dataclass(frozen=True)
class _Row:
    """Of these options at most (or exactly) so many; what goes beyond may count as slack."""

    members: Sequence[int]
    low: float
    high: float
    slack: int = -1


class Program:
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
        # A share of 0.07 of 100 cameras comes to 7.000000000000001, which would be rounded up to 8
        # without the allowance.
        share = float(getattr(self.rules.share, kind, 1.0))
        return max(int(np.ceil(share * cameras - TIE)), 1)

    def solve(self) -> tuple[dict[str, int], float]:
        """The chosen option of each cell that gets one, and the gap of the last step."""
        if not self.options:
            return {}, 0.0
        every = range(len(self.options))
        rows = [_Row(members, 0.0, 1.0) for members in self.of_cell.values() if members]
        rows += self._apart()
        rows += self._settled()
        filled, _, _ = self._solved(rows, gain=np.ones(len(self.options)))
        cameras = float(filled.sum())
        # Each step becomes a condition of the next: the wishes are met in their order and never
        # weighed against each other.
        rows.append(_Row(every, cameras, cameras))
        for k, kind in enumerate(self.kinds):
            members = [n for n in every if self.options[n].kind == kind]
            rows.append(_Row(members, -np.inf, float(self.most(kind, round(cameras))), slack=k))
        _, beyond, _ = self._solved(rows, gain=np.zeros(len(self.options)), slack_cost=1.0)
        on, _, gap = self._solved(rows, gain=self.values, most_slack=float(beyond.sum()))
        return {self.options[n].cell: n for n in np.flatnonzero(on > 0.5).tolist()}, gap

    def _settled(self) -> list[_Row]:
        """A cell in which a camera stands, or a place was chosen, gets no other."""
        rows = []
        for members in self.of_cell.values():
            strongest = max((_STRENGTH[self.options[n].decided] for n in members), default=0)
            if strongest:
                others = [n for n in members if _STRENGTH[self.options[n].decided] < strongest]
                kept = [n for n in members if n not in others]
                rows.append(_Row(kept, 1.0, 1.0))
                rows += [_Row(others, 0.0, 0.0)] if others else []
        return rows

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
            # No gap is allowed: the reasons given for each cell hold for an optimum only.
            options={"time_limit": self.rules.time_limit_s, "mip_rel_gap": 0.0},
        )
        if found.x is None:
            raise SitingError(
                "E-ASSIGN-01",
                f"The solver found no assignment of {count} spots: {found.message}.",
                rule=f"It may take {self.rules.time_limit_s:g} s a step (assign.time_limit_s).",
                cure="Allow more time, or lower assign.spots_per_parcel or assign.distance_m.",
            )
        # A solver keeps whole numbers within a tolerance: 0.9999999 stands for 1.
        x = np.rint(np.asarray(found.x, dtype=np.float64))
        return x[:count], x[count:], max(float(found.mip_gap or 0.0), 0.0)


def _values(options: Sequence[Option], rules: AssignRules) -> NDArray[np.float64]:
    """Index each is asked for by, less what priority and a lack of any reason cost it."""
    first: dict[str, float] = {}
    for option in options:
        if not np.isnan(option.priority):
            first[option.cell] = min(first.get(option.cell, np.inf), option.priority)
    worst: dict[str, float] = {}
    for option in options:
        if not np.isnan(option.priority):
            worst[option.cell] = max(worst.get(option.cell, -np.inf), option.priority)
    out = np.nan_to_num(np.array([o.asked_score for o in options], dtype=np.float64), nan=0.0)
    for n, option in enumerate(options):
        if option.cell in first:
            # A parcel without a priority comes after those that have one.
            own = option.priority if not np.isnan(option.priority) else worst[option.cell] + 1
            out[n] -= rules.priority_step * (own - first[option.cell])
        # Its index, near 1, says that nothing is wrong with the ground, not that anything passes.
        if option.plain and not option.decided:
            out[n] -= _NOTHING_KNOWN
    return out


class _Distances:
    """Distances between options of different cells, as far as they matter."""

    def __init__(self, options: Sequence[Option], distance_m: float) -> None:
        from scipy.spatial import cKDTree

        self.near: dict[int, list[int]] = {}
        if not options:
            self._xyz = np.zeros((0, 3))
            return
        self._xyz = geocentric(options)
        pairs = cKDTree(self._xyz).query_pairs(distance_m, output_type="ndarray")
        for i, j in sorted(map(tuple, pairs.tolist())):
            # Two places that people settled on stand as near as they stand.
            settled = options[i].decided and options[j].decided
            # A pair at the very distance asked for keeps it.
            if settled or options[i].cell == options[j].cell:
                continue
            if self.between(i, j) < distance_m:
                self.near.setdefault(i, []).append(j)
                self.near.setdefault(j, []).append(i)

    def between(self, i: int, j: int) -> float:
        """Metres between two options."""
        return float(np.linalg.norm(self._xyz[i] - self._xyz[j]))


def geocentric(options: Sequence[Option]) -> NDArray[np.float64]:
    """Positions in metres from the Earth's centre: straight distances hold across map zones.

    Over 10 km the straight line is a millimetre shorter than the way along the ground.
    """
    from siting.grid import transformer

    lon = np.array([o.lon for o in options])
    lat = np.array([o.lat for o in options])
    x, y, z = transformer("EPSG:4979", "EPSG:4978").transform(lon, lat, np.zeros(len(options)))
    return np.column_stack([x, y, z])
