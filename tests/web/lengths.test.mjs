import assert from "node:assert/strict";
import test from "node:test";
import { aboutWords, capital, hundredths, lengthWords, minuteWords, windOf } from "../../siting/web/model/lengths.js";

test("halves go to the even hundredth, as Python rounds", () => {
  assert.deepEqual([0.125, 0.375, 0.286, 1, 0].map(hundredths), [12, 38, 29, 100, 0]);
});

test("tenths of a metre are said below 10 m only", () => {
  assert.equal(lengthWords(3.14), "3.1 m (10 ft)");
  assert.equal(lengthWords(31.4), "31 m (102 ft)");
});

test("a distance on foot is no more exact than a person can use it", () => {
  assert.equal(aboutWords(128), "130 m (430 ft)");
  assert.equal(aboutWords(1500), "1.5 km (0.9 mi)");
});

test("directions go round", () => {
  assert.deepEqual([0, 359, -45, 405, 180].map(windOf),
    ["north", "north", "north-west", "north-east", "south"]);
});

test("minutes err on the long side", () => {
  assert.deepEqual([0.1, 1, 5.1].map(minuteWords), ["1 minute", "1 minute", "6 minutes"]);
});

test("a sentence begins with a capital", () => assert.equal(capital("north"), "North"));
