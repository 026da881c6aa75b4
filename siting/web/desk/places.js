// The places of a run: where, why, which way to face; take one, and hand it over.

import { byId, node, user } from "../shared/dom.js";
import { DATA, download, get, send } from "./api.js";
import { knownGround, landPicture } from "./drawn/ground.js";
import { letterPart } from "./returns/letter.js";
import { attempt, button, field, say, titled } from "./page.js";

const OLD = "This list is older than the land as it is drawn now. Score again.";
const NO_PLACE = "No place on this land suits a camera.";

export function placesView(desk) {
  const view = {};
  const marks = L.layerGroup();
  let shownRun = "";
  const ground = [landPicture(desk.map), knownGround(desk.map)];

  function place(uid, data, spot) {
    const { decision } = data;
    const taken = decision && (decision.spot_id ? decision.spot_id === spot.spot_id
      : decision.run_uid === data.run && decision.rank === spot.rank);
    const first = spot.rank === 1 && !decision;
    const why = node("input", { maxlength: 500 });
    const reason = node("select", {}, DATA.words.reasons.map(([value, words]) => node("option", { value }, words)));
    const decide = (kind) => attempt(async () => {
      if (kind === "swapped" && !why.value.trim()) {
        why.focus();
        throw new Error("Say in a few words why, for the record.");
      }
      await send("POST", `/api/decision/${uid}`, { run: data.run, rank: spot.rank, kind, why: why.value.trim(),
        reason: kind === "refused" ? reason.value : "" });
      await view.show(uid);
      say(kind === "refused" ? "Ruled out. The list is made anew without it."
        : `Spot ${spot.rank} is chosen. The files are made for it now.`);
    });
    return node("li", { class: taken ? "taken" : "" },
      node("h3", {}, `${spot.rank}. `, user(spot.name || spot.why[0]),
        taken ? node("span", { class: "status" }, "Chosen") : null),
      node("ul", {}, spot.why.slice(0, 3).map((words) => node("li", {}, user(words)))),
      taken ? null : [
        first ? null : field(`Why spot ${spot.rank}?`, why),
        node("div", { class: "buttons" },
          first ? button("Take this place", () => decide("accepted"), { class: "main" })
            : button("Take this one instead", () => decide("swapped")))],
      node("details", {}, node("summary", {}, `Rule spot ${spot.rank} out`), field("Why?", reason),
        button("Rule it out", () => decide("refused"))));
  }

  // For a survey that compares: where chance would put the camera, whatever the list says.
  function atRandom(uid, data) {
    if (!data.lot) return null;
    const taken = data.decision && data.decision.spot_id === data.lot.spot_id;
    const take = () => attempt(async () => {
      await send("POST", `/api/decision/${uid}`, { run: data.run, rank: 0, kind: "random", why: "", reason: "" });
      await view.show(uid);
      say("The place drawn at random is chosen. The files are made for it now.");
    });
    const words = `a place drawn at random, in ${data.lot.stratum}`;
    return taken
      ? node("p", { class: "taken" }, node("span", { class: "status" }, "Chosen"), ` ${words}.`)
      : node("details", {}, node("summary", {}, "Put the camera at a place drawn at random"),
        node("p", { class: "small" }, DATA.words.random), button("Take the random place", take));
  }

  // From its first line: a long letter would else show its end.
  function toLetter() {
    const letter = byId("letter");
    letter.focus();
    letter.setSelectionRange(0, 0);
    letter.scrollTop = 0;
  }

  function shown(uid, data, file, words) {
    if (!data.files.includes(file)) return null;
    const href = `/result/${uid}/${file}`;
    return node("a", { class: "as-button", href, target: "_blank", rel: "noopener" }, words);
  }

  function handOver(uid, data) {
    const archive = () => attempt(() => download(`/api/hand-over/${uid}`, `${desk.row(uid).label}.zip`));
    return node("section", {}, node("h3", {}, "Hand over"),
      node("p", { class: "small" }, DATA.words.exact),
      data.files_ready ? null : node("p", { role: "status" }, DATA.words.making),
      node("div", { class: "buttons" },
        button("Files for the volunteer", archive, { class: "main", ...(data.files_ready ? {} : { disabled: "" }) }),
        shown(uid, data, "map.html", "Open the map page"),
        shown(uid, data, "field_sheet.html", "Open the sheet")));
  }

  // What needs the files of the run: while they are being written there is nothing to open or send.
  async function withFiles(uid, data) {
    if (!data.spots.length) return [];
    if (data.is_writing) return [node("p", { role: "status" }, DATA.words.writing)];
    return [await letterPart(desk, uid, data.files_ready), handOver(uid, data)];
  }

  function drawMarks(data) {
    marks.clearLayers();
    data.spots.forEach((spot) => {
      const html = node("span", {}, String(spot.rank));
      const icon = L.divIcon({ className: "place-mark", html, iconSize: [28, 28] });
      L.marker([spot.lat, spot.lon], { icon, keyboard: false, title: `Spot ${spot.rank}` }).addTo(marks);
    });
    if (data.spots.length) {
      desk.map.fitBounds(L.latLngBounds(data.spots.map((spot) => [spot.lat, spot.lon])).pad(0.4), { maxZoom: 17 });
    }
  }

  return Object.assign(view, {
    async show(uid) {
      await attempt(async () => {
        const data = await get(`/api/places/${uid}`);
        const row = desk.row(uid);
        const notes = (data.summary || "").split("\n").filter((line) => line.startsWith("Warning: "));
        titled(`Places of ${row ? row.label : "the land"}`,
          node("div", { class: "buttons" }, button("Back to the land", () => desk.open(uid)),
            // Below ten places nobody would look for them.
            data.spots.length ? button("Letter and files", toLetter,
              { id: "to-letter", ...(data.is_writing ? { disabled: "" } : {}) }) : null),
          data.is_old ? node("p", { class: "caution" }, OLD) : null,
          data.spots.length ? null : node("p", {}, data.run ? NO_PLACE : "Not scored yet."),
          notes.map((line) => node("p", { class: "caution" }, line.slice(9))),
          node("ol", { class: "places" }, data.spots.map((spot) => place(uid, data, spot))),
          atRandom(uid, data),
          node("div", { id: "with-files" }, await withFiles(uid, data)));
        shownRun = data.run;
        marks.addTo(desk.map);
        drawMarks(data);
        byId("title").focus({ preventScroll: true });
        await ground[0].draw(uid);
        ground[1].draw(uid).catch(() => say("The office's own layers could not be read here."));
      });
    },
    // The files of the run that is shown are there: its list stays as it is, with what was typed.
    async written(uid) {
      await attempt(async () => {
        const data = await get(`/api/places/${uid}`);
        if (data.run !== shownRun || !byId("with-files")) await view.show(uid);
        else {
          byId("with-files").replaceChildren(...await withFiles(uid, data));
          if (byId("to-letter")) byId("to-letter").disabled = data.is_writing;
        }
      });
    },
    hide() {
      marks.remove();
      ground.forEach((one) => one.remove());
    },
  });
}
