"""Laws of scores and of candidates that hold for every piece of land."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import shapely
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp

from siting.criteria import CRITERIA, attractors, conditions
from siting.ground.layers import build_ground
from siting.ground.no_go import no_go_bits
from siting.ground.travel.passage import with_passage
from siting.kernels.curves import membership
from siting.scoring.choose import choose
from siting.scoring.combine import combine, memberships, parts_of
from siting.scoring.search import HeadingEffect, find_places
from siting.settings.protocol import Protocol
from siting.settings.protocol_score import Scoring
from siting.types import Candidate, NoGo
from tests.fake_result import GRID, fake_land

PROTOCOL = Protocol()
ATTRACTORS, CONDITIONS = tuple(attractors()), tuple(conditions())
NAMES = (*ATTRACTORS, *CONDITIONS)
parts = hnp.arrays(np.float32, (len(NAMES), 7), elements=st.floats(0, 1, width=32))
# Logarithms of ratios: attractors may keep animals away, conditions only take away.
weights = st.tuples(
    *(st.floats(-1, 1.5) for _ in ATTRACTORS), *(st.floats(-1.5, 0) for _ in CONDITIONS)
).map(list)
drawing = st.tuples(
    *(st.floats(0, 1.5) for _ in ATTRACTORS), *(st.floats(-1.5, 0) for _ in CONDITIONS)
).map(list)


def named(values):
    return dict(zip(NAMES, values, strict=True))


@settings(deadline=None)
@given(
    st.lists(st.tuples(st.integers(0, 500), st.floats(0, 1)), min_size=2, max_size=6),
    hnp.arrays(np.float64, 20, elements=st.floats(-100, 1000)),
)
def test_membership_lies_in_0_to_1_and_rises_where_the_knots_rise(knots, values):
    at = sorted({x for x, _ in knots})
    assume(len(at) >= 2)
    levels = sorted(y for _, y in knots)[: len(at)]
    out = membership(np.sort(values), list(zip(at, levels, strict=True)))
    assert ((out >= 0) & (out <= 1)).all()
    assert (np.diff(out) >= 0).all()
    assert np.isnan(membership(np.array([np.nan]), [(0, 0.0), (1, 1.0)])).all()


@settings(deadline=None, max_examples=50)
@given(hnp.arrays(np.float32, 12, elements=st.floats(0, 2000, width=32)))
def test_every_membership_of_the_default_protocol_lies_in_0_to_1(values):
    layers = {row.name: row.layer for row in CRITERIA}
    found = memberships(
        dict.fromkeys(layers.values(), values),
        attractors=PROTOCOL.attractors,
        conditions=PROTOCOL.conditions,
    )
    assert list(found) == list(NAMES)
    for out in found.values():
        assert ((out >= 0) & (out <= 1)).all()


def index_of(values, logs, share=0.3):
    return combine(named(values), weights=named(logs), scoring=Scoring(second_share=share))


@settings(deadline=None)
@given(parts, weights)
def test_the_index_is_its_two_factors_and_the_parts_add_up_to_its_logarithm(values, logs):
    found = index_of(values, logs)
    np.testing.assert_allclose(found.total, found.attraction * found.conditions, rtol=1e-5)
    assert (found.conditions <= 1 + 1e-6).all()
    pieces = parts_of(named(values), weights=named(logs), scoring=Scoring())
    assert list(pieces) == list(NAMES)
    np.testing.assert_allclose(sum(pieces.values()), np.log(found.total), atol=1e-5)
    for group in {row.group for row in CRITERIA if row.kind == "attractor"}:
        members = [pieces[n] for n, row in attractors().items() if row.group == group]
        assert (np.sum([part > 0 for part in members], axis=0) <= 2).all()
        assert (np.sum([part < 0 for part in members], axis=0) <= 1).all()


@settings(deadline=None)
@given(parts, weights, st.floats(0.1, 2))
def test_all_weights_halved_or_doubled_leave_the_order(values, logs, factor):
    plain = np.log(index_of(values, logs).total)
    scaled = np.log(index_of(values, [factor * w for w in logs]).total)
    np.testing.assert_allclose(scaled, factor * plain, atol=2e-5)


@settings(deadline=None)
@given(parts, drawing, st.sampled_from(NAMES))
def test_a_layer_that_is_not_given_leaves_the_places_it_does_not_concern(values, logs, name):
    """A place far from any trail, or with quiet in full, has the same index without the layer."""
    values = values.copy()
    values[NAMES.index(name), :3] = 0.0 if name in ATTRACTORS else 1.0
    whole = index_of(values, logs).total
    less = {n: v for n, v in named(values).items() if n != name}
    without = combine(less, weights=named(logs), scoring=Scoring()).total
    np.testing.assert_allclose(without[:3], whole[:3], rtol=1e-5)
    if name in ATTRACTORS:
        assert (without <= whole * (1 + 1e-5)).all()
    else:
        assert (without >= whole * (1 - 1e-5)).all()


@settings(deadline=None)
@given(parts, drawing, hnp.arrays(np.float32, len(NAMES), elements=st.floats(0, 1, width=32)))
def test_a_dominated_candidate_never_ranks_above_its_dominator(values, logs, share):
    values = values.copy()
    values[:, 1] = values[:, 0] * share
    total = index_of(values, logs).total
    assert total[0] >= total[1] * (1 - 1e-6)
    places = tuple(Candidate(k, 0, 500.0 * k, 0.0, float(t), 1) for k, t in enumerate(total))
    order = choose(total, places, spacing_m=1.0, most=len(places))
    if total[0] > total[1] + 2e-6:
        assert order.index(0) < order.index(1)


@settings(deadline=None)
@given(parts, hnp.arrays(np.float64, (4, len(NAMES)), elements=st.floats(-1, 1)))
def test_many_weights_at_once_are_the_same_as_one_by_one(values, drawn):
    columns = {name: drawn[:, k : k + 1] for k, name in enumerate(NAMES)}
    together = combine(named(values), weights=columns, scoring=Scoring()).total
    for row, weight in zip(together, drawn, strict=True):
        alone = combine(named(values), weights=named(weight.tolist()), scoring=Scoring()).total
        np.testing.assert_allclose(row, alone, rtol=1e-5)


parcels = st.builds(
    lambda x, y, w, h, turn: shapely.affinity.rotate(
        shapely.box(540000 + x, 4820000 + y, 540000 + x + w, 4820000 + y + h), turn
    ),
    st.integers(60, 250),
    st.integers(60, 250),
    st.integers(60, 250),
    st.integers(60, 250),
    st.integers(0, 89),
)


def candidates_of(parcel, *, spacing_m=30.0):
    """(bits, candidates, chosen spots) of an invented land with another parcel."""
    land = fake_land(parcel_shape=parcel)
    row, col = np.indices(GRID.shape)
    score = ((np.sin(row / 5.0) * np.cos(col / 6.0) + 1) / 2).astype(np.float32)
    bits = no_go_bits(
        land,
        slope_deg=np.full(GRID.shape, 3.0, dtype=np.float32),
        role=land.role,
        rules=PROTOCOL.no_go,
    )
    found = find_places(
        score,
        bits == 0,
        grid=GRID,
        look=lambda easting, northing: np.ones(len(easting)),
        effect=HeadingEffect(-0.2, ((0, 0), (1, 1))),
        spacing_m=spacing_m / 2,
        most=100,
        lowest=0.05,
        most_looks=10_000,
    ).candidates
    total = np.array([c.score for c in found])
    chosen = choose(total, found, spacing_m=spacing_m, most=10) if found else []
    return bits, found, [found[i] for i in chosen]


def apart(places):
    at = np.array([(p.easting, p.northing) for p in places]).reshape(-1, 2)
    away = np.hypot(*(at[:, None] - at[None]).transpose(2, 0, 1))
    return away[~np.eye(len(at), dtype=bool)]


@settings(deadline=None, max_examples=60)
@given(parcels, st.integers(10, 90))
def test_candidates_keep_inside_clear_of_no_go_and_apart(parcel, spacing):
    bits, found, chosen = candidates_of(parcel, spacing_m=float(spacing))
    for place in found:
        assert parcel.contains(shapely.Point(place.easting, place.northing))
        assert parcel.boundary.distance(shapely.Point(place.easting, place.northing)) > 9.99
        assert bits[place.row, place.col] == 0
    assert (apart(found) >= spacing / 2 - 1e-6).all()
    assert (apart(chosen) >= spacing - 1e-6).all()


@settings(deadline=None, max_examples=60)
@given(parcels, st.floats(1, 40))
def test_a_smaller_parcel_never_puts_a_candidate_outside_the_old_one(parcel, less):
    smaller = parcel.buffer(-less)
    assume(not smaller.is_empty)
    before, _, _ = candidates_of(parcel)
    bits, found, _ = candidates_of(smaller)
    allowed_before = (before & ~np.uint16(NoGo.BOUNDARY)) == 0
    assert allowed_before[bits == 0].all()
    for place in found:
        assert parcel.contains(shapely.Point(place.easting, place.northing))


@settings(deadline=None, max_examples=8)
@given(st.integers(0, 2**31 - 1))
def test_the_order_of_features_in_a_layer_does_not_matter(seed):
    plain = fake_land()
    rng = np.random.default_rng(seed)
    shuffled = {
        name: frame.iloc[rng.permutation(len(frame))].reset_index(drop=True)
        for name, frame in plain.vectors.items()
    }
    one, other = (ground_of(land) for land in (plain, replace(plain, vectors=shuffled)))
    assert one.features == other.features
    for name, values in one.layers.items():
        np.testing.assert_array_equal(values, other.layers[name], err_msg=name)


def ground_of(land):
    frames = {
        name: frame.assign(name=frame.get("name", ""), kind=frame.get("kind", ""))
        for name, frame in land.vectors.items()
    }
    land = replace(land, vectors=frames)
    ground = build_ground(
        land,
        cover=PROTOCOL.cover,
        camera=PROTOCOL.camera,
        drainage=PROTOCOL.drainage,
        disturbance=PROTOCOL.disturbance,
        brush_m=(PROTOCOL.heading.brush_least_m, PROTOCOL.heading.brush_most_m),
    )
    return with_passage(
        land, ground, travel=PROTOCOL.travel, sought=PROTOCOL.features, drained=PROTOCOL.drainage
    )
