"""The pages' modules: their own tests, and the same answers as Python gives."""

from __future__ import annotations

import base64
import subprocess
import zlib
from pathlib import Path

import numpy as np
import pytest

from siting.lengths import compass_word, length
from siting.report.page import cells
from siting.scoring.combine import combine
from siting.settings.protocol import Protocol, Scoring
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


@pytest.mark.parametrize("method", ["attractors and conditions", "weighted mean"])
def test_the_page_computes_as_numpy_does(method):
    """Random memberships and weights, every criterion of the protocol, both methods."""
    rules = Protocol()
    groups = dict.fromkeys(type(rules.attractors).model_fields, "attractor")
    groups |= dict.fromkeys(type(rules.conditions).model_fields, "condition")
    rng = np.random.default_rng(5)
    cases, want = [], []
    for _ in range(50):
        parts = {n: rng.random().__round__(4) for n in groups}
        weights = {n: rng.random().__round__(4) + 0.01 for n in groups}
        share = float(rng.random())
        arrays = {n: np.array([v], dtype=np.float64) for n, v in parts.items()}
        scoring = Scoring(method=method, attraction_share=share)
        want.append(float(combine(arrays, weights=weights, scoring=scoring).total[0]))
        cases.append([parts, {**weights, "attraction_share": share}])
    criteria = [{"name": n, "group": g, "weight": 1} for n, g in groups.items()]
    got = run_module(
        "model/score.js",
        "return data.cases.map(([p, w]) => m.totalScore((n) => p[n], w, data.rules));",
        {"cases": cases, "rules": {"criteria": criteria, "method": method}},
    )
    assert got == pytest.approx(want, abs=2e-7)  # combine rounds to float32


def test_lengths_and_directions_are_worded_as_in_python():
    metres = [0.2, 0.4, 6.3, 9.6, 10.4, 14.5, 49.4, 49.6, 54.9, 55.1, 128, 994, 996, 1449, 12_345]
    bearings = list(range(0, 360, 5))
    got = run_module(
        "model/lengths.js",
        "return [data[0].map(m.aboutWords), data[1].map(m.windOf)];",
        [metres, bearings],
    )
    assert got == [[length(v) for v in metres], [compass_word(b) for b in bearings]]


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
        "    !read.bits[k] && points(k) >= points(m.cellAt(data.packed, e, n)) + 5).metres) };",
        {"packed": packed.as_data(), "places": places},
    )
    top, left = (int(v) for v in grid.rowcol(packed.grid.left + 1, packed.grid.top - 1))
    part = (slice(top, top + packed.grid.n_rows), slice(left, left + packed.grid.n_cols))
    inside = (result.no_go[part] & 1) == 0
    codes = np.where(inside, cells.encoded(total[part]), cells.UNKNOWN)
    assert got["total"] == codes.ravel().tolist()
    assert got["bits"] == result.no_go[part].ravel().tolist()
    points = np.rint(np.nan_to_num(total).astype(np.float64) * 100)
    easting, northing = grid.xy(*np.mgrid[0 : grid.n_rows, 0 : grid.n_cols])
    allowed = (result.no_go == 0) & np.isfinite(total)
    for place, metres in zip(places, got["near"], strict=True):
        row, col = (int(v) for v in grid.rowcol(*place))
        far = np.hypot(easting - place[0], northing - place[1])
        assert metres == pytest.approx(far[allowed & (points >= points[row, col] + 5)].min())
