// The desk: which view is open, what the server says meanwhile.

import { byId } from "../shared/dom.js";
import { setUpTheme } from "../shared/theme.js";
import { DATA, listen, send } from "./api.js";
import { backView } from "./returns/back.js";
import { assignView } from "./assign.js";
import { dataEvent } from "./data.js";
import { landView } from "./land.js";
import { listView } from "./list.js";
import { attempt, deskMap, fault, leave, say } from "./page.js";
import { placesView } from "./places.js";
import { previewOn } from "./returns/preview.js";
import { seasonView } from "./returns/season.js";
import { renewHead } from "./subject.js";

const map = deskMap();
// `waitsFor`: whose list was asked for; `fresh`: whose list has no files yet; `decided`: what was said of a choice.
const desk = { map, waitsFor: "", fresh: "", decided: {},
  open: (uid) => go(`land/${uid}`), places: (uid) => go(`places/${uid}`),
  letter: (uid) => go(`letter/${uid}`), assign: () => go("assign"), takeAll: (files) => takeAll(files) };
const list = listView(desk);
Object.assign(desk, { row: list.row, rows: list.rows, reload: list.load, preview: previewOn(map) });
const land = landView(desk);
const places = placesView(desk);
const back = backView(desk);
const letter = { ...places, show: (uid) => places.show(uid, "letter") };
const VIEWS = { list, land, places, letter, back };
const season = seasonView(desk);
Object.assign(VIEWS, { season, assign: assignView(desk) });
const PARTS = ["list", "back", "season"];
let open = "list";
let queue = { now: "", next: "", waiting: 0 };
let news = 0;

// Who waits for the view that was asked for to be there.
const arrivals = [];

// Open a view; what is promised is that it is there.
function go(where) {
  if (window.location.hash === `#${where}`) return route();
  return new Promise((done) => {
    arrivals.push(done);
    window.location.hash = where;
  });
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

// A run that begins no longer waits, and says so only by its first stage.
function begun(state, uid) {
  return state.now === uid ? state : { now: uid, next: "", waiting: Math.max(state.waiting - 1, 0) };
}

const CLOSED = ["No outline yet", "Set aside"];

// Of many that are scored, how far they are; what an earlier start of the desk has done counts.
function progress(left) {
  const bar = byId("work-bar");
  const all = list.rows().filter(({ status }) => !CLOSED.includes(status)).length;
  if (left < 2 || left > all) {
    bar.removeAttribute("value");
    return "";
  }
  Object.assign(bar, { max: all, value: all - left });
  return ` (${(all - left).toLocaleString("en")} of ${all.toLocaleString("en")} done)`;
}

function working({ now, next, waiting }, stage) {
  const busy = Boolean(now || waiting);
  byId("work").hidden = !busy;
  if (!busy) return;
  const row = list.row(now || next);
  // The same land that waits once more, for its choice or an edit, is no other one.
  const others = waiting - (!now || now === next ? 1 : 0);
  const rest = others ? `, ${others.toLocaleString("en")} more waiting` : "";
  const far = progress(waiting + (now ? 1 : 0));
  byId("work-words").textContent = `Scoring ${row ? row.label : "land"}: ${stage || "starting"}${rest}${far}`;
}

// A page that was opened or loaded again in the middle of the work shows it at once. What was said
// since it asked is newer.
function heard(answer, since) {
  if (!answer || since !== news || !byId("work").hidden) return;
  ({ queue } = answer);
  working(queue);
}

let turn = 0;

async function route() {
  const mine = turn += 1;
  const [name, uid] = window.location.hash.slice(1).split("/");
  leave();
  VIEWS[open].hide();
  open = Object.hasOwn(VIEWS, name) ? name : "list";
  PARTS.forEach((part) => {
    if (part === open) byId(`to-${part}`).setAttribute("aria-current", "page");
    else byId(`to-${part}`).removeAttribute("aria-current");
  });
  const since = news;
  if (open !== "list") heard(await attempt(() => list.load(list.rows().length ? uid || "none" : "")), since);
  // Another view was asked for meanwhile, and comes by itself.
  if (mine !== turn) return;
  byId("panel").scrollTop = 0;
  // On a phone the page itself was scrolled.
  window.scrollTo(0, 0);
  const answer = await VIEWS[open].show(uid);
  if (mine !== turn) return;
  heard(answer, since);
  // Who went on meanwhile, by the Tab key, stays there.
  if (!byId("body").contains(document.activeElement)) byId("title").focus({ preventScroll: true });
  arrivals.splice(0).forEach((done) => done());
  const files = held;
  held = [];
  if (files.length && open === "back") await back.dropped(files);
}

const SHORT_S = 10;
const secondsWords = (seconds) => `${seconds.toFixed(seconds < SHORT_S ? 1 : 0)} s`;

const onLists = () => open === "places" || open === "letter";

// Whoever looks at the land, and did not ask for the run, stays there.
async function toPlaces(uid, words) {
  const here = window.location.hash.endsWith(uid) && (onLists() || (open === "land" && desk.waitsFor === uid));
  if (!here) return;
  desk.waitsFor = "";
  // A new view clears what was said before.
  await go(`${open === "letter" ? "letter" : "places"}/${uid}`);
  say(desk.decided.uid === uid ? desk.decided.words : words);
}

function settled() {
  Object.assign(desk, { fresh: "", decided: {} });
}

// Of thousands of sign-ups one has changed, and only that is asked for.
async function ended(uid) {
  await attempt(() => list.load(uid));
  renewHead(desk);
}

function setUp() {
  byId("season").textContent = DATA.season ? `Season ${DATA.season}` : "";
  PARTS.forEach((part) => byId(`to-${part}`).addEventListener("click", () => go(part)));
  byId("cancel").addEventListener("click", () => attempt(() => send("POST", "/api/cancel", {})));
  listen({
    queue: (state) => { news += 1; queue = state; working(queue); },
    stage: ({ uid, stage }) => { news += 1; queue = begun(queue, uid); working(queue, stage); },
    listed: ({ uid, seconds }) => {
      // The new list is shown already, while its files are being written.
      desk.fresh = uid;
      renewHead(desk);
      toPlaces(uid, `The new list, after ${secondsWords(seconds)}. The map page and the files are being written.`);
    },
    scored: async ({ uid, seconds }) => {
      await ended(uid);
      if (desk.fresh !== uid) toPlaces(uid, `Scored in ${secondsWords(seconds)}.`);
      // Whoever went back to the land meanwhile stays there.
      else if (onLists() && window.location.hash.endsWith(uid)) {
        await places.written(uid);
        say("The files are ready.");
      }
      settled();
      renewHead(desk);
    },
    cancelled: async ({ uid }) => {
      settled();
      if (onLists() && window.location.hash.endsWith(uid)) await VIEWS[open].show(uid);
      say("Cancelled. The earlier result is kept.");
    },
    failed: async ({ uid, message }) => {
      settled();
      await ended(uid);
      fault(new Error(message));
    },
    data: dataEvent,
    season: season.event,
    signups: ({ uid }) => { ended(uid || ""); },
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
