import assert from "node:assert/strict";
import test from "node:test";
import { logParts, protocolText, ranked, shadeOf, startWeights, timesWords, totalScore }
  from "../../siting/web/model/score.js";

const rules = { second_share: 0.3, target: "all mammals", criteria: [
  { name: "trail", group: "attractor", fact: "movement", ratio: 1.6 },
  { name: "crossing", group: "attractor", fact: "movement", ratio: 2 },
  { name: "water", group: "attractor", fact: "water", ratio: 1.3 },
  { name: "flat", group: "condition", fact: "ground", ratio: 0.5 }] };
const START = startWeights(rules);
const near = (a, b) => assert.ok(Math.abs(a - b) < 1e-12, `${a} is not ${b}`);

test("a part that is not judged takes nothing away", () => {
  near(totalScore((name) => ({ trail: 1, flat: 1 }[name]), START, rules), 1.6);
  near(totalScore((name) => ({ trail: 1 }[name]), START, rules), 1.6);
});

test("of one fact the strongest counts in full and the next a share", () => {
  const parts = logParts((name) => ({ trail: 1, crossing: 1, water: 1 }[name]), START, rules);
  near(parts.crossing, Math.log(2));
  near(parts.trail, 0.3 * Math.log(1.6));
  near(parts.water, Math.log(1.3));
});

test("a part of x 1.00 says why: not near, next to nothing, or counted with another", () => {
  assert.equal(timesWords(Math.log(1.2), 0.9, "attractor"), "× 1.20");
  assert.equal(timesWords(0, 0, "attractor"), "none near");
  assert.equal(timesWords(0.002, 0.01, "attractor"), "hardly counts");
  assert.equal(timesWords(0, 0.7, "attractor"), "counted already");
  assert.equal(timesWords(-0, 1, "condition"), "no loss");
  assert.equal(timesWords(-0.002, 0.99, "condition"), "hardly any loss");
  assert.equal(timesWords(NaN, NaN, "condition"), "not known");
});

test("what keeps animals away is not hidden by what draws them", () => {
  const ratios = { ...START, trail: 0.5 };
  const parts = logParts((name) => ({ trail: 1, crossing: 1 }[name]), ratios, rules);
  near(parts.trail, Math.log(0.5));
  near(parts.crossing, Math.log(2));
});

test("a condition lowers the index by how far it fails", () => {
  near(totalScore((name) => ({ flat: 0 }[name]), START, rules), 0.5);
});

test("a ratio of 1 switches a part off, unknown though it be", () => {
  const ratios = { ...START, flat: 1 };
  assert.ok(!Number.isNaN(totalScore((name) => ({ trail: 1, flat: NaN }[name]), ratios, rules)));
});

test("what is not known stays unknown", () => {
  assert.ok(Number.isNaN(totalScore((name) => ({ trail: NaN, crossing: 1 }[name]), START, rules)));
});

test("equal scores keep the order of rows, then columns", () => {
  const spot = (n, tie) => ({ n, tie, memberships: { trail: 0.5, flat: 0.5 } });
  const spots = [spot(1, [5, 9]), spot(2, [5, 2]), spot(3, [4, 9])];
  assert.deepEqual(ranked(spots, START, rules).map(({ n }) => n), [3, 2, 1]);
});

test("colours go evenly over the logarithm", () => {
  const scale = { palette_from: 0.5, palette_to: 4 };
  near(shadeOf(1, scale), 1 / 3);
  near(shadeOf(2, scale), 2 / 3);
  assert.deepEqual([0.1, 9].map((index) => shadeOf(index, scale)), [0, 1]);
});

test("only what was moved goes into the protocol's piece", () => {
  assert.match(protocolText(START, rules), /nothing changed/);
  const text = protocolText({ ...START, flat: 0.4 }, rules);
  assert.match(text, /\[conditions\.flat\]\nratio = 0\.40\n/);
  assert.doesNotMatch(text, /trail/);
});
