import assert from "node:assert/strict";
import test from "node:test";
import { featuresNear, shapeDistance } from "../../siting/web/model/distance.js";

const square = ["A", [[0, 0, 100, 0, 0, 100, -100, 0, 0, -100]]];

test("inside an area is no distance, in its hole there is one", () => {
  assert.equal(shapeDistance(square, 50, 50), 0);
  assert.equal(shapeDistance(square, 130, 140), 50);
  const holed = ["A", [square[1][0], [40, 40, 20, 0, 0, 20, -20, 0, 0, -20]]];
  assert.equal(shapeDistance(holed, 50, 50), 10);
});

test("a line has no inside", () => {
  assert.equal(shapeDistance(["L", square[1]], 50, 40), 40);
});

test("the nearest comes first, in metres, and a layer can be asked alone", () => {
  const layers = [
    { key: "water", short: "Water", features: [{ shapes: [["P", [[0, 30]]]], text: "pond" }] },
    { key: "roads", short: "Road", features: [{ shapes: [["P", [[40, 0]]], square], text: "" }] }];
  assert.deepEqual(featuresNear(layers, [0, -20]).map(({ label, metres }) => [label, metres]),
    [["Road", 2], ["Water", 5]]);
  assert.deepEqual(featuresNear(layers, [0, 0], "water").map(({ text }) => text), ["pond"]);
});
