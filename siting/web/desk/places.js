// The places of a run: where, why, which way to face; take one, and hand it over.

import { changes } from "../model/changes.js";
import { indexWords, tenths, windOf } from "../model/lengths.js";
import { byId, node, user } from "../shared/dom.js";
import { DATA, download, get, send } from "./api.js";
import { cameraMark, knownGround, landPicture } from "./drawn/ground.js";
import { letterPart } from "./returns/letter.js";
import { attempt, button, fault, field, say, seen, titled } from "./page.js";
import { subjectHead } from "./subject.js";

const OLD = "This list is older than the land as you know it now. Score again.";
const NO_PLACE = "No place on this land suits a camera.";
const SURE = { firm: "a firm choice", fair: "a fair choice", "toss-up": "a toss-up with others" };

function isTaken({ decision, run }, spot) {
  if (!decision || !spot) return false;
  return decision.spot_id ? decision.spot_id === spot.spot_id : decision.run_uid === run && decision.rank === spot.rank;
}

export function placesView(desk) {
  const view = {};
  const marks = L.layerGroup();
  let shownRun = "";
  let shownUid = "";
  let shownPart = "";
  // The list of each land that was shown before, for what changed in it.
  const before = new Map();
  const ground = [landPicture(desk.map), knownGround(desk.map)];

  function place(uid, data, spot) {
    const { decision } = data;
    const taken = isTaken(data, spot);
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
      if (kind !== "refused") return chosen(uid, `Spot ${spot.rank} is chosen. The files are made for it now.`);
      await view.show(uid);
      return say("Ruled out. The list is made anew without it.");
    });
    const facts = [`Facing ${windOf(spot.heading_true_deg)}`, SURE[spot.stability],
      `${indexWords(tenths(spot.score))} times plain ground`].filter(Boolean).join(" · ");
    return node("li", { class: taken ? "taken" : "", id: `spot-${spot.rank}`,
      onmouseenter: () => light(spot.rank), onmouseleave: () => light(0) },
    node("h3", {}, `${spot.rank}. `, user(spot.name || spot.why[0]),
      taken ? node("span", { class: "status" }, "Chosen") : null),
    node("p", { class: "fact" }, facts),
    node("ul", {}, spot.why.slice(0, 3).map((words) => node("li", {}, user(words)))),
    first ? node("div", { class: "buttons" },
      button("Take this place", () => decide("accepted"), { class: "main" })) : null,
    taken ? onward(uid) : null,
    node("div", { class: "choices" },
      first || taken ? null : node("details", {}, node("summary", {}, `Take spot ${spot.rank} instead`),
        field(`Why spot ${spot.rank}?`, why), button("Take this one instead", () => decide("swapped"))),
      node("details", {}, node("summary", {}, `Rule spot ${spot.rank} out`), field("Why?", reason),
        button("Rule it out", () => decide("refused")))));
  }

  // What comes after a choice, and the way back.
  function onward(uid) {
    const undo = () => attempt(async () => {
      await send("DELETE", `/api/decision/${uid}`, {});
      await desk.reload(uid);
      await view.show(uid);
      say("No place is chosen any more. The files are made without it now.");
    });
    return node("div", { class: "buttons" },
      button("Next: the letter", () => desk.letter(uid), { class: "main" }),
      button("Take the choice back", undo));
  }

  // A choice that no place of the list stands for would else not be seen, nor be taken back.
  function unlisted(uid, data) {
    if (!data.decision || [...data.spots, data.lot].some((spot) => isTaken(data, spot))) return null;
    return [node("p", { class: "caution" }, "The place that was chosen is not in this list."), onward(uid)];
  }

  // The mark of a place on the map while the hand is on its words.
  function light(rank) {
    marks.eachLayer((mark) => mark.getElement() && mark.getElement().classList.toggle("is-lit", mark.rank === rank));
    byId("body").querySelectorAll(".places > li")
      .forEach((item) => item.classList.toggle("is-lit", item.id === `spot-${rank}`));
  }

  function changed(uid, data) {
    const last = before.get(uid) || { run: "", spots: [], words: [], taken: "" };
    if (!data.run || data.run === last.run) return last.words;
    const taken = data.decision ? data.decision.uid : "";
    const all = changes(last.spots, data.spots);
    // A run after a place was taken only names it: that nothing moved is no news then.
    const words = taken !== last.taken && /^The same/.test(all.join("")) ? [] : all;
    before.set(uid, { run: data.run, spots: data.spots, words, taken });
    return words;
  }

  // For a survey that compares: where chance would put the camera, whatever the list says.
  function atRandom(uid, data) {
    if (!data.lot) return null;
    const taken = data.decision && data.decision.spot_id === data.lot.spot_id;
    const take = () => attempt(async () => {
      await send("POST", `/api/decision/${uid}`, { run: data.run, rank: 0, kind: "random", why: "", reason: "" });
      await chosen(uid, "The place drawn at random is chosen. The files are made for it now.");
    });
    const words = `a place drawn at random, in ${data.lot.stratum}`;
    return taken
      ? [node("p", { class: "taken" }, node("span", { class: "status" }, "Chosen"), ` ${words}.`), onward(uid)]
      : node("details", {}, node("summary", {}, "Put the camera at a place drawn at random"),
        node("p", { class: "small" }, DATA.words.random), button("Take the random place", take));
  }

  // These words stand until the files are there: the list that comes before them is the same.
  async function chosen(uid, words) {
    desk.decided = { uid, words };
    await desk.reload(uid);
    await view.show(uid);
    say(words);
  }

  // From its first line: a long letter would else show its end.
  function toLetter() {
    const letter = byId("letter");
    if (!letter) return;
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
    if (!data.run) return [];
    if (data.is_writing) return [node("p", { role: "status" }, DATA.words.writing)];
    return [await letterPart(desk, uid, data.files_ready), handOver(uid, data)];
  }

  function drawMarks(uid, data) {
    marks.clearLayers();
    if (data.camera) cameraMark(data.camera).addTo(marks);
    data.spots.forEach((spot) => {
      const html = node("span", {}, String(spot.rank));
      const isChosen = isTaken(data, spot);
      const icon = L.divIcon({ className: `place-mark${isChosen ? " is-taken" : ""}`, html, iconSize: [28, 28] });
      const mark = L.marker([spot.lat, spot.lon], { icon, keyboard: false, title: `Spot ${spot.rank}`,
        zIndexOffset: isChosen ? 2000 : 1000 - spot.rank }).addTo(marks);
      mark.rank = spot.rank;
      mark.on("click", () => {
        if (byId(`spot-${spot.rank}`)) byId(`spot-${spot.rank}`).scrollIntoView({ block: "start" });
        light(spot.rank);
      });
    });
    // The map stays where the hand has put it while the same land is looked at.
    if (data.spots.length && shownUid !== uid) {
      desk.map.fitBounds(L.latLngBounds(data.spots.map((spot) => [spot.lat, spot.lon])).pad(0.4), { maxZoom: 17 });
    }
  }

  function listed(uid, data, title, head) {
    const news = changed(uid, data);
    const notes = (data.summary || "").split("\n").filter((line) => line.startsWith("Warning: "));
    titled(title, head,
      notes.map((line) => node("p", { class: "caution" }, line.slice(9))),
      news.length ? node("p", { class: "standing" }, user(news.join(" "))) : null,
      data.camera ? node("p", { class: "standing" },
        `A camera has been up since ${data.camera.since}; the map shows where.`) : null,
      data.spots.length ? node("p", { class: "small" }, DATA.words.facts) : null,
      unlisted(uid, data),
      node("ol", { class: "places" }, data.spots.map((spot) => place(uid, data, spot))),
      atRandom(uid, data),
      data.is_writing ? node("p", { role: "status", id: "writing" }, DATA.words.writing) : null);
  }

  // Which place the letter and the files are about.
  function chosenPart(uid, data) {
    const spot = data.spots.find((one) => isTaken(data, one));
    if (spot) return node("p", {}, `Spot ${spot.rank} is chosen: `, user(spot.name || spot.why[0]), ".");
    if (!data.spots.length || data.decision) return null;
    return node("div", { class: "buttons" }, button("Choose a place first", () => desk.places(uid), { class: "main" }));
  }

  return Object.assign(view, {
    async show(uid, part = "places") {
      await attempt(async () => {
        const data = await seen(get(`/api/places/${uid}`));
        const row = desk.row(uid);
        const name = row ? row.label : "the land";
        const head = [subjectHead(desk, uid, part),
          data.is_old ? node("p", { class: "caution" }, OLD) : null,
          data.spots.length ? null : node("p", {}, data.run ? NO_PLACE : "Not scored yet.")];
        if (part === "letter") {
          const parts = await seen(withFiles(uid, data));
          titled(`Letter and files of ${name}`, head, chosenPart(uid, data),
            node("div", { id: "with-files" }, parts));
        } else listed(uid, data, `Places of ${name}`, head);
        shownRun = data.run;
        marks.addTo(desk.map);
        drawMarks(uid, data);
        shownUid = uid;
        shownPart = part;
        byId("title").focus({ preventScroll: true });
        if (part === "letter") toLetter();
        ground[0].draw(uid).catch(fault);
        ground[1].draw(uid).catch(() => say("The office's own layers could not be read here."));
      });
    },
    // The files of the run that is shown are there: its list stays as it is, with what was typed.
    async written(uid) {
      await attempt(async () => {
        const data = await seen(get(`/api/places/${uid}`));
        if (data.run !== shownRun) {
          await view.show(uid, shownPart);
          return;
        }
        if (byId("writing")) byId("writing").remove();
        if (!byId("with-files")) return;
        const parts = await seen(withFiles(uid, data));
        byId("with-files").replaceChildren(...parts);
        toLetter();
      });
    },
    hide() {
      marks.remove();
      shownUid = "";
      ground.forEach((one) => one.remove());
    },
  });
}
