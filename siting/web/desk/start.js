// The desk: which view is open, what the server says meanwhile.

import { byId } from "../shared/dom.js";
import { setUpTheme } from "../shared/theme.js";
import { DATA, listen, send } from "./api.js";
import { backView } from "./returns/back.js";
import { assignView } from "./assign.js";
import { dataEvent } from "./data.js";
import { landView } from "./land.js";
import { listView } from "./list.js";
import { attempt, deskMap, fault, say } from "./page.js";
import { placesView } from "./places.js";
import { previewOn } from "./returns/preview.js";
import { seasonView } from "./returns/season.js";

const map = deskMap();
const desk = { map, waitsFor: "", open: (uid) => go(`land/${uid}`), places: (uid) => go(`places/${uid}`),
  assign: () => go("assign") };
const list = listView(desk);
Object.assign(desk, { row: list.row, rows: list.rows, reload: list.load, preview: previewOn(map) });
const land = landView(desk);
const places = placesView(desk);
const back = backView(desk);
const VIEWS = { list, land, places, back };
const season = seasonView(desk);
Object.assign(VIEWS, { season, assign: assignView(desk) });
const PARTS = ["list", "back", "season"];
let open = "list";

function go(where) {
  if (window.location.hash === `#${where}`) route();
  else window.location.hash = where;
}

let held = [];

// Files dropped anywhere but on one land are sorted by what they hold.
async function takeAll(files) {
  if (open === "back") {
    await back.dropped(files);
    return;
  }
  // The view opens first: until then there is no place to show them.
  held = files;
  go("back");
}

async function route() {
  const [name, uid] = window.location.hash.slice(1).split("/");
  VIEWS[open].hide();
  open = Object.hasOwn(VIEWS, name) ? name : "list";
  PARTS.forEach((part) => {
    if (part === open) byId(`to-${part}`).setAttribute("aria-current", "page");
    else byId(`to-${part}`).removeAttribute("aria-current");
  });
  if (open !== "list") await attempt(list.load);
  await VIEWS[open].show(uid);
  byId("panel").scrollTop = 0;
  byId("title").focus({ preventScroll: true });
  const files = held;
  held = [];
  if (files.length && open === "back") await back.dropped(files);
}

function working({ now, waiting }, stage) {
  const busy = Boolean(now || waiting.length);
  byId("work").hidden = !busy;
  if (!busy) return;
  const first = now || waiting[0];
  const row = list.row(first);
  const others = waiting.filter((uid) => uid !== first).length;
  const rest = others ? `, ${others} waiting` : "";
  byId("work-words").textContent = `Scoring ${row ? row.label : "land"}: ${stage || "starting"}${rest}`;
}

let queue = { now: "", waiting: [] };

// The sign-up whose new list was shown already, while its files are being written.
let listed = "";

// Whoever looks at the land, and did not ask for the run, stays there.
function toPlaces(uid, words) {
  const here = window.location.hash.endsWith(uid) && (open === "places" || (open === "land" && desk.waitsFor === uid));
  if (!here) return;
  desk.waitsFor = "";
  go(`places/${uid}`);
  say(words);
}

function setUp() {
  byId("season").textContent = DATA.season ? `Season ${DATA.season}` : "";
  PARTS.forEach((part) => byId(`to-${part}`).addEventListener("click", () => go(part)));
  byId("cancel").addEventListener("click", () => attempt(() => send("POST", "/api/cancel", {})));
  listen({
    queue: (state) => { queue = state; working(queue); },
    stage: ({ uid, stage }) => working({ ...queue, now: uid }, stage),
    listed: ({ uid, seconds }) => {
      listed = uid;
      toPlaces(uid, `The new list, after ${seconds.toFixed(1)} s. Its files follow.`);
    },
    scored: async ({ uid, seconds }) => {
      await attempt(list.load);
      if (listed !== uid) toPlaces(uid, `Scored in ${seconds.toFixed(1)} s.`);
      // Whoever went back to the land meanwhile stays there.
      else if (open === "places" && window.location.hash.endsWith(uid)) await places.written(uid);
      listed = "";
    },
    cancelled: async ({ uid }) => {
      if (open === "places" && window.location.hash.endsWith(uid)) await places.show(uid);
      say("Cancelled. The earlier result is kept.");
    },
    failed: async ({ message }) => { await attempt(list.load); fault(new Error(message)); },
    data: dataEvent,
    season: season.event,
    signups: () => { attempt(list.load); },
  });
  document.addEventListener("keydown", (event) => {
    const typing = /^(INPUT|TEXTAREA|SELECT)$/.test(event.target.tagName);
    if (open !== "land" || typing || !(event.ctrlKey || event.metaKey) || event.key.toLowerCase() !== "z") return;
    event.preventDefault();
    if (event.shiftKey) land.restoredOn();
    else land.restoredBack();
  });
  document.addEventListener("dragover", (event) => event.preventDefault());
  document.addEventListener("drop", (event) => {
    event.preventDefault();
    const files = [...event.dataTransfer.files];
    if (files.length === 1 && open === "land") land.dropped(files[0]);
    else if (files.length && open === "season") season.dropped(files);
    else if (files.length) takeAll(files);
  });
  window.addEventListener("hashchange", route);
}

setUp();
setUpTheme();
document.documentElement.dataset.drawn = "yes";
route();
