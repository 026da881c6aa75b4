import assert from "node:assert/strict";
import test from "node:test";
import { deflateRawSync } from "node:zlib";
import { cellAt, cellCentre, decoded, nearestCell, readCells, shownHundredths } from "../../siting/web/model/cells.js";
import { inflate } from "../../siting/web/model/inflate.js";

const grid = { left: 100, top: 200, cell_size_m: 2, n_rows: 3, n_cols: 4 };

test("a point belongs to the cell it lies in, and to none outside", () => {
  assert.equal(cellAt(grid, 100.1, 199.9), 0);
  assert.equal(cellAt(grid, 107.9, 194.1), 11);
  assert.equal(cellAt(grid, 99.9, 199), -1);
  assert.equal(cellAt(grid, 101, 193.9), -1);
  assert.deepEqual(cellCentre(grid, 5), [103, 197]);
});

test("the nearest cell is by its middle", () => {
  assert.deepEqual(nearestCell(grid, 101, 199, (k) => k === 3 || k === 4), { index: 4, metres: 2 });
  assert.equal(nearestCell(grid, 101, 199, () => false), null);
});

test("the upper byte is what is shown, both bytes are the value", () => {
  assert.equal(shownHundredths(0x4b80), 75);
  assert.equal(decoded(128), 0);
  assert.ok(Number.isNaN(decoded(0xffff)) && Number.isNaN(shownHundredths(0xffff)));
});

test("damaged cells are noticed", async () => {
  const blob = deflateRawSync(new Uint8Array(7)).toString("base64");
  await assert.rejects(readCells({ ...grid, names: [], blob }), /damaged/);
});

test("the browser's own reader and ours give the same bytes", async () => {
  const bytes = Uint8Array.from({ length: 3000 }, (_, i) => (i * i) % 7);
  const packed = new Uint8Array(deflateRawSync(bytes));
  assert.deepEqual(await inflate(packed, bytes.length), bytes);
  const own = globalThis.DecompressionStream;
  delete globalThis.DecompressionStream;
  try {
    assert.deepEqual(await inflate(packed, bytes.length), bytes);
  } finally {
    globalThis.DecompressionStream = own;
  }
});
