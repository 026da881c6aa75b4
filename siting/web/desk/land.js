// The land of one sign-up: outline and all that is known, drawn, answered, saved after each act.

import { fault as faultOf, measure, readPlace } from "../model/shapes.js";
import { history } from "../model/sketch.js";
import { byId, node, user } from "../shared/dom.js";
import { drawing } from "../shared/draw.js";
import { pathStyle } from "../sketch/style.js";
import { DATA, download, get, send, sendFile } from "./api.js";
import { aboutPart } from "./about.js";
import { knownGround } from "./drawn/ground.js";
import { shapeTools } from "./drawn/tools.js";
import { dataHidden, dataPart } from "./data.js";
import { attempt, button, fault, field, say, titled } from "./page.js";

const LAYERS = DATA.words.layers;

function newId() {
  const bytes = crypto.getRandomValues(new Uint8Array(8));
  return [...bytes].map((byte) => byte.toString(16).padStart(2, "0")).join("");
}

// The server has longitude first, the map latitude first.
function fromServer(shape) {
  return { ...shape, id: shape.uid, corners: shape.corners.map(([lon, lat]) => [lat, lon]) };
}

function toServer({ uid, id, layer, kind, corners, name, use, road_class, reason, said_by, said_on, via }) {
  return { uid: uid || id, layer, kind, corners: corners.map(([lat, lon]) => [lon, lat]),
    name, use, road_class, reason, said_by, said_on, via };
}

export function landView(desk) {
  const view = {};
  const known = knownGround(desk.map);
  const now = { uid: "", row: null, state: null, past: null, rev: 0, chosen: null, saving: false, again: false };
  const pen = drawing(desk.map, {
    shapes: () => (now.state ? now.state.shapes : []),
    style: pathStyle,
    chose: (id) => choose(id),
    changed: (shape) => {
      if (shape.kind === "point" && pen.isAdding()) pen.choose(shape.id, false);
      acted();
    },
  });

  const current = () => now.state.shapes.find((shape) => shape.id === now.chosen) || null;

  const acts = { pen, acted: () => acted(), replace: (shape, parts) => replace(shape, parts), draw: () => draw(),
    remove: (id) => { remove(id); byId("title").focus(); } };

  // --- saving ----------------------------------------------------------------------------------

  function acted() {
    now.past.put(now.state);
    save();
    draw();
  }

  // One save at a time; acts that come meanwhile are saved by the next one.
  async function save() {
    if (now.saving) {
      now.again = true;
      return;
    }
    now.saving = true;
    say("Saving ...");
    const { uid } = now;
    try {
      const { rev } = await send("PUT", `/api/land/${uid}`, { rev: now.rev, answers: now.state.answers,
        shapes: now.state.shapes.filter((shape) => !faultOf(shape)).map(toServer) });
      if (uid !== now.uid || !now.state) return;
      now.rev = rev;
      await desk.reload();
      status();
      const open = now.state.shapes.filter((shape) => faultOf(shape)).length;
      say(open ? `Saved. Not finished, and kept on this page only: ${open}.` : "Saved.");
    } catch (error) {
      say("Not saved. Your drawing is still here.");
      if (error.status === 409) conflict();
      else fault(error);
    } finally {
      now.saving = false;
    }
    if (now.again && now.state) {
      now.again = false;
      save();
    }
  }

  function status() {
    now.row = desk.row(now.uid) || now.row;
    if (byId("status") && now.row) byId("status").textContent = now.row.status;
  }

  function conflict() {
    byId("faults").replaceChildren(node("p", { class: "caution" },
      "This land was changed in another window. Keep yours, or take theirs?",
      button("Keep mine", async () => {
        now.rev = (await get(`/api/land/${now.uid}`)).rev;
        byId("faults").replaceChildren();
        save();
      }), button("Take theirs", () => view.show(now.uid))));
  }

  // --- acts -------------------------------------------------------------------------------------

  function choose(id) {
    if (now.chosen !== id) {
      now.chosen = id;
      pen.choose(id, false);
    }
    draw();
  }

  function begin(layer, kind) {
    const shape = { id: newId(), uid: "", layer, kind, corners: [], name: "", use: "", road_class: "",
      reason: "", said_by: "", said_on: "", via: "office" };
    now.state.shapes.push(shape);
    delete now.state.answers[layer];
    now.chosen = shape.id;
    pen.choose(shape.id, true);
    draw();
    byId("map").focus({ preventScroll: true });
  }

  function finish() {
    now.state.shapes = now.state.shapes.filter((shape) => shape.corners.length);
    pen.choose(now.chosen, false);
    acted();
    byId("title").focus({ preventScroll: true });
  }

  function remove(id) {
    now.state.shapes = now.state.shapes.filter((shape) => shape.id !== id);
    now.chosen = null;
    pen.choose(null, false);
    acted();
  }

  function answer(layer, word) {
    now.state.shapes = now.state.shapes.filter((shape) => shape.layer !== layer);
    if (now.state.answers[layer] === word) delete now.state.answers[layer];
    else now.state.answers[layer] = word;
    now.chosen = null;
    pen.choose(null, false);
    acted();
  }

  function restored(before) {
    if (!before) return;
    now.state = before;
    now.chosen = null;
    pen.choose(null, false);
    save();
    draw();
  }

  // --- files ---------------------------------------------------------------------------------------

  function dropped(file) {
    return attempt(async () => {
      const found = await sendFile(file);
      if (!found.shapes.length) throw new Error("The file holds no areas and no lines.");
      const areas = found.shapes.filter((shape) => shape.layer === "parcel");
      if (found.kind === "shapes" && areas.length > 1) return picking(areas, found.shapes);
      return take(found.shapes, found.answers);
    });
  }

  // Several areas in one file: which of them is the land?
  function picking(areas, all) {
    byId("faults").replaceChildren(node("div", { class: "caution" },
      node("p", {}, `The file holds ${areas.length} areas. Which one is the land?`),
      node("ul", { class: "shapes" }, areas.slice(0, 50).map((area, k) => node("li", {},
        button([user(area.label || `Area ${k + 1}`), ` · ${measure(fromServer(area))}`], () => take([area], {}))))),
      button("All of them", () => take(all, {}))));
  }

  function take(shapes, answers) {
    byId("faults").replaceChildren();
    const mine = shapes.map(fromServer);
    if (mine.some((shape) => shape.layer === "parcel")) {
      now.state.shapes = now.state.shapes.filter((shape) => shape.layer !== "parcel");
    }
    now.state.shapes.push(...mine);
    now.state.answers = { ...now.state.answers, ...answers };
    mine.forEach((shape) => delete now.state.answers[shape.layer]);
    acted();
    frame();
    const far = farAway();
    if (far) fault(new Error(far));
  }

  function farAway() {
    const [west, south, east, north] = DATA.bounds;
    const box = L.latLngBounds([[south, west], [north, east]]);
    const corners = now.state.shapes.flatMap((shape) => shape.corners);
    return corners.length && !corners.some((corner) => box.contains(corner))
      ? "This lies outside your survey's maps. Are longitude and latitude swapped? If not, get data for it." : "";
  }

  function frame() {
    const corners = now.state.shapes.flatMap((shape) => shape.corners);
    if (corners.length) desk.map.fitBounds(L.latLngBounds(corners).pad(0.25), { maxZoom: 17 });
    else if (now.row && now.row.lat !== null) desk.map.setView([now.row.lat, now.row.lon], 15);
  }

  // --- the panel --------------------------------------------------------------------------------------

  function draw() {
    byId("map").classList.toggle("is-adding", pen.isAdding());
    byId("cross").hidden = !pen.isAdding();
    byId("body").classList.toggle("is-adding", pen.isAdding());
    const at = byId("layers");
    if (!at) return;
    at.replaceChildren(...(pen.isAdding() ? addingTools() : LAYERS.map(layerPart)));
    byId("undo").disabled = !now.past.canBack();
    byId("redo").disabled = !now.past.canOn();
    const outline = now.state.shapes.some((shape) => shape.layer === "parcel" && !faultOf(shape));
    byId("score").disabled = !outline;
    byId("why-not").textContent = outline ? ""
      : "Draw the outline, drop a file, or send a sketch page to the volunteer.";
  }

  function addingTools() {
    const shape = current();
    const wrong = shape ? faultOf(shape) : "";
    const point = shape && shape.kind === "point";
    const place = node("input", { id: "typed", autocomplete: "off" });
    const typed = () => {
      const corner = readPlace(place.value);
      if (corner) pen.add(corner);
      else say("Not understood. Write latitude, then longitude: 44.12345, -70.12345");
    };
    return [
      node("p", {}, point ? "Click the place on the map." : "Click the corners on the map, one after the other."),
      node("p", { class: "small" }, "With a keyboard: arrow keys move the map under the cross, Enter sets a corner."),
      node("div", { class: "buttons" },
        button("Set it here", () => pen.addHere()),
        shape && shape.corners.length && !point ? button("Remove the last corner", () => pen.removeCorner()) : null,
        button("Done", finish, { class: "main" })),
      field("Or type a position: latitude, longitude", place), button("Add", typed),
      node("p", { class: "fact", role: "status" }, shape && shape.corners.length ? (wrong || measure(shape)) : ""),
    ];
  }

  function layerPart(step) {
    const mine = now.state.shapes.filter((shape) => shape.layer === step.layer);
    const said = now.state.answers[step.layer];
    const words = mine.length ? `${mine.length} marked` : said === "none" ? "None here"
      : said === "unknown" ? "Not known" : "Not asked";
    return node("section", { class: "layer" },
      node("h3", {}, step.title, node("span", { class: "small" }, ` ${words}`)),
      node("div", { class: "buttons" },
        step.kinds.map((kind) => button(step.draw[kind], () => begin(step.layer, kind))),
        step.answers ? [
          button("None here", () => answer(step.layer, "none"), { "aria-pressed": String(said === "none") }),
          button("Not known", () => answer(step.layer, "unknown"), { "aria-pressed": String(said === "unknown") }),
        ] : []),
      mine.length ? node("ul", { class: "shapes" }, mine.map((shape, k) => row(step, shape, k))) : null);
  }

  function row(step, shape, k) {
    const open = shape.id === now.chosen;
    const wrong = faultOf(shape);
    return node("li", {},
      button(user(shape.name || `${step.one} ${k + 1}`), () => choose(open ? null : shape.id),
        { "aria-expanded": String(open), class: "shape-name" }),
      node("span", { class: wrong ? "fact wrong" : "fact" }, wrong || measure(shape)),
      open ? shapeTools(acts, step, shape) : null);
  }

  // The two parts take the place of a shape, each with all that was said of it.
  function replace(shape, parts) {
    const made = parts.map((corners) => ({ ...shape, id: newId(), uid: "", corners }));
    now.state.shapes = now.state.shapes.flatMap((other) => (other === shape ? made : [other]));
    now.chosen = made[0].id;
    pen.choose(now.chosen, false);
    acted();
    say("Split in two.");
    byId("title").focus({ preventScroll: true });
  }

  function filePart() {
    const input = node("input", { type: "file" });
    input.addEventListener("change", () => input.files.length && dropped(input.files[0]));
    return node("details", {}, node("summary", {}, "Take the land from a file"),
      field("GeoJSON, KML, GPX, a zipped shapefile, a GeoPackage, or a sketch that came back", input));
  }

  function anewPart(anew) {
    return node("details", {}, node("summary", {}, "If a result looks wrong"),
      node("p", { class: "small" }, DATA.words.anew), button("Score from nothing", anew));
  }

  return Object.assign(view, {
    pen,
    dropped,
    restoredBack: () => restored(now.past.back()),
    restoredOn: () => restored(now.past.on()),
    async show(uid) {
      await attempt(async () => {
        const data = await get(`/api/land/${uid}`);
        const state = { shapes: data.shapes.map(fromServer), answers: data.answers };
        const past = history(state);
        Object.assign(now, { uid, row: desk.row(uid), state, past, rev: data.rev, chosen: null });
        const word = node("span", { class: "status", id: "status" }, now.row ? now.row.status : "");
        const score = () => attempt(() => send("POST", `/api/score/${desk.waitsFor = uid}`, {}));
        const anew = () => attempt(() => send("POST", `/api/score/${uid}?anew=yes`, {}));
        const sketch = () => attempt(() => download(`/api/sketch/${uid}`, "sketch.html"));
        titled(now.row ? now.row.label : "Land", node("p", {}, word),
          node("div", { class: "buttons" },
            button("Score this land", score, { id: "score", class: "main" }),
            button("Places", () => desk.places(uid)),
            button("Sketch page for the volunteer", sketch),
            button("Undo", () => view.restoredBack(), { id: "undo" }),
            button("Redo", () => view.restoredOn(), { id: "redo" })),
          node("p", { class: "small", id: "why-not" }), filePart(),
          aboutPart(desk, now, status), anewPart(anew),
          dataPart(desk.map, uid, () => known.draw(uid)), node("div", { id: "layers" }));
        pen.choose(null, false);
        frame();
        draw();
        known.draw(uid).catch(() => say("The office's own layers could not be read here."));
      });
    },
    hide() {
      now.state = null;
      known.remove();
      dataHidden();
      pen.choose(null, false);
      byId("cross").hidden = true;
      byId("body").classList.remove("is-adding");
    },
  });
}
