"""Survey cells: the integer program against trying every choice; distances, shares, reasons."""

from __future__ import annotations

import itertools
import math
from dataclasses import replace

import numpy as np
import pytest
from geographiclib.geodesic import Geodesic
from hypothesis import given, settings
from hypothesis import strategies as st

from siting.batch.survey.assign import Assignment, assign
from siting.batch.survey.assign_program import Option, place_kind
from siting.criteria import attractors
from siting.errors import SitingError
from siting.lengths import length
from siting.settings.protocol import Protocol
from siting.settings.protocol_assign import AssignRules, AssignShare

LON, LAT = -80.5, 43.5
M_PER_DEG_LAT = 111_100.0
M_PER_DEG_LON = M_PER_DEG_LAT * math.cos(math.radians(LAT))


def option(cell, parcel, x_m, y_m=0.0, *, score=0.8, kind="trail", spot=1, priority=float("nan")):
    return Option(cell, parcel, spot, LON + x_m / M_PER_DEG_LON, LAT + y_m / M_PER_DEG_LAT,
        score, kind, priority)  # fmt: skip


def rules(**changes) -> AssignRules:
    given_share = changes.pop("share", 1.0)
    share = AssignShare(**dict.fromkeys(AssignShare.model_fields, given_share))
    return AssignRules(share=share, **{"distance_m": 1000.0, "lowest": 0.0, **changes})


def metres(a: Option, b: Option) -> float:
    return float(Geodesic.WGS84.Inverse(a.lat, a.lon, b.lat, b.lon)["s12"])


def cameras(found: Assignment) -> list[Option]:
    return [c.chosen for c in found.cells if c.chosen]


def value(o: Option, options, step) -> float:
    """The score less the priority's cost, by the words of the protocol."""
    known = [p.priority for p in options if p.cell == o.cell and not math.isnan(p.priority)]
    if not known:
        return o.score
    own = max(known) + 1 if math.isnan(o.priority) else o.priority
    return o.score - step * (own - min(known))


def excess(chosen, share: float) -> int:
    most = max(math.ceil(share * len(chosen) - 1e-9), 1)
    kinds = [o.kind for o in chosen]
    return sum(max(kinds.count(k) - most, 0) for k in set(kinds))


def best_by_trying(options, cells, r: AssignRules, share: float, *, apart=True):
    """The greatest (cameras, -excess, value) over every choice of at most one spot to a cell."""
    lists = [[None, *(o for o in options if o.cell == c)] for c in cells]
    best = (-1, 0, 0.0)
    for picks in itertools.product(*lists):
        chosen = [p for p in picks if p is not None]
        near = any(metres(a, b) < r.distance_m for a, b in itertools.combinations(chosen, 2))
        if apart and near:
            continue
        total = sum(value(o, options, r.priority_step) for o in chosen)
        best = max(best, (len(chosen), -excess(chosen, share), round(total, 9)))
    return best


CASES = st.lists(
    st.tuples(
        st.integers(0, 3),  # cell
        st.integers(0, 12),  # place, in steps of 300 m
        st.integers(0, 20),  # score, twentieths
        st.sampled_from(["trail", "water", "edge"]),
        st.sampled_from([1.0, 2.0, 3.0, float("nan")]),
    ),
    min_size=1,
    max_size=9,
)


def built(rows) -> list[Option]:
    return [
        option(f"C{c}", f"P{n}", 300.0 * x, score=s / 20, kind=k, priority=p)
        for n, (c, x, s, k, p) in enumerate(rows)
    ]


@settings(deadline=None, max_examples=120)
@given(rows=CASES, share=st.sampled_from([0.34, 0.5, 1.0]))
def test_equals_trying_every_choice(rows, share):
    options = built(rows)
    cells = sorted({o.cell for o in options})
    r = rules(share=share)
    found = assign(options, cells=cells, rules=r)
    chosen = cameras(found)
    got = (len(chosen), -excess(chosen, share),
        round(sum(value(o, options, r.priority_step) for o in chosen), 9))  # fmt: skip
    wanted = best_by_trying(options, cells, r, share)
    assert got[:2] == wanted[:2]
    assert got[2] == pytest.approx(wanted[2], abs=1e-6)
    assert found.gap == 0.0


def test_the_twin_without_distances_is_caught():
    """A planted fault: leaving out the distances gives another answer in this case."""
    options = [option("A", "P1", 0, score=0.9), option("B", "P2", 300, score=0.9),
        option("B", "P3", 1500, score=0.5)]  # fmt: skip
    r = rules()
    assert best_by_trying(options, ["A", "B"], r, 1.0) == (2, 0, 1.4)
    assert best_by_trying(options, ["A", "B"], r, 1.0, apart=False) == (2, 0, 1.8)
    assert [o.parcel for o in cameras(assign(options, cells=["A", "B"], rules=r))] == ["P1", "P3"]


@settings(deadline=None, max_examples=60)
@given(rows=CASES)
def test_distances_kept_and_every_cell_told(rows):
    options = built(rows)
    cells = ["C0", "C1", "C2", "C3", "C4"]
    found = assign(options, cells=cells, rules=rules(share=0.5))
    for a, b in itertools.combinations(cameras(found), 2):
        # Places are steps of 300 m, so nothing lies within metres of the limit.
        assert metres(a, b) > 999.0
    assert [c.cell for c in found.cells] == cells
    for choice in found.cells:
        assert choice.reason.endswith(".")
        assert choice.chosen is None or choice.chosen.cell == choice.cell
        assert len({o.parcel for o in choice.reserves}) == len(choice.reserves) <= 2
        if choice.chosen:
            assert choice.chosen.parcel not in {o.parcel for o in choice.reserves}
        better = [o for o in options if o.cell == choice.cell and choice.chosen
            and value(o, options, 0.1) > value(choice.chosen, options, 0.1) + 1e-6]  # fmt: skip
        assert not better or choice.traded


def test_the_distance_is_told_as_the_reason():
    options = [option("A", "P1", 0, score=0.9), option("B", "P2", 600, score=0.9),
        option("B", "P3", 2000, score=0.6)]  # fmt: skip
    a, b = assign(options, cells=["A", "B"], rules=rules()).cells
    assert a.traded == ""
    assert b.chosen.parcel == "P3"
    away = length(metres(options[0], options[1]))
    assert b.traded == (
        f"P2 spot 1 (index 0.9) would be better, but it lies {away} from the camera of cell A, "
        "and 1.0 km (0.6 mi) is the rule."
    )


def test_the_share_is_told_as_the_reason():
    options = [option(c, f"P{c}", 3000 * n, score=0.9, kind="water") for n, c in enumerate("ABCD")]
    options.append(option("D", "PX", 9500, score=0.5, kind="edge"))
    options.append(option("C", "PY", 6500, score=0.6, kind="trail"))
    found = assign(options, cells=list("ABCD"), rules=rules(share=0.5))
    assert [o.kind for o in cameras(found)] == ["water", "water", "trail", "edge"]
    assert "2 of the 4 cameras already stand at this kind of place (water)" in found.cells[3].traded


def test_a_cell_is_filled_even_beyond_the_share():
    options = [option(c, f"P{c}", 3000 * n, kind="water") for n, c in enumerate("ABCD")]
    found = assign(options, cells=list("ABCD"), rules=rules(share=0.25))
    assert len(cameras(found)) == 4
    assert "more than the 1 that should" in found.cells[0].reason


def test_more_cells_before_a_better_spot():
    """The middle spot is the best, but it would keep both neighbours empty."""
    options = [option("A", "P1", 0, score=0.3), option("B", "P2", 800, score=1.0),
        option("C", "P3", 1600, score=0.3)]  # fmt: skip
    found = assign(options, cells=["A", "B", "C"], rules=rules())
    assert [c.chosen and c.chosen.parcel for c in found.cells] == ["P1", None, "P3"]
    assert found.cells[1].reason.startswith("Every spot lies within 1.0 km (0.6 mi) of the camera")


def test_priority_costs_what_the_protocol_says():
    first, second = (
        option("A", "P1", 0, score=0.75, priority=1),
        option("A", "P2", 50, score=0.8, priority=2),
    )
    found = assign([first, second], cells=["A"], rules=rules(priority_step=0.1)).cells[0]
    assert found.chosen is first
    assert (
        found.traded == "P2 spot 1 (index 0.8) scores more, but its parcel comes later by priority."
    )
    assert (
        assign([first, second], cells=["A"], rules=rules(priority_step=0.0)).cells[0].chosen
        is second
    )
    assert [o.parcel for o in found.reserves] == ["P2"]


def test_reserves_keep_apart_from_other_cells():
    options = [option("A", "P1", 0, score=0.9), option("A", "P2", 1500, score=0.8),
        option("A", "P3", 100, score=0.7), option("B", "P4", 2000, score=0.9)]  # fmt: skip
    found = assign(options, cells=["A", "B"], rules=rules()).cells[0]
    assert [o.parcel for o in found.reserves] == ["P3"]


def test_a_distance_at_the_very_limit_is_kept():
    """Vertical pair on one meridian; the limit is set from GeographicLib's own distance."""
    a, b = option("A", "P1", 0), option("B", "P2", 0, 2000.0)
    s = metres(a, b)
    near = assign([a, b], cells=["A", "B"], rules=rules(distance_m=s + 0.01))
    far = assign([a, b], cells=["A", "B"], rules=rules(distance_m=s - 0.01))
    assert (len(cameras(near)), len(cameras(far))) == (1, 2)


def test_across_the_antimeridian():
    a = Option("A", "P1", 1, 179.999, -17.0, 0.9, "trail")
    b = Option("B", "P2", 1, -179.999, -17.0, 0.9, "trail")
    assert len(cameras(assign([a, b], cells=["A", "B"], rules=rules()))) == 1


def test_weak_and_late_spots_are_not_proposed():
    options = [option("A", "P1", 0, score=0.1), option("A", "P1", 50, score=0.9, spot=9)]
    found = assign(options, cells=["A"], rules=rules(lowest=0.2, spots_per_parcel=3)).cells[0]
    assert found.chosen is None
    assert found.reason == "No parcel of the cell has a spot that scores enough."


def test_no_cell_is_an_error():
    with pytest.raises(SitingError, match="E-ASSIGN-01"):
        assign([], cells=[], rules=rules())


def test_every_attractor_has_a_kind_of_place():
    assert all(place_kind(name) != "other" for name in attractors())
    assert {place_kind(name) for name in attractors()} == set(AssignShare.model_fields)
    assert Protocol().assign.distance_m == 1000.0


@pytest.mark.slow
def test_a_thousand_cells_in_time():
    """What an office may ask: 1,000 cells of 2.5 km with 5 parcels of 3 spots each."""
    rng = np.random.default_rng(1)
    options = []
    for k in range(1000):
        x, y = 2500 * (k % 32), 2500 * (k // 32)
        for p in range(5):
            px, py = rng.uniform(0, 2100, 2)
            for s in range(3):
                kind = ["trail", "water", "edge", "passage"][rng.integers(4)]
                dx, dy = rng.uniform(0, 400, 2)
                options.append(option(f"C{k:04d}", f"P{k}-{p}", x + px + dx, y + py + dy,
                    score=float(rng.uniform(0.2, 1)), kind=kind, spot=s + 1))  # fmt: skip
    found = assign(options, cells=sorted({o.cell for o in options}), rules=rules(share=0.3))
    assert len(cameras(found)) == 1000
    assert found.gap < 0.01


def test_a_scant_parcel_is_told_as_a_caveat():
    scant = replace(option("A", "P1", 0.0), usable_share=0.03)
    enough = replace(option("B", "P2", 9000.0), usable_share=0.05)
    found = assign([scant, enough], cells=["A", "B"], rules=rules())
    told = {choice.cell: choice.reason for choice in found.cells}
    assert "only 3\u00a0% of its parcel is open to a camera" in told["A"]
    assert "open to a camera" not in told["B"]


def test_a_parcel_with_one_place_is_not_proposed_without_a_word():
    single = replace(option("A", "P1", 0.0), of_spots=1)
    (cell,) = assign([single], cells=["A"], rules=rules()).cells
    assert "no second place to go to" in cell.reason
    assert "no second place to go to" in cell.because
    (cell,) = assign([option("A", "P1", 0.0)], cells=["A"], rules=rules()).cells
    assert "no second place" not in cell.reason + cell.because


def settled(cell, parcel, x_m, *, decided, spot=1, score=0.5):
    return replace(option(cell, parcel, x_m, score=score, spot=spot), decided=decided)


def test_a_camera_that_stands_holds_its_cell_against_a_better_spot_and_a_choice():
    stands = settled("A", "P1", 0.0, decided="camera up", spot=None, score=float("nan"))
    chosen = settled("A", "P2", 500.0, decided="chosen", score=0.7)
    better = option("A", "P3", 900.0, score=0.95)
    # Within the distance that is asked for of A's camera: it must give way.
    near, far = option("B", "P4", 800.0, score=0.9), option("B", "P5", 5000.0, score=0.3)
    found = assign([better, chosen, stands, near, far], cells=["A", "B"], rules=rules())
    assert cameras(found) == [stands, far]
    assert found.cells[0].reason == "A camera stands at P1 already."
    assert "P3" in {o.parcel for o in found.cells[0].reserves}
    without = assign([better, near, far], cells=["A", "B"], rules=rules())
    assert better in cameras(without)


def test_two_cameras_that_stand_too_near_are_left_where_they_are():
    one = settled("A", "P1", 0.0, decided="camera up")
    two = settled("B", "P2", 100.0, decided="chosen")
    assert cameras(assign([one, two], cells=["A", "B"], rules=rules())) == [one, two]


def test_a_choice_below_the_lowest_score_still_counts():
    weak = settled("A", "P1", 0.0, decided="chosen", score=0.1, spot=9)
    found = assign([weak], cells=["A"], rules=rules(lowest=0.5, spots_per_parcel=2))
    assert cameras(found) == [weak]
    assert found.cells[0].reason == "P1 spot 9 (index 0.1) was chosen for the camera."


def test_a_higher_index_by_maps_that_not_all_have_is_explained():
    """Parcels are compared by what all were judged by: the lower number may come first."""
    mapped = replace(option("C1", "P1", 0, score=2.8), fair=0.5)
    plain = option("C1", "P2", 300, score=1.6)
    (found,) = assign([mapped, plain], cells=["C1"], rules=rules()).cells
    assert found.chosen == plain
    assert found.traded == (
        "P1 spot 1 (index 2.8) scores more, but only by maps that not all parcels have."
    )
    assert found.because == "it is the best place we know in your part of the survey"


def test_a_volunteer_hears_what_draws_animals_there():
    """Issue 19: "the best place we know in cell C2" only said the proposal again."""
    draws = "animals are likely to cross the stream there"
    asked = replace(option("C1", "P1", 0), draws=draws)
    (found,) = assign([asked], cells=["C1"], rules=rules()).cells
    assert found.because.startswith(draws)
    assert "best place" not in found.because
    assert "C1" not in found.because


def test_an_open_question_never_goes_first_within_a_tie():
    """The page said "Start with spot 2", the proposal for the cell spot 1: a trail nobody knows."""
    unknown = replace(option("C1", "P1", 0, score=1.4), doubt="use", asked=1.1)
    second = option("C1", "P1", 200, score=1.2, kind="water", spot=2)
    (found,) = assign([unknown, second], cells=["C1"], rules=rules()).cells
    assert found.chosen == second
    assert found.traded == (
        "P1 spot 1 (index 1.4) scores more, but we do not know who uses the trail there."
    )
    # Neither on the same land nor on that of a neighbour; beyond the tie it stays ahead.
    near, beyond = option("C1", "P2", 500, score=1.2), option("C1", "P2", 500, score=1.0)
    assert assign([unknown, near], cells=["C1"], rules=rules()).cells[0].chosen == near
    (alone,) = assign([unknown, beyond], cells=["C1"], rules=rules()).cells
    assert alone.chosen == unknown
    assert "we do not know who uses the trail there: look at it before" in alone.reason
    assert "we do not know who uses the trail there" in alone.because


def test_open_questions_do_not_fill_up_what_may_be_asked_for():
    asked = [
        replace(option("C1", "P1", 200 * n, score=1.5 - n / 100, spot=n), doubt="derived", asked=1)
        for n in range(1, 4)
    ]
    fourth = option("C1", "P1", 800, score=1.3, spot=4)
    (found,) = assign([*asked, fourth], cells=["C1"], rules=rules(spots_per_parcel=3)).cells
    assert found.chosen == fourth
