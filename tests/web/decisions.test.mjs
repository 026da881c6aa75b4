import assert from "node:assert/strict";
import test from "node:test";
import {
  decisionsCsv, decisionsJson, fits, inOrder, momentText, placeOf, readStore, stateOf, storeText,
} from "../../siting/web/model/decisions.js";

const degrees = { kind: "number", least: -180, most: 180 };
const fields = { state: { kind: "choice", of: ["chosen", "ruled out", "camera up"] },
  at: { kind: "moment" }, location: { kind: "text", most: 200 }, lat: degrees, lon: degrees,
  planned_lat: degrees, planned_lon: degrees, reason: { kind: "choice", of: ["wet"] },
  done: { kind: "several", of: ["walk test"] }, pictures: { kind: "integer", least: 0, most: 9 },
  note: { kind: "text", most: 500 } };
const good = { state: "chosen", at: "2027-04-03T10:20:00-05:00", location: "P-1", lat: 45, lon: -79,
  planned_lat: 45, planned_lon: -79, note: "ü" };
const stored = (record) => JSON.stringify({ format: "siting page 1", device: "abc", records: [record] });

test("what was written comes back", () => {
  const { records, device, sound } = readStore(storeText([good], "abc"), fields);
  assert.ok(sound);
  assert.equal(device, "abc");
  assert.deepEqual({ ...records[0] }, good);
});

test("nothing stored is nothing reported", () => {
  assert.deepEqual(readStore(null, fields), { records: [], device: "", sound: true });
});

for (const text of ["", "{", "null", "7", '"x"', "[]", "{}", '{"1":null}', '{"format":"siting page 1"}',
  '{"format":"siting page 1","records":{}}', '{"format":{"toString":1},"records":[]}',
  '{"format":"siting page 1","device":{"toString":1},"records":[]}',
  stored(null), stored(7), stored([]), stored({}), stored({ ...good, state: { toString: 1 } }),
  stored({ ...good, note: { toString: 1 } }), stored({ ...good, lat: "45" }), stored({ ...good, lat: 999 }),
  stored({ ...good, at: "soon" }), stored({ ...good, at: "2027-99-99" }), stored({ ...good, extra: 1 }),
  stored({ ...good, reason: "wet" }), stored({ ...good, state: "ruled out" }),
  stored(good).replace('"state"', '"__proto__":{"polluted":1},"state"'),
  '{"__proto__":{"polluted":1},"format":"siting page 1","device":"abc","records":[{"__proto__":{}}]}']) {
  test("a hostile store does nothing: " + text.slice(0, 90), () => {
    const { records, sound } = readStore(text, fields);
    assert.equal(sound, false);
    assert.equal({}.polluted, undefined);
    records.forEach((record) => {
      assert.equal(Object.getPrototypeOf(record), null);
      Object.entries(record).forEach(([name, value]) => assert.ok(fits(value, fields[name])));
      assert.equal(record.polluted, undefined);
    });
    decisionsJson(records, { format: "f", parcel: "p", device: "d", saved: "s" });
    decisionsCsv(records, { fields, parcel: "p" });
  });
}

test("a sound report beside a damaged one is kept", () => {
  const text = JSON.stringify({ format: "siting page 1", device: "abc", records: [{ state: 7 }, good] });
  const { records, sound } = readStore(text, fields);
  assert.equal(sound, false);
  assert.deepEqual(records.map((record) => ({ ...record })), [good]);
});

test("the last report of a place says how it stands; a day counts as its noon", () => {
  const at = (when, state) => ({ ...good, at: when, state });
  const records = [at("2027-04-03T18:00:00Z", "camera up"), at("2027-04-03", "chosen"),
    at("2027-04-01", "ruled out")];
  assert.equal(stateOf(records, "P-1"), "camera up");
  assert.deepEqual(inOrder(records).map(({ state }) => state), ["ruled out", "chosen", "camera up"]);
  assert.equal(stateOf(records, "P-2"), "");
});

test("of two reports of one moment the later one counts", () => {
  assert.equal(stateOf([{ ...good, state: "chosen" }, { ...good, state: "camera up" }], "P-1"), "camera up");
});

test("a place on no list is known by where it was pointed out", () => {
  assert.equal(placeOf({ ...good, location: "" }), "45 -79");
});

test("a moment carries its offset", () => {
  assert.match(momentText(new Date()), /^\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d[+-]\d\d:\d\d$/);
  const now = new Date(1806000000000);
  assert.equal(Date.parse(momentText(now)), now.getTime());
});

test("a cell that a spreadsheet would run is disarmed", () => {
  for (const note of ["=1", "+1", "-1", "@x", "\tx"]) {
    const last = decisionsCsv([{ ...good, note }], { fields, parcel: "P" }).split("\r\n")[1].split(",").pop();
    assert.equal(last, "'" + note);
  }
  assert.match(decisionsCsv([{ ...good, note: 'a "b", c' }], { fields, parcel: "P" }), /"a ""b"", c"/);
});
