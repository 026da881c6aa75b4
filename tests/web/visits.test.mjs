import assert from "node:assert/strict";
import test from "node:test";
import { noVisits, readVisits, storeText, visitsCsv, visitsJson } from "../../siting/web/model/visits.js";

const numbers = [1, 2];
const spots = [{ n: 1, lat: 45, lon: -79, radius_m: 15 }, { n: 2, lat: 46, lon: -80, radius_m: 20 }];

test("what was written comes back", () => {
  const visits = noVisits(numbers);
  Object.assign(visits.get(2), { state: "ruled out", reason: "wet", note: "ü" });
  const { visits: back, sound } = readVisits(storeText(visits), numbers);
  assert.ok(sound);
  assert.deepEqual(back, visits);
});

test("nothing stored is nothing marked", () => {
  assert.deepEqual(readVisits(null, numbers), { visits: noVisits(numbers), sound: true });
});

// Anyone can write into the store of pages opened from files.
for (const text of ["", "{", "null", "7", '"x"', "[]", "[1]", '{"1":null}', '{"1":[]}', '{"1":"x"}',
  '{"2":{"state":"chosen","reason":{"toString":1}}}', '{"1":{"state":{"toString":1}}}',
  '{"__proto__":{"state":"chosen","note":"x"}}', '{"constructor":{"prototype":{"note":"x"}}}',
  '{"1":{"__proto__":{"state":"chosen"}}}', '{"1":{"state":"__proto__"}}', '{"1":{"note":1e400}}',
  '{"9":{"state":"chosen"}}', '{"1":{"state":"chosen","note":["x"]}}']) {
  test("a hostile store does nothing: " + text, () => {
    const { visits, sound } = readVisits(text, numbers);
    assert.equal(sound, text === '{"1":{"__proto__":{"state":"chosen"}}}');
    assert.deepEqual([...visits.keys()], numbers);
    visits.forEach((visit) => {
      assert.deepEqual(Object.keys(visit), ["state", "reason", "note"]);
      Object.values(visit).forEach((value) => assert.equal(typeof value, "string"));
    });
    assert.equal({}.note, undefined);
    assert.equal({}.state, undefined);
    visitsJson(visits, spots, { id: "P", key: "k" });
    visitsCsv(visits, spots);
  });
}

test("a sound mark beside a damaged one is kept", () => {
  const { visits, sound } = readVisits('{"1":{"state":7},"2":{"state":"visited","note":"ok"}}', numbers);
  assert.equal(sound, false);
  assert.deepEqual(visits.get(2), { state: "visited", reason: "", note: "ok" });
});

test("an endless text is cut", () => {
  const { visits } = readVisits(JSON.stringify({ 1: { note: "x".repeat(1e6) } }), numbers);
  assert.equal(visits.get(1).note.length, 500);
});

test("a cell that a spreadsheet would run is disarmed", () => {
  const visits = noVisits(numbers);
  for (const note of ["=1", "+1", "-1", "@x", "\tx", 'a "b", c']) {
    visits.get(1).note = note;
    const cell = visitsCsv(visits, spots).split("\r\n")[1].split(",,,")[1] || "";
    assert.doesNotMatch(visitsCsv(visits, spots), /,[=+@]/, note + cell);
  }
});
