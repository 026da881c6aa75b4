// Sign-ups: who is where, in which state, and what comes next.

import { byId, node, user } from "../shared/dom.js";
import { DATA, get, send } from "./api.js";
import { attempt, button, field, say, titled } from "./page.js";

const MOST_ROWS = 100;
const COLOURS = {
  "Set aside": "#777777", "No outline yet": "#a85b00", "Ready to score": "#17518f",
  "Changed since scored": "#17518f", "Could not be scored": "#a1122f", Scored: "#14513a", "Place chosen": "#14513a",
  "Letter sent": "#14513a", "Camera up": "#14513a", "Check due": "#a1122f", "Camera down": "#777777",
};

// A sign that the filter leaves out stays on the map, unseen and out of reach: to take thousands away
// and put them back would keep the hand waiting.
const Sign = L.CircleMarker.extend({
  isOut: false,
  _empty() { return this.isOut || L.CircleMarker.prototype._empty.call(this); },
  _containsPoint(point) { return !this.isOut && L.CircleMarker.prototype._containsPoint.call(this, point); },
});

// `desk` gives: map, open(uid), begin(label) after adding
export function listView(desk) {
  const view = {};
  // One picture for all signs: 5,000 elements of their own take seconds to draw.
  const dots = L.canvas({ padding: 0.1 });
  const signs = L.featureGroup().addTo(desk.map);
  signs.bindTooltip(({ row }) => node("span", {}, user(row.label), ` · ${row.status}`));
  signs.on("click", ({ layer }) => desk.open(layer.row.uid));
  let rows = [];
  let made = new Map();
  let filter = { text: "", status: "" };

  const shown = () => rows.filter((row) => (!filter.status || row.status === filter.status)
    && (!filter.text || `${row.label} ${row.cell} ${row.contact_ref}`.toLowerCase().includes(filter.text)));

  function draw() {
    const found = shown();
    byId("count").textContent = found.length > MOST_ROWS
      ? `${found.length} sign-ups; the first ${MOST_ROWS} are listed.` : `${found.length} of ${rows.length} sign-ups.`;
    byId("rows").replaceChildren(...found.slice(0, MOST_ROWS).map(item));
    const wanted = new Set(found.map(({ uid }) => uid));
    const changed = [...made].filter(([uid, sign]) => sign.isOut === wanted.has(uid)).map(([, sign]) => sign);
    changed.forEach((sign) => { sign.isOut = !sign.isOut; });
    // Of many the whole picture is drawn once: to work out where each stands takes as long again.
    if (changed.length < MOST_ROWS) changed.forEach((sign) => sign.redraw());
    else window.requestAnimationFrame(() => { if (desk.map.hasLayer(dots)) dots._redraw(); });
  }

  function signOf(row) {
    const sign = new Sign([row.lat, row.lon], { renderer: dots,
      radius: 8, weight: 2, color: "#14231b", fillColor: COLOURS[row.status], fillOpacity: 0.9 });
    return Object.assign(sign, { row });
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
        () => desk.open(row.uid), { class: "shape-name" }),
      node("span", { class: "status" }, row.status),
      row.problem ? node("span", { class: "fact wrong" }, row.problem) : null);
  }

  function filters() {
    const find = node("input", { type: "search", value: filter.text, autocomplete: "off" });
    find.addEventListener("input", () => { filter.text = find.value.trim().toLowerCase(); draw(); });
    const status = node("select", {}, node("option", { value: "" }, "All"),
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
    const add = () => attempt(async () => {
      if (!label.value.trim()) {
        label.focus();
        throw new Error("Give the sign-up a name, such as the name of the land.");
      }
      const centre = desk.map.getCenter();
      const { uid } = await send("POST", "/api/signups", {
        label: label.value.trim(), cell: cell.value.trim(), lon: centre.lng, lat: centre.lat });
      desk.open(uid);
    });
    return node("details", {}, node("summary", {}, "Add a sign-up"),
      field("Name of the land", label), field("Survey cell, if you use them", cell),
      node("p", { class: "small" }, "Move the map to the place first: the sign-up is put in the middle of it."),
      node("div", { class: "buttons" }, button("Add", add, { class: "main" })));
  }

  function pasting() {
    const text = node("textarea", { rows: 5 });
    const add = () => attempt(async () => {
      const { added, faults } = await send("POST", "/api/table", { text: text.value });
      await view.load();
      say(`${added} added.`);
      if (faults.length) throw new Error(faults.map(({ row, why }) => `Row ${row}: ${why}`).join(" "));
    });
    return node("details", {}, node("summary", {}, "Paste a table"),
      field("The first row names the columns: label, cell, priority, lon, lat", text),
      node("div", { class: "buttons" }, button("Add all", add, { class: "main" })));
  }

  return Object.assign(view, {
    async load() {
      const data = await get("/api/signups");
      ({ rows } = data);
      renew();
      if (byId("rows")) draw();
      return data;
    },
    async show() {
      titled("Sign-ups", adding(), pasting(), filters(),
        node("p", { id: "count", class: "small", role: "status" }),
        node("div", { class: "buttons", id: "list-acts" },
          button("Score all that are ready", () => attempt(() => send("POST", "/api/score", {}))),
          button("Cameras for the cells", () => desk.assign())),
        node("ul", { id: "rows", class: "shapes" }));
      signs.addTo(desk.map);
      await attempt(view.load);
      if (!rows.length) {
        // An empty office shows what comes first, and nothing that has no use yet.
        byId("body").querySelector("details").open = true;
        say("No sign-ups yet. Add one, paste a table, or drop files of outlines anywhere on this page.");
      }
      byId("body").querySelectorAll(".filters, #list-acts").forEach((part) => { part.hidden = !rows.length; });
    },
    hide() {
      signs.remove();
      // Its picture would lie over what is drawn on the land, and take the clicks.
      dots.remove();
    },
    rows: () => rows,
    row: (uid) => rows.find((row) => row.uid === uid) || null,
  });
}
