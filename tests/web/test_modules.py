"""The pages' modules: their own tests, and the same answers as Python gives."""

from __future__ import annotations

import base64
import subprocess
import zlib
from pathlib import Path

import numpy as np
import pytest

from siting.criteria import CRITERIA
from siting.lengths import area, compass_word, index_text, length
from siting.report.page import cells
from siting.report.shared import overlays
from siting.scoring.combine import combine, parts_of
from siting.settings.load import protocol_for
from siting.settings.ratios.targets import TARGETS
from tests.map_result import map_result
from tests.web.node import node, run_module

HERE = Path(__file__).parent
# Level and strategy: stored, quick, best, fixed codes, no repeats.
PACKINGS = ((0, 0), (1, 0), (9, 0), (9, zlib.Z_FIXED), (6, zlib.Z_HUFFMAN_ONLY))


def test_the_modules_own_tests_pass():
    files = sorted(str(path) for path in HERE.glob("*.test.mjs"))
    assert len(files) >= 6
    done = subprocess.run([node(), "--test", *files], capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stdout + done.stderr


@pytest.mark.parametrize("target", TARGETS)
def test_the_page_computes_as_numpy_does(target):
    """Random memberships and ratios, every criterion of the protocol: index and its parts."""
    rules = protocol_for(target)
    rng = np.random.default_rng(5)
    cases, want, parts_wanted = [], [], []
    for _ in range(50):
        parts = {row.name: rng.random().__round__(4) for row in CRITERIA}
        ratios = {
            row.name: float(
                np.exp(rng.normal(0, 0.5) if row.kind == "attractor" else -rng.random())
            )
            for row in CRITERIA
        }
        arrays = {n: np.array([v], dtype=np.float64) for n, v in parts.items()}
        logs = {n: float(np.log(ratio)) for n, ratio in ratios.items()}
        want.append(float(combine(arrays, weights=logs, scoring=rules.scoring).total[0]))
        found = parts_of(arrays, weights=logs, scoring=rules.scoring)
        parts_wanted.append({name: float(part[0]) for name, part in found.items()})
        cases.append([parts, ratios])
    criteria = [{"name": row.name, "group": row.kind, "fact": row.group} for row in CRITERIA]
    data = {
        "cases": cases,
        "rules": {"criteria": criteria, "second_share": rules.scoring.second_share},
    }
    got = run_module(
        "model/score.js",
        "return data.cases.map(([p, w]) => m.totalScore((n) => p[n], w, data.rules));",
        data,
    )
    assert got == pytest.approx(want, rel=2e-7)  # combine rounds to float32
    parts_got = run_module(
        "model/score.js",
        "return data.cases.map(([p, w]) => m.logParts((n) => p[n], w, data.rules));",
        data,
    )
    for mine, theirs in zip(parts_wanted, parts_got, strict=True):
        assert {k: v + 0.0 for k, v in theirs.items()} == pytest.approx(mine, abs=1e-12)
        assert sum(theirs.values()) == pytest.approx(sum(mine.values()), abs=1e-12)


def test_an_index_is_worded_as_in_python():
    values = [0.04, 0.25, 0.349, 0.35, 0.95, 1.0, 1.05, 2.449, 9.949, 9.96, 10.5, 12.6]
    got = run_module(
        "model/lengths.js", "return data.map((v) => m.indexWords(m.tenths(v)));", values
    )
    assert got == [index_text(v) for v in values]


def test_colours_stand_where_python_puts_them():
    rng = np.random.default_rng(3)
    values = np.exp(rng.normal(0.2, 0.6, 300)).astype(np.float32)
    scale = {"palette_from": overlays.DARKEST_INDEX, "palette_to": overlays.BRIGHTEST_INDEX}
    got = run_module(
        "model/score.js",
        "return data.values.map((v) =>\n"
        "  Math.min(19, Math.floor(m.shadeOf(v, data.scale) * 20 + 1e-6)));",
        {"values": [float(v) for v in values], "scale": scale},
    )
    assert got == [int(c) - 1 for c in overlays.score_classes(values)]


def test_lengths_and_directions_are_worded_as_in_python():
    metres = [0.2, 0.4, 6.3, 9.6, 10.4, 14.5, 49.4, 49.6, 54.9, 55.1, 128, 994, 996, 1449, 12_345]
    bearings = list(range(0, 360, 5))
    got = run_module(
        "model/lengths.js",
        "return [data[0].map(m.aboutWords), data[1].map(m.windOf)];",
        [metres, bearings],
    )
    assert got == [[length(v) for v in metres], [compass_word(b) for b in bearings]]


def test_areas_are_worded_as_in_python():
    hectares = [0.003, 0.04, 0.06, 0.3, 0.4, 0.41, 1.0, 2.7, 16.04, 39.96, 405.0, 1234.5]
    got = run_module("model/lengths.js", "return data.map(m.areaWords);", hectares)
    assert got == [area(ha * 1e4) for ha in hectares]


def test_the_plain_inflater_reads_what_zlib_wrote():
    """Old browsers have no DecompressionStream: our reader of RFC 1951 against zlib's writer."""
    rng = np.random.default_rng(9)
    runs = rng.integers(0, 5, 4000).astype(np.uint8).tobytes() + bytes(3000)
    cases, want = [], []
    for data in (b"", b"a", runs, rng.bytes(5000), b"abc" * 700):
        for level, strategy in PACKINGS:
            packer = zlib.compressobj(level, zlib.DEFLATED, -15, 9, strategy)
            packed = packer.compress(data) + packer.flush()
            cases.append([base64.b64encode(packed).decode(), len(data)])
            want.append(list(data))
    got = run_module(
        "model/inflate.js",
        "return data.map(([text, size]) => Array.from("
        'm.inflateHere(new Uint8Array(Buffer.from(text, "base64")), size)));',
        cases,
    )
    assert got == want


def test_cells_come_back_and_the_nearest_better_one_is_the_nearest():
    """Every plane bit for bit; the search against one over all cells in numpy."""
    result = map_result()
    grid, total = result.land.grid, result.scores.total
    packed = cells.pack(result.scores.memberships, total=total, no_go=result.no_go, grid=grid)
    places = [(540222.0, 4820222.0), (540262.0, 4820183.0), (540140.0, 4820380.0)]
    got = run_module(
        "model/cells.js",
        "const read = await m.readCells(data.packed);\n"
        "const points = (k) => m.shownHundredths(read.total[k]);\n"
        "return { total: Array.from(read.total), bits: Array.from(read.bits),\n"
        "  near: data.places.map(([e, n]) => m.nearestCell(data.packed, e, n, (k) =>\n"
        "    !read.bits[k] && points(k) >= points(m.cellAt(data.packed, e, n)) + 1).metres) };",
        {"packed": packed.as_data(), "places": places},
    )
    top, left = (int(v) for v in grid.rowcol(packed.grid.left + 1, packed.grid.top - 1))
    part = (slice(top, top + packed.grid.n_rows), slice(left, left + packed.grid.n_cols))
    inside = (result.no_go[part] & 1) == 0
    codes = np.where(inside, cells.encoded(total[part] / 10), cells.UNKNOWN)
    assert got["total"] == codes.ravel().tolist()
    assert got["bits"] == result.no_go[part].ravel().tolist()
    points = np.rint(np.nan_to_num(total).astype(np.float64) * 10)
    easting, northing = grid.xy(*np.mgrid[0 : grid.n_rows, 0 : grid.n_cols])
    allowed = (result.no_go == 0) & np.isfinite(total)
    for place, metres in zip(places, got["near"], strict=True):
        row, col = (int(v) for v in grid.rowcol(*place))
        far = np.hypot(easting - place[0], northing - place[1])
        assert metres == pytest.approx(far[allowed & (points >= points[row, col] + 1)].min())
