import assert from "node:assert/strict";
import { test } from "node:test";

import { changes } from "../../siting/web/model/changes.js";

const list = (...names) => names.map((name, k) => (
  { spot_id: name, rank: k + 1, name: name.startsWith("-") ? "" : name }));

test("a first list has nothing to be compared with", () => {
  assert.deepEqual(changes(undefined, list("Ford")), []);
  assert.deepEqual(changes([], list("Ford")), []);
});

test("the same places are said to be the same, in whatever order", () => {
  assert.deepEqual(changes(list("Ford", "Log"), list("Ford", "Log")),
    ["The same places as before, in the same order."]);
  assert.deepEqual(changes(list("Ford", "Log", "Gap"), list("Ford", "Gap", "Log")),
    ["The same places as before, in another order."]);
});

test("what came and what went is named, the first place above all", () => {
  assert.deepEqual(changes(list("Ford", "Log", "-a"), list("Log", "Gap", "Bend")),
    ["Spot 1 was spot 2 before.", "New: spots 2 and 3.", "No longer listed: Ford and the old spot 3."]);
  assert.deepEqual(changes(list("Ford"), list("Gap")), ["Spot 1 is a new place.", "No longer listed: Ford."]);
});
