"""Steps that the desk remembers: after any series of edits the result is that of a cold run."""

from __future__ import annotations

import os
import shutil
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import pytest

from siting.desk import worker
from siting.disk.states import state_at_path
from siting.kernels.remembered import Memory, remembered
from siting.pipeline import _measure
from siting.scoring.cells import score_cells
from siting.types import Land, Scores
from tests.desk.edits import SAMPLE, moved, outlined, sample, series

# Wide cells: what is remembered does not depend on them, and each edit takes a second.
CELL_M = 20.0
EDITS = int(os.environ.get("SITING_EDITS", "10"))


@pytest.fixture(scope="module")
def base():
    return sample(CELL_M)


def fingerprint(value):
    """Of all that a result holds: what is written follows from it alone."""
    scores = getattr(value, "scores", value)
    if isinstance(scores, Scores):
        # A plain run works memberships out where they are asked for: a mapping of another kind.
        scores = replace(scores, memberships=dict(scores.memberships))
        value = scores if isinstance(value, Scores) else replace(value, scores=scores)
    return Memory().fingerprint(value)


@pytest.mark.slow
def test_after_each_of_a_series_of_edits_the_result_is_that_of_a_cold_run(base):
    memory = Memory()
    for number, case in enumerate(series(20261126, EDITS, base)):
        with memory.at_work():
            warm = case.result()
        assert fingerprint(warm) == fingerprint(case.result()), f"edit {number}"
    assert not memory.unknown
    untouched(memory)


def untouched(memory: Memory) -> None:
    """No array that a step was given or gave has been written to since its digest was taken."""
    for reference, digest in list(memory.fingerprints.kept.values()):
        kept = reference()
        if isinstance(kept, np.ndarray):
            assert fingerprint(kept) == digest


@pytest.fixture(scope="module")
def warmed(base):
    """A memory that has seen the sample as it is, and the result of that run."""
    memory = Memory()
    with memory.at_work():
        first = base.result()
    return memory, first


EXPECTED = {
    "feeders": ({"within"}, {"quietness", "score_cells", "surroundings", "build_net"}),
    "no_go": ({"within", "build_net"}, {"quietness", "score_cells", "surroundings"}),
    "way_in": ({"build_net"}, {"within", "score_cells", "surroundings"}),
    "livestock": ({"distance_everywhere", "surroundings"}, {"quietness", "funnel_ratio"}),
    "trails": ({"quietness", "score_cells", "followed_lines"}, {"funnel_ratio", "felt_distance"}),
    "crossings": ({"_crossings", "score_cells"}, {"quietness", "funnel_ratio"}),
}


@pytest.mark.parametrize("layer", EXPECTED)
def test_an_edit_works_out_what_it_changes_and_no_more(base, warmed, layer):
    memory, _ = warmed
    with memory.at_work():
        replace(base, land=moved(base.land, layer, east_m=7.0)).result()
    again = {name.rsplit(".", 1)[1] for name in memory.worked}
    anew, kept = EXPECTED[layer]
    assert anew <= again
    assert not kept & again
    assert not memory.unknown


def test_nothing_changed_works_out_nothing(base, warmed):
    memory, first = warmed
    with memory.at_work():
        assert fingerprint(replace(base, land=replace(base.land)).result()) == fingerprint(first)
    assert memory.worked == {}


def test_the_index_is_worked_out_where_a_membership_has_changed(base):
    layers = _measure(base.land, base.protocol).layers
    trail = layers["distance_to_trail_m"].copy()
    trail[10:13, 20:30] += 9.0
    # The curve is flat out here: another distance, the same membership.
    trail[np.isfinite(trail) & (trail > 400.0)] += 1.0
    cold = score_cells({**layers, "distance_to_trail_m": trail}, base.protocol)
    memory = Memory()
    with memory.at_work():
        score_cells(layers, base.protocol)
        before = dict(memory.worked)
        warm = score_cells({**layers, "distance_to_trail_m": trail}, base.protocol)
        undone = score_cells(dict(layers), base.protocol)
    assert fingerprint(warm) == fingerprint(cold)
    assert fingerprint(undone) == fingerprint(score_cells(layers, base.protocol))
    membership = "siting.scoring.combine._membership"
    assert memory.worked[membership] == before[membership] + 1


def test_an_outline_works_out_what_lies_inside(base, warmed):
    memory, first = warmed
    with memory.at_work():
        drawn = replace(base, land=outlined(base.land, -4.0)).result()
    assert "siting.ground.quiet.quietness" in memory.worked
    assert "siting.ground.travel.passage.funnel_ratio" not in memory.worked
    assert fingerprint(drawn) != fingerprint(first)


def test_an_outline_drawn_a_little_farther_out_is_worked_on_the_same_grid(base, warmed):
    memory, first = warmed
    with memory.at_work():
        case = sample(CELL_M, wider_m=3.0)
        drawn = case.result()
    assert case.land.grid == base.land.grid
    worked = {name.rsplit(".", 1)[1] for name in memory.worked}
    assert "quietness" in worked
    assert not {"funnel_ratio", "flow_directions", "height_above_water_m"} & worked
    assert fingerprint(drawn) == fingerprint(case.result()) != fingerprint(first)


def test_a_grid_ends_within_a_sixteenth_of_the_context(base):
    grids = [base.land.grid]
    for wider_m in range(0, 90, 3):
        land = sample(CELL_M, wider_m=wider_m).land
        context = np.abs(np.array(land.parcel_shape.bounds) - land.grid.bounds)
        # Blocks are of whole cells, four here, and the grid covers the cells that it touches.
        assert np.all(np.abs(context - 600.0) <= 80.0 / 2 + CELL_M)
        grids.append(land.grid)
    # Blocks of 80 m: each edge moves once or twice.
    assert 2 <= len(set(grids)) <= 9


def on_wide_cells(folder):
    """The sample's inputs file in a folder of its own, worked on wide cells."""
    for name in ("dem.tif", "land_cover.tif", "layers.gpkg"):
        shutil.copy(SAMPLE.parent / name, folder)
    cells = f"\n[grid]\ncell_size_m = {CELL_M}\n"
    inputs = folder / "inputs.toml"
    inputs.write_text(SAMPLE.read_text(encoding="utf-8") + cells, encoding="utf-8")
    return inputs


def test_the_worker_remembers_and_sends_the_list_before_the_files(tmp_path):
    memory, said = Memory(), Said(tmp_path / "out")
    job = worker.Score(on_wide_cells(tmp_path), None, tmp_path / "out")
    worker._work(job, said, memory)
    assert memory.worked
    assert said.files_then == []
    first = said.listed
    worker._work(job, said, memory)
    assert memory.known
    assert memory.worked == {}
    assert said.listed == first
    assert first["features"]


def test_a_worker_told_of_a_newer_edit_leaves_no_file(tmp_path):
    said = Said(tmp_path / "out", worker.Enough())
    with pytest.raises(worker.Superseded):
        worker._work(worker.Score(on_wide_cells(tmp_path), None, said.out), said, Memory())
    assert said.listed["features"]
    assert list(said.out.glob("[!.]*")) == []


class Said:
    """What the worker says and is told, and which files are there when the list comes."""

    def __init__(self, out, told=None):
        self.out, self.listed, self.files_then = out, None, None
        self.told = told

    def poll(self):
        return self.told is not None

    def recv(self):
        return self.told

    def send(self, message):
        if message[0] == "listed":
            self.listed = message[1]
            self.files_then = [path.name for path in self.out.glob("[!.]*")]


# --- the memory itself -----------------------------------------------------------------------


@dataclass(frozen=True)
class Box:
    used: int
    unused: int
    table: dict[str, int]


@remembered("box")
def double(box: Box, *, times: int = 2) -> int:
    return box.used * times + box.table.get("a", 0)


@remembered()
def total(values: np.ndarray) -> float:
    return float(values.sum())


def worked(memory, *args, **kwargs):
    before = dict(memory.worked)
    found = double(*args, **kwargs)
    return found, memory.worked != before


def test_only_what_a_step_looked_at_counts():
    memory = Memory()
    with memory.at_work():
        assert worked(memory, Box(1, 1, {"b": 1})) == (2, True)
        assert worked(memory, Box(1, 9, {"b": 7})) == (2, False)
        assert worked(memory, Box(2, 9, {"b": 7})) == (4, True)
        assert worked(memory, Box(1, 1, {"b": 1}), times=3) == (3, True)
        # A key that was looked for and not found counts as much as one that was.
        assert worked(memory, Box(1, 1, {"a": 5})) == (7, True)
        assert worked(memory, Box(1, 1, {"b": 1})) == (2, False)
    assert double(Box(1, 1, {})) == 2


def test_equal_numbers_of_another_kind_are_another_argument():
    memory = Memory()
    found = {memory.fingerprint(v) for v in (1, 1.0, True, "1", np.float32(1), np.array([1]))}
    assert len(found) == 6
    a = np.arange(6, dtype=np.float32)
    assert memory.fingerprint(a) != memory.fingerprint(a.reshape(2, 3))
    assert memory.fingerprint(a[::2]) == memory.fingerprint(a[::2].copy())
    assert memory.fingerprint([a, a]) != memory.fingerprint([a])
    assert memory.fingerprint({"a": 1, "b": 2}) != memory.fingerprint({"b": 2, "a": 1})


def test_what_has_no_fingerprint_is_worked_out_each_time():
    memory = Memory()

    @remembered()
    def call(what: object) -> int:
        return 5

    with memory.at_work():
        assert call(object()) == call(object()) == 5
    assert memory.unknown
    assert memory.size_bytes == 0


def test_memory_is_bounded_and_the_oldest_goes_first():
    memory = Memory(most_bytes=30_000)

    @remembered()
    def zeros(n: int) -> np.ndarray:
        return np.zeros(n, dtype=np.uint8)

    with memory.at_work():
        for n in (9_000, 9_001, 9_000, 9_002):
            zeros(n)
        assert memory.size_bytes <= 30_000
        before = dict(memory.worked)
        zeros(9_000)
        assert memory.worked == before  # used more recently than 9_001
        zeros(9_001)
        assert memory.worked != before


def test_a_watched_value_must_not_come_back():
    @remembered("land")
    def given_back(land: Land) -> Land:
        return land

    with Memory().at_work(), pytest.raises(TypeError, match="watched"):
        given_back(sample(CELL_M).land)


def test_a_file_is_read_again_when_it_or_one_beside_it_has_changed(tmp_path):
    path = tmp_path / "land.json"
    calls = []

    @remembered(state=state_at_path)
    def text_of(path: str) -> str:
        calls.append(path)
        return Path(path).read_text()

    memory = Memory()
    path.write_text("a field")
    with memory.at_work():
        assert [text_of(str(path)) for _ in range(2)] == ["a field"] * 2
        assert len(calls) == 1
        path.write_text("a wood ")  # as long as before
        assert text_of(str(path)) == "a wood "
        (tmp_path / "land.json.aux.xml").write_text("moved")
        text_of(str(path))
        assert len(calls) == 3
        # What another kind of file names elsewhere may have changed unseen.
        other = path.rename(tmp_path / "land.vrt")
        assert [text_of(str(other)) for _ in range(2)] == ["a wood "] * 2
    assert len(calls) == 5
