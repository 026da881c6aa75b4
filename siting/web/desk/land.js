// The land of one sign-up: outline and all that is known, drawn, answered, saved after each act.

import { fault as faultOf, unsaved } from "../model/shapes.js";
import { history } from "../model/sketch.js";
import { byId, newId, node, user } from "../shared/dom.js";
import { drawing } from "../shared/draw.js";
import { pathStyle } from "../sketch/style.js";
import { DATA, download, get, send } from "./api.js";
import { aboutPart } from "./about.js";
import { addingTools } from "./drawn/adding.js";
import { farAway, fromServer, landFiles, toServer } from "./drawn/files.js";
import { boxed, cameraSign, countedIn, framed, knownGround } from "./drawn/ground.js";
import { layerParts, nameOf, onMapsWords, stepOf } from "./drawn/layers.js";
import { saving, settled } from "./drawn/saving.js";
import { dataAnew, dataHidden, dataPart } from "./data.js";
import { attempt, button, fault, say, seen, titled, whenFree } from "./page.js";
import { renewHead, subjectHead } from "./subject.js";

function anewPart(anew) {
  return node("details", {}, node("summary", {}, "If a result looks wrong"),
    node("p", { class: "small" }, DATA.words.anew), button("Score from nothing", anew));
}

export function landView(desk) {
  const view = {};
  const known = knownGround(desk.map);
  const camera = cameraSign(desk.map);
  const now = { uid: "", row: null, state: null, past: null, saver: null, chosen: null,
    before: "", onMaps: {}, around: [], also: "", isNew: false };
  const pen = drawing(desk.map, {
    shapes: () => (now.state ? now.state.shapes : []),
    style: pathStyle,
    chose: (id) => choose(id),
    done: () => finish(),
    changed: (shape) => {
      if (shape.kind === "point" && pen.isAdding()) {
        pen.choose(shape.id, false);
        now.isNew = true;
      }
      acted();
    },
  });

  const frame = () => framed(desk.map, now.state.shapes, now.row);
  const current = () => now.state.shapes.find((shape) => shape.id === now.chosen) || null;

  const acts = { pen, noted: (shape) => noted(shape), replace: (shape, parts) => replace(shape, parts),
    draw: () => draw(), choose: (id) => choose(id), answer: (layer, word) => answer(layer, word),
    begin: (layer, kind) => begin(layer, kind), addTo: (shape) => goOn(shape), finish: () => finish(),
    cancel: () => cancel(), remove: (id) => { remove(id); byId("title").focus(); } };

  // --- saving ----------------------------------------------------------------------------------

  function acted(also = "") {
    now.past.put(now.state);
    save(also);
    draw();
  }

  // Words about a shape: what is drawn stays as it is, and the hand in the field it went to.
  function noted(shape) {
    now.past.put(now.state);
    save();
    renewUndo();
    const head = byId("layers").querySelector(".shape-name[aria-expanded=true]");
    if (head) head.replaceChildren(user(nameOf(shape, now.state.shapes)));
  }

  // `also` is said with it, until the next act: an earlier save may end meanwhile.
  function save(also = "") {
    now.also = also;
    say("Saving ...");
    now.saver.save({ answers: { ...now.state.answers },
      shapes: now.state.shapes.filter((shape) => !faultOf(shape)).map(toServer) });
  }

  const isOpen = (saver) => now.state && now.saver === saver;

  async function saved(saver) {
    await desk.reload(saver.uid);
    if (!isOpen(saver)) return;
    status();
    say(savedWords());
  }

  function unsavedFor(error, saver) {
    if (!isOpen(saver)) {
      const { label } = desk.row(saver.uid) || { label: "the land" };
      fault(new Error(`The last change of ${label} was not saved: ${error.message}`));
      return;
    }
    say("Not saved. Your drawing is still here.");
    if (error.status === 409) conflict();
    else fault(error);
  }

  function savedWords() {
    const open = now.state.shapes.filter((shape) => faultOf(shape));
    if (!open.length) return `Saved.${now.also}`;
    if (open.length > 1) return `${open.length} shapes are not saved yet: finish or delete them.`;
    return unsaved(open[0], open[0].layer === "parcel" ? "outline" : stepOf(open[0]).one.toLowerCase());
  }

  function status() {
    now.row = desk.row(now.uid) || now.row;
    renewHead(desk);
  }

  function conflict() {
    byId("faults").replaceChildren(node("p", { class: "caution" },
      "This land was changed in another window. Keep yours, or take theirs?",
      button("Keep mine", async () => {
        now.saver.rev = (await get(`/api/land/${now.uid}`)).rev;
        byId("faults").replaceChildren();
        save();
      }), button("Take theirs", () => view.show(now.uid))));
  }

  // What the office's own maps show on this land: it counts whatever is answered here.
  function drawKnown() {
    const { uid } = now;
    return known.draw(uid).then((rows) => {
      // It comes late: a field in which somebody types must stay.
      if (uid !== now.uid || !now.state) return;
      now.around = boxed(rows);
      if (!pen.isAdding() && !byId("layers").contains(document.activeElement)) draw();
    }).catch(() => say("The office's own layers could not be read here."));
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
    now.before = JSON.stringify(now.state);
    const shape = { id: newId(), uid: "", layer, kind, corners: [], name: "", use: "", road_class: "",
      reason: "", said_by: "", said_on: "", via: "office" };
    now.state.shapes.push(shape);
    delete now.state.answers[layer];
    drawOn(shape);
  }

  function goOn(shape) {
    now.before = JSON.stringify(now.state);
    drawOn(shape);
  }

  function drawOn(shape) {
    now.chosen = shape.id;
    pen.choose(shape.id, true);
    draw();
    byId("layers").scrollIntoView({ block: "nearest" });
    byId("map").focus({ preventScroll: true });
  }

  function finish() {
    now.state.shapes = now.state.shapes.filter((shape) => shape.corners.length);
    pen.choose(now.chosen, false);
    now.isNew = true;
    acted();
    byId("title").focus({ preventScroll: true });
  }

  // As if the drawing had not been begun; Undo brings it back.
  function cancel() {
    Object.assign(now, { state: JSON.parse(now.before), chosen: null });
    pen.choose(null, false);
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
    const gone = now.state.shapes.filter((shape) => shape.layer === layer)
      .map((shape) => nameOf(shape, now.state.shapes));
    now.state.shapes = now.state.shapes.filter((shape) => shape.layer !== layer);
    if (now.state.answers[layer] === word) delete now.state.answers[layer];
    else now.state.answers[layer] = word;
    const said = now.state.answers[layer];
    const isDoubtful = said === "none" && now.onMaps[layer];
    now.chosen = null;
    pen.choose(null, false);
    acted((gone.length ? ` Taken away: ${gone.join(", ")}. Undo brings it back.` : "")
      + (isDoubtful ? ` But ${onMapsWords(now.onMaps[layer], said)}.` : ""));
  }

  function restored(before) {
    if (!before) return;
    Object.assign(now, { state: before, chosen: null });
    pen.choose(null, false);
    save();
    draw();
  }

  // --- files ---------------------------------------------------------------------------------------

  const files = landFiles((shapes, answers) => take(shapes, answers));

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
    drawKnown();
    const far = farAway(now.state.shapes);
    if (far) fault(new Error(far));
  }

  // --- the panel --------------------------------------------------------------------------------------

  function draw() {
    whenFree("land", () => { if (now.state) paintPanel(); });
  }

  function renewUndo() {
    byId("undo").disabled = !now.past.canBack();
    byId("redo").disabled = !now.past.canOn();
  }

  function paintPanel() {
    byId("map").classList.toggle("is-adding", pen.isAdding());
    byId("cross").hidden = !["adding", "moving"].includes(pen.act());
    byId("body").classList.toggle("is-adding", pen.isAdding());
    const at = byId("layers");
    if (!at) return;
    const mine = now.state.shapes.filter(({ layer }) => layer === "parcel").flatMap(({ corners }) => corners);
    now.onMaps = mine.length ? countedIn(now.around, L.latLngBounds(mine)) : {};
    at.replaceChildren(...(pen.isAdding() ? addingTools(acts, stepOf(current()), current())
      : layerParts(now, acts)));
    renewUndo();
    // What was just drawn: its row may be far down, and the panel was short while it was drawn.
    const open = now.isNew && !pen.isAdding() && at.querySelector(".shape-name[aria-expanded=true]");
    if (open) open.closest("section").scrollIntoView({ block: "nearest" });
    now.isNew = false;
    const outline = now.state.shapes.some((shape) => shape.layer === "parcel" && !faultOf(shape));
    byId("score").disabled = byId("score-below").disabled = !outline;
    byId("score-below").hidden = pen.isAdding();
    byId("why-not").textContent = outline ? ""
      : "Draw the outline, drop a file, or send a sketch page to the volunteer.";
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

  return Object.assign(view, {
    pen,
    dropped: files.dropped,
    restoredBack: () => restored(now.past.back()),
    restoredOn: () => restored(now.past.on()),
    async show(uid) {
      await attempt(async () => {
        // A save that is on its way is part of what is shown.
        await seen(settled(uid));
        const data = await seen(get(`/api/land/${uid}`));
        const state = { shapes: data.shapes.map(fromServer), answers: data.answers };
        const past = history(state);
        const saver = saving(uid, data.rev, saved, unsavedFor);
        Object.assign(now, { uid, row: desk.row(uid), state, past, saver, chosen: null });
        const score = () => attempt(() => settled(uid)
          .then(() => send("POST", `/api/score/${desk.waitsFor = uid}`, {})));
        const anew = () => attempt(() => send("POST", `/api/score/${uid}?anew=yes`, {}));
        const sketch = () => attempt(async () => {
          const name = `sketch-${now.row.label}.html`;
          await download(`/api/sketch/${uid}`, name);
          say(`${name} is with your downloads. Send it to the volunteer.`);
        });
        titled(now.row ? now.row.label : "Land", subjectHead(desk, uid, "land"),
          node("div", { class: "buttons" },
            button("Score this land", score, { id: "score", class: "main" }),
            node("span", { class: "pair" },
              button("Undo", () => view.restoredBack(), { id: "undo" }),
              button("Redo", () => view.restoredOn(), { id: "redo" }))),
          node("p", { class: "small", id: "why-not" }),
          node("div", { class: "buttons other-ways" }, button("Sketch page for the volunteer", sketch)),
          files.part(), dataPart(desk.map, uid, drawKnown), node("div", { id: "layers" }),
          // Whoever has gone through the layers is far below the first one.
          node("div", { class: "buttons" }, button("That is all: score it", score, { id: "score-below" })),
          aboutPart(desk, now, status, () => { frame(); dataAnew(); }), anewPart(anew));
        pen.choose(null, false);
        camera.show(data.camera);
        frame();
        draw();
        drawKnown();
      });
    },
    hide() {
      now.state = null;
      known.remove();
      camera.remove();
      dataHidden();
      pen.choose(null, false);
      byId("cross").hidden = true;
      byId("body").classList.remove("is-adding");
    },
  });
}
