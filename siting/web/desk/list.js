// Sign-ups: who is where, in which state, and what comes next.

import { circle, readPlace } from "../model/shapes.js";
import { byId, newId, node, user } from "../shared/dom.js";
import { DATA, get, send } from "./api.js";
import { knownGround } from "./drawn/ground.js";
import { mapKey } from "./drawn/key.js";
import { attempt, button, field, say, seen, titled } from "./page.js";

const MOST_ROWS = 100;
const LEAST_ZOOM = 13;
// One sign-up alone is shown with the country around it.
const FIT_ZOOM = 15;
const NOTHING = "No sign-ups yet. Add one, paste them as a table, or take them from files of outlines.";
const NONE_READY = "Nothing to score: no sign-up with an outline is new or was changed.";
const COLOURS = {
  "Set aside": "#777777", "No outline yet": "#a85b00", "Ready to score": "#17518f",
  "Changed since scored": "#17518f", "Could not be scored": "#a1122f", Scored: "#14513a", "Place chosen": "#14513a",
  "Letter sent": "#14513a", "Camera up": "#14513a", "Check due": "#a1122f", "Camera down": "#777777",
};

// In words of the hand: what the colours ask for.
const KEY = [["No outline yet", "No outline yet"], ["Ready to score", "To be scored"],
  ["Scored", "Scored, or on its way to a camera"], ["Check due", "Look at it: not scored, or a check is due"],
  ["Set aside", "Set aside, or the camera is down"]];
// With a camera out, its place is what one wants to see, and not the drawing of the land.
const WITH_CAMERA = ["Camera up", "Check due", "Camera down"];

function signKey() {
  return mapKey("Sign-ups", KEY.map(([status, words]) => {
    const swatch = node("i", { class: "sign-dot" });
    swatch.style.background = COLOURS[status];
    return [swatch, words];
  }));
}

const RADIUS = 8;
const RIM = 2;
const FULL_TURN = 2 * Math.PI;
const drawnSigns = new Map();

// Each colour is drawn once and copied: thousands of circles of their own keep the hand waiting.
function signPicture(colour) {
  if (!drawnSigns.has(colour)) {
    const picture = node("canvas", {});
    const scale = window.devicePixelRatio || 1;
    const half = RADIUS + RIM;
    picture.width = picture.height = 2 * half * scale;
    const pen = picture.getContext("2d");
    pen.scale(scale, scale);
    pen.arc(half, half, RADIUS, 0, FULL_TURN);
    Object.assign(pen, { fillStyle: colour, strokeStyle: "#14231b", lineWidth: RIM });
    pen.fill();
    pen.stroke();
    drawnSigns.set(colour, picture);
  }
  return drawnSigns.get(colour);
}

// A sign that the filter leaves out stays on the map, unseen and out of reach: to take thousands away
// and put them back would keep the hand waiting.
const Sign = L.CircleMarker.extend({
  isOut: false,
  _empty() { return this.isOut || L.CircleMarker.prototype._empty.call(this); },
  _updatePath() {
    const { _ctx: pen, _drawing: isDrawing } = this._renderer;
    if (!isDrawing || this._empty()) return;
    const half = RADIUS + RIM;
    pen.drawImage(signPicture(this.options.fillColor), this._point.x - half, this._point.y - half, 2 * half, 2 * half);
  },
  _containsPoint(point) { return !this.isOut && L.CircleMarker.prototype._containsPoint.call(this, point); },
});

// `desk` gives: map, open(uid), begin(label) after adding
export function listView(desk) {
  const view = {};
  // One picture for all signs: 5,000 elements of their own take seconds to draw.
  const dots = L.canvas({ padding: 0.1 });
  const signs = L.featureGroup().addTo(desk.map);
  signs.bindTooltip(({ row }) => node("span", {}, user(row.label), ` · ${row.status}`));
  const openRow = ({ uid, status, has_places }) => (
    has_places && WITH_CAMERA.includes(status) ? desk.places(uid) : desk.open(uid));
  signs.on("click", ({ layer }) => openRow(layer.row));
  const key = signKey();
  let rows = [];
  let made = new Map();
  let filter = { text: "", status: "" };
  const known = knownGround(desk.map);
  let asked = 0;
  let left = null;

  // Streams and roads show where one is; of a whole country they would be a tangle.
  function around() {
    window.clearTimeout(asked);
    if (desk.map.getZoom() < LEAST_ZOOM) known.remove();
    else asked = window.setTimeout(() => known.draw("").catch(() => {}), 300);
  }

  const shown = () => rows.filter((row) => (!filter.status || row.status === filter.status)
    && (!filter.text || `${row.label} ${row.cell} ${row.contact_ref}`.toLowerCase().includes(filter.text)));

  function draw() {
    const found = shown();
    const all = found.length === rows.length ? `${rows.length} ${rows.length === 1 ? "sign-up" : "sign-ups"}`
      : `${found.length} of ${rows.length} sign-ups`;
    byId("count").textContent = found.length > MOST_ROWS ? `${all}; the first ${MOST_ROWS} are listed.` : `${all}.`;
    byId("rows").replaceChildren(...found.slice(0, MOST_ROWS).map(item));
    counted();
    // An empty office shows what comes first, and nothing that has no use yet.
    byId("empty").hidden = rows.length > 0;
    byId("body").querySelectorAll(".filters, #list-acts, #count").forEach((part) => { part.hidden = !rows.length; });
    const wanted = new Set(found.map(({ uid }) => uid));
    const changed = [...made].filter(([uid, sign]) => sign.isOut === wanted.has(uid)).map(([, sign]) => sign);
    changed.forEach((sign) => { sign.isOut = !sign.isOut; });
    // Of many the whole picture is drawn once: to work out where each stands takes as long again.
    if (changed.length < MOST_ROWS) changed.forEach((sign) => sign.redraw());
    else window.requestAnimationFrame(() => { if (desk.map.hasLayer(dots)) dots._redraw(); });
  }

  // Beside each status how many wait there.
  function counted() {
    const count = new Map();
    rows.forEach(({ status }) => count.set(status, 1 + (count.get(status) || 0)));
    byId("by-status").querySelectorAll("option[value]:not([value=''])").forEach((option) => {
      option.textContent = count.has(option.value) ? `${option.value} (${count.get(option.value)})` : option.value;
    });
  }

  function signOf(row) {
    const sign = new Sign([row.lat, row.lon], { renderer: dots,
      radius: RADIUS, weight: RIM, fillColor: COLOURS[row.status] });
    return Object.assign(sign, { row });
  }

  function put(some) {
    some.forEach((row) => {
      const k = rows.findIndex(({ uid }) => uid === row.uid);
      if (k < 0) rows.push(row);
      else rows[k] = row;
    });
  }

  // Signs that look as before stay where they are: a save changes one of thousands.
  function renew() {
    const before = made;
    made = new Map(rows.filter((row) => row.lat !== null).map((row) => {
      const old = before.get(row.uid);
      const same = old && old.row.lat === row.lat && old.row.lon === row.lon && old.row.status === row.status;
      return [row.uid, same ? Object.assign(old, { row }) : signOf(row)];
    }));
    before.forEach((sign, uid) => { if (made.get(uid) !== sign) signs.removeLayer(sign); });
    made.forEach((sign) => { if (!signs.hasLayer(sign)) signs.addLayer(sign); });
  }

  function item(row) {
    return node("li", {},
      button([user(row.label), row.cell ? node("span", { class: "small" }, " ", user(row.cell)) : null],
        () => openRow(row), { class: "shape-name" }),
      node("span", { class: "status" }, row.status),
      row.problem ? node("span", { class: "fact wrong" }, row.problem) : null);
  }

  function filters() {
    const find = node("input", { type: "search", value: filter.text, autocomplete: "off" });
    find.addEventListener("input", () => { filter.text = find.value.trim().toLowerCase(); draw(); });
    const status = node("select", { id: "by-status" }, node("option", { value: "" }, "All"),
      DATA.statuses.map((name) => node("option", { value: name }, name)));
    status.value = filter.status;
    status.addEventListener("change", () => { filter.status = status.value; draw(); });
    const clear = button("Clear filters", () => {
      filter = { text: "", status: "" };
      find.value = "";
      status.value = "";
      draw();
    });
    return node("div", { class: "filters" }, field("Find", find), field("Status", status), clear);
  }

  function adding() {
    const label = node("input", { maxlength: 200, autocomplete: "off" });
    const cell = node("input", { maxlength: 100, autocomplete: "off" });
    const position = node("input", { autocomplete: "off", placeholder: "44.12345, -70.12345" });
    const radius = node("input", { type: "number", min: 10, max: 5000, step: 10 });
    const add = () => attempt(async () => {
      if (!label.value.trim()) {
        label.focus();
        throw new Error("Give the sign-up a name, such as the name of the land.");
      }
      const [lat, lon] = placeFor(position);
      const { uid } = await send("POST", "/api/signups",
        { label: label.value.trim(), cell: cell.value.trim(), lon, lat });
      if (radius.value) await send("PUT", `/api/land/${uid}`, { rev: 0, answers: {},
        shapes: [{ uid: newId(), layer: "parcel", kind: "area", via: "office",
          corners: circle([lat, lon], Number(radius.value)).map(([y, x]) => [x, y]) }] });
      desk.open(uid);
    });
    return node("details", {}, node("summary", {}, "Add a sign-up"),
      field("Name of the land", label), field("Survey cell, if you use them", cell),
      field("Position, if you have it: latitude, longitude", position),
      node("p", { class: "small" }, "Without a position it goes to the middle of the map: move the map first."),
      field("No outline? Take the land around it, radius in metres", radius),
      node("div", { class: "buttons" }, button("Add", add, { class: "main" })));
  }

  function placeFor(position) {
    if (!position.value.trim()) {
      const { lat, lng } = desk.map.getCenter();
      return [lat, lng];
    }
    const place = readPlace(position.value);
    if (place) return place;
    position.focus();
    throw new Error("The position was not understood. Write latitude, then longitude: 44.12345, -70.12345");
  }

  function pasting() {
    const text = node("textarea", { rows: 5 });
    const add = () => attempt(async () => {
      const { added, known: there, faults } = await send("POST", "/api/table", { text: text.value });
      await view.load();
      fit();
      say(`${added} added.${there ? ` ${there} in the list already.` : ""}`);
      if (!faults.length) text.value = "";
      if (faults.length) throw new Error(faults.map(({ row, why }) => `Row ${row}: ${why}`).join(" "));
    });
    return node("details", {}, node("summary", {}, "Paste a table"),
      field("The first row names the columns: name, cell, priority, latitude, longitude", text),
      node("div", { class: "buttons" }, button("Add all", add, { class: "main" })));
  }

  function fromFiles() {
    const input = node("input", { type: "file", multiple: "multiple" });
    input.addEventListener("change", () => input.files.length && desk.takeAll([...input.files]));
    return node("details", {}, node("summary", {}, "Add from files"),
      field("Outlines or sketches; you can also drop them anywhere on this page", input));
  }

  // Every sign-up in sight; of an empty office what its maps show.
  function fit() {
    const places = rows.filter((row) => row.lat !== null).map((row) => [row.lat, row.lon]);
    const [west, south, east, north] = DATA.bounds;
    const box = places.length ? L.latLngBounds(places).pad(0.2) : L.latLngBounds([[south, west], [north, east]]);
    desk.map.fitBounds(box, { maxZoom: FIT_ZOOM, animate: false });
  }

  // The first time: sign-ups may lie beyond the office's maps.
  function fitFirst() {
    const bounds = desk.map.getBounds();
    if (rows.some((row) => row.lat !== null && !bounds.contains([row.lat, row.lon]))) fit();
  }

  const scoreAll = () => attempt(async () => {
    const { asked: count } = await send("POST", "/api/score", {});
    if (!count) say(NONE_READY);
  });

  return Object.assign(view, {
    // All, or the one with this uid where only that can have changed.
    async load(uid = "") {
      const data = await get(uid ? `/api/signups?only=${uid}` : "/api/signups");
      if (uid) put(data.rows);
      else ({ rows } = data);
      renew();
      if (byId("rows")) draw();
      return data;
    },
    async show() {
      titled("Sign-ups", node("p", { id: "empty", hidden: true }, NOTHING),
        adding(), pasting(), fromFiles(), filters(),
        node("div", { class: "buttons", id: "list-acts" },
          button("Score all that are ready", scoreAll),
          button("Cameras for the cells", () => desk.assign())),
        node("p", { id: "count", class: "small", role: "status" }),
        node("ul", { id: "rows", class: "shapes" }));
      signs.addTo(desk.map);
      // The list comes back as it was left: where the hand had put the map.
      if (left) desk.map.setView(left.center, left.zoom, { animate: false });
      const answer = await attempt(() => seen(view.load()));
      if (!answer) return null;
      if (!left) fitFirst();
      if (rows.length) key.addTo(desk.map);
      byId("body").querySelector("details").open = !rows.length;
      desk.map.on("moveend", around);
      around();
      return answer;
    },
    hide() {
      // Another view may have been asked for before this one was ever there.
      if (byId("rows")) left = { center: desk.map.getCenter(), zoom: desk.map.getZoom() };
      desk.map.off("moveend", around);
      window.clearTimeout(asked);
      known.remove();
      key.remove();
      signs.remove();
      // Its picture would lie over what is drawn on the land, and take the clicks.
      dots.remove();
      // Leaflet calls off the drawing that was to come but still counts on it, and would draw no more.
      dots._redrawRequest = null;
    },
    rows: () => rows,
    row: (uid) => rows.find((row) => row.uid === uid) || null,
  });
}
