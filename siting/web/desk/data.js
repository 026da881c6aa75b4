// Open data for the land of one sign-up: offered, asked about, on their way, there.

import { byId, node, user } from "../shared/dom.js";
import { DATA, get, send } from "./api.js";
import { attempt, button, field, whenFree } from "./page.js";

const now = { uid: "", seen: null, relief: null, map: null, changed: null };
const size = (bytes) => `${Math.max(bytes / 1e6, 0.1).toFixed(1)} MB`;

// `changed` is called when other maps lie under the land.
export function dataPart(map, uid, changed) {
  Object.assign(now, { uid, map, changed, seen: null });
  attempt(load);
  return node("details", { id: "data-part" }, node("summary", {}, "Get data for this area"),
    node("div", { id: "data", role: "status" }));
}

export function dataEvent(state) {
  if (state.uid !== now.uid || !byId("data")) return;
  if (state.state === "done") {
    attempt(load).then(now.changed);
    return;
  }
  now.seen = { ...now.seen, ...state };
  whenFree("data", () => { if (byId("data")) draw(); });
}

// The land lies elsewhere now: what reaches it is asked anew.
export const dataAnew = () => attempt(load);

export function dataHidden() {
  now.uid = "";
  if (now.relief) now.relief.remove();
  now.relief = null;
}

async function load() {
  const { uid } = now;
  const seen = await get(`/api/data/${uid}`);
  if (uid !== now.uid) return;
  // At once: which data there are to get is found out by another process, and takes a moment.
  if (!now.seen || now.seen.reaches !== seen.reaches) byId("data").replaceChildren(...offMaps(seen));
  if (!seen.reaches) byId("data-part").open = true;
  const { rows } = await get("/api/recipes");
  if (uid !== now.uid) return;
  now.seen = { ...seen, recipes: rows };
  if (now.relief) now.relief.remove();
  now.relief = seen.stamp
    ? L.tileLayer(`/tile/${seen.stamp}/{z}/{x}/{y}.png`,
      { maxZoom: 20, maxNativeZoom: 18, className: "picture-ground" })
      .addTo(now.map) : null;
  if (seen.state !== "none") byId("data-part").open = true;
  draw();
}

const act = (path, value) => attempt(() => send("POST", `/api/data/${now.uid}${path}`, value));

function draw() {
  const { state } = now.seen;
  const part = { looking: looking, asking: asking, coming: coming }[state] || offer;
  byId("data").replaceChildren(...part().flat().filter(Boolean));
}

function cancelling() {
  return node("div", { class: "buttons" }, button("Cancel the download", () => act("/cancel", {})));
}

function looking() {
  return [node("p", {}, "Looking for what there is …"), node("progress", { "aria-label": "Looking for data" }),
    cancelling()];
}

function asking() {
  const lines = now.seen.words.split("\n");
  return [lines.map((line) => node("p", { class: "fact" }, user(line.trim()))),
    node("p", {}, `Download about ${size(now.seen.total)} from the internet?`),
    node("div", { class: "buttons" },
      button("Download", () => act("/answer", { agreed: true }), { class: "main" }),
      button("Not now", () => act("/cancel", {})))];
}

function coming() {
  const { bytes, total, words } = now.seen;
  return [node("p", {}, `${(bytes / 1e6).toFixed(1)} MB of about ${size(total)} here${words ? `: ${words}` : ""}`),
    node("progress", { max: String(Math.max(total, 1)), value: String(Math.min(bytes, total)),
      "aria-label": "Download" }), cancelling()];
}

// Nothing of the office's own lies under the land: a place that was mistyped, or land to get data for.
function offMaps({ reaches, lines }) {
  return reaches || lines.length ? [] : [node("p", { class: "caution" }, DATA.words["off maps"])];
}

function offer() {
  const { seen } = now;
  const recipe = node("select", {}, seen.recipes.map(
    ({ name, title }) => node("option", { value: name }, user(title))));
  const begin = () => act("", { recipe: recipe.value });
  const has = seen.lines.length > 0;
  return [
    seen.state === "cancelled" || (seen.can_go_on && seen.state !== "failed")
      ? node("p", {}, "The download was broken off. What has come is kept and is not asked for again.") : null,
    seen.state === "failed" ? node("p", { class: "caution" }, user(seen.words)) : null,
    seen.state === "done" && seen.words ? node("p", { class: "caution" }, user(seen.words)) : null,
    has ? node("p", {}, `Scored from data gathered on ${seen.made}:`) : node("p", {},
      "Elevations and land cover from the internet, for land that the office's maps do not reach. ",
      "You see how much it is before anything is downloaded."),
    offMaps(seen),
    seen.lines.map((line) => node("p", { class: "small" }, user(line))),
    has && !seen.reaches ? node("p", { class: "caution" },
      "The outline reaches beyond these data now. Get them again.") : null,
    field("Which data", recipe),
    node("div", { class: "buttons" },
      button(seen.can_go_on ? "Go on with the download" : has ? "Get the data again" : "See how much it is", begin),
      has ? button("Use the office's maps again", async () => {
        await attempt(() => send("DELETE", `/api/data/${now.uid}`, {}));
        await attempt(load);
        now.changed();
      }) : null),
  ];
}
