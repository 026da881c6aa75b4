// Shapes and files of the sketch page: arithmetic, typed positions, the store, undo.

import assert from "node:assert/strict";
import { test } from "node:test";

import { areaHa, crossing, fault, lengthM, readPlace, split, splitsFrom } from "../../siting/web/model/shapes.js";
import { history, sketchFile, stateOf } from "../../siting/web/model/sketch.js";

const SQUARE = [[43.5, -80.5], [43.5, -80.49], [43.51, -80.49], [43.51, -80.5]];
const KINDS = new Map([["parcel", ["area"]], ["feeders", ["point"]], ["trails", ["line"]]]);

function shape(more) {
  return { id: "a1", layer: "parcel", kind: "area", corners: SQUARE, name: "", use: "", how: "drawn", ...more };
}

test("area and length agree with the sphere within a part in a thousand", () => {
  const side = 0.01 * Math.PI / 180 * 6371000;
  const wide = side * Math.cos(43.5 * Math.PI / 180);
  assert.ok(Math.abs(areaHa(SQUARE) / (side * wide / 10000) - 1) < 1e-3);
  assert.ok(Math.abs(lengthM(SQUARE, true) / (2 * side + 2 * wide) - 1) < 1e-3);
});

test("sides that cross are found, neighbours are not", () => {
  assert.equal(crossing(SQUARE), null);
  assert.deepEqual(crossing([SQUARE[0], SQUARE[2], SQUARE[1], SQUARE[3]]), [0, 2]);
  assert.match(fault(shape({ corners: [SQUARE[0], SQUARE[2], SQUARE[1], SQUARE[3]] })), /cross near corner 3/);
  assert.equal(fault(shape({ corners: SQUARE.slice(0, 2) })), "Set 1 more corner.");
});

test("positions are read as people write them", () => {
  for (const [text, place] of [
    ["44.5, -70.25", [44.5, -70.25]],
    ["44.5 -70.25", [44.5, -70.25]],
    ["-33.9;25.5", [-33.9, 25.5]],
    ["44° 30' 36\" N, 70° 15' 0\" W", [44.51, -70.25]],
    ["N 44.5 W 70.25", [44.5, -70.25]],
    ["70.25 W, 44.5 N", [44.5, -70.25]],
    ["44° 30.6' N 70° 15' W", [44.51, -70.25]],
  ]) assert.deepEqual(readPlace(text), place, text);
  for (const text of ["", "44.5", "nowhere", "95, 10", "44° 70' N, 3 E", "44.5, -70.25, 12", "1 E, 2"]) {
    assert.equal(readPlace(text), null, text);
  }
});

test("the file is GeoJSON with anticlockwise, closed outlines and longitude first", () => {
  const clockwise = shape({ corners: [...SQUARE].reverse() });
  const wrong = shape({ id: "b", corners: SQUARE.slice(0, 2) });
  const state = { shapes: [clockwise, wrong], answers: { feeders: "none" }, saidBy: "", note: "" };
  const file = sketchFile(state, { id: "x", forUid: "P1", page: "p", madeAt: "2027-03-02T14:05:00Z" });
  assert.equal(file.features.length, 1);
  const [ring] = file.features[0].geometry.coordinates;
  assert.deepEqual(ring[0], ring[4]);
  assert.deepEqual(ring[0].map(Math.sign), [-1, 1]);
  const twice = ring.slice(1).reduce((sum, [x, y], k) => sum + ring[k][0] * y - x * ring[k][1], 0);
  assert.ok(twice > 0);
});

test("a store is read field by field and never into a prototype", () => {
  for (const text of ["", "null", "7", "[", '{"shapes": 5, "answers": 7}']) {
    assert.deepEqual(stateOf(text, KINDS).shapes, []);
  }
  const hostile = JSON.stringify({ shapes: [
    { ...shape(), corners: [[1, "2"]] }, { ...shape(), layer: "constructor" }, { ...shape(), kind: "point" },
    { ...shape(), corners: [[91, 0]] }, { ...shape(), use: "<b>", how: 5, name: 7 },
  ], saidBy: { toString: 1 } }).replace('"saidBy"', '"answers": {"__proto__": "none", "feeders": "none"}, "saidBy"');
  const state = stateOf(hostile, KINDS);
  assert.equal(state.shapes.length, 1);
  assert.deepEqual([state.shapes[0].use, state.shapes[0].how, state.shapes[0].name], ["", "drawn", ""]);
  assert.deepEqual(state.answers, { feeders: "none" });
  assert.equal({}.none, undefined);
});

test("undo and redo walk whole states and a new act ends what was undone", () => {
  const past = history({ n: 0 });
  past.put({ n: 1 });
  past.put({ n: 2 });
  assert.deepEqual(past.back(), { n: 1 });
  assert.deepEqual(past.back(), { n: 0 });
  assert.equal(past.back(), null);
  assert.deepEqual(past.on(), { n: 1 });
  past.put({ n: 9 });
  assert.equal(past.on(), null);
  assert.deepEqual(past.back(), { n: 1 });
});

test("an area parts along a way inside it, a line at an inner corner", () => {
  const [a, b, c, d] = SQUARE;
  assert.deepEqual(splitsFrom(shape(), 0), [2]);
  assert.deepEqual(split(shape(), 2, 0), [[a, b, c], [c, d, a]]);
  const line = shape({ kind: "line", corners: [a, b, c] });
  assert.deepEqual([0, 1, 2].map((k) => splitsFrom(line, k)), [[], [1], []]);
  assert.deepEqual(split(line, 1, 1), [[a, b], [b, c]]);
  assert.deepEqual(splitsFrom(shape({ corners: [a, b, c] }), 1), []);
  // An arrowhead: from its notch to the tip lies inside, from wing to wing outside.
  const notch = [43.502, -80.495];
  const arrow = shape({ corners: [a, notch, b, [43.52, -80.495]] });
  assert.deepEqual(splitsFrom(arrow, 1), [3]);
  assert.deepEqual(splitsFrom(arrow, 0), []);
});
