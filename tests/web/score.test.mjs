import assert from "node:assert/strict";
import test from "node:test";
import { protocolText, ranked, startWeights, totalScore } from "../../siting/web/model/score.js";

const rules = { method: "attractors and conditions", attraction_share: 0.5, criteria: [
  { name: "trail", group: "attractor", weight: 0.8 }, { name: "flat", group: "condition", weight: 1 }] };

test("a part that is not judged takes nothing away", () => {
  const weights = startWeights(rules);
  const both = totalScore((name) => ({ trail: 1, flat: 1 }[name]), weights, rules);
  const one = totalScore((name) => ({ trail: 1 }[name]), weights, rules);
  assert.equal(both, one);
});

test("a weight of 0 switches a part off, unknown though it be", () => {
  const weights = { ...startWeights(rules), flat: 0 };
  assert.ok(!Number.isNaN(totalScore((name) => ({ trail: 1, flat: NaN }[name]), weights, rules)));
});

test("equal scores keep the order of rows, then columns", () => {
  const spot = (n, tie) => ({ n, tie, memberships: { trail: 0.5, flat: 0.5 } });
  const spots = [spot(1, [5, 9]), spot(2, [5, 2]), spot(3, [4, 9])];
  assert.deepEqual(ranked(spots, startWeights(rules), rules).map(({ n }) => n), [3, 2, 1]);
});

test("only what was moved goes into the protocol's piece", () => {
  const weights = startWeights(rules);
  assert.match(protocolText(weights, rules), /nothing changed/);
  const text = protocolText({ ...weights, flat: 1.5 }, rules);
  assert.match(text, /\[conditions\.flat\]\nweight = 1\.50\n/);
  assert.doesNotMatch(text, /trail|attraction_share/);
});
