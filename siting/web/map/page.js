// The page around the map: tabs, key, light and dark, print, and the start of it all.

function showTab(name) {
  document.querySelectorAll('[role="tab"]').forEach((tab) => {
    const chosen = tab.id === "tab-" + name;
    tab.setAttribute("aria-selected", String(chosen));
    tab.tabIndex = chosen ? 0 : -1;
    byId(tab.getAttribute("aria-controls")).hidden = !chosen;
  });
}

function setUpTabs() {
  const tabs = [...document.querySelectorAll('[role="tab"]')];
  document.querySelector(".skip").addEventListener("click", () => showTab("spots"));
  tabs.forEach((tab, i) => {
    tab.addEventListener("click", () => showTab(tab.id.slice(4)));
    tab.addEventListener("keydown", (event) => {
      const to = { ArrowRight: i + 1, ArrowLeft: i - 1, Home: 0, End: tabs.length - 1 }[event.key];
      if (to === undefined) return;
      event.preventDefault();
      const next = tabs[(to + tabs.length) % tabs.length];
      next.focus();
      showTab(next.id.slice(4));
    });
  });
}

// --- key and switches ---------------------------------------------------------------------

function buildKey() {
  const steps = byId("key-steps");
  DATA.palette.forEach((colour) => {
    const box = node("span", { class: "step" });
    box.style.backgroundColor = colour;
    steps.append(box);
  });
  byId("key-marks").append(
    keyRow("ground", "Shaded ground", "ground", () => [window.image_overlay_ground]),
    keyRow("score", "Score in colours", "score", () => [window.image_overlay_score]),
    DATA.contours.lines.length ? keyRow("contours", "Contours every "
      + lengthWords(DATA.contours.interval_m), "contour") : "",
    ...DATA.layers.map((layer) => keyRow(layer.key, layer.label, "layer-" + layer.key)));
  DATA.zones.forEach((zone) => {
    const rule = ruleOf(zone.bit);
    byId("key-zones").append(keyRow("zone-" + rule.key, rule.label, "zone-" + rule.key, null,
      rule.text));
  });
  byId("key-no-zones").hidden = DATA.zones.length > 0;
}

function keyRow(key, label, swatch, layers, more) {
  const input = node("input", { type: "checkbox", checked: true, onchange: (event) => {
    (layers ? layers() : [group(key)]).forEach((layer) => {
      if (event.target.checked) layer.addTo(MAP);
      else layer.remove();
    });
    if (event.target.checked && key === "ground") window.image_overlay_ground.bringToBack();
  } });
  return node("li", {}, node("label", { class: "key-row" }, input, keySwatch(swatch),
    node("span", {}, label)), more ? node("p", { class: "small" }, more) : "");
}

function keySwatch(kind) {
  const box = svgNode("svg", { class: "swatch", viewBox: "0 0 34 20", "aria-hidden": "true" });
  if (kind.startsWith("zone-")) {
    box.append(svgNode("rect", { x: 1, y: 1, width: 32, height: 18, class: "zone " + kind,
      fill: "url(#hatch-" + kind.slice(5) + ")" }));
    return box;
  }
  const sign = POINT_SIGNS[kind.slice(6)];
  if (["layer-feeders", "layer-features", "layer-crossings", "layer-way_in"].includes(kind)) {
    return node("span", { class: "swatch swatch-sign", "aria-hidden": "true" },
      node("span", { class: "sign sign-" + kind.slice(6) }, sign));
  }
  const area = ["layer-buildings", "layer-livestock", "layer-no_go"].includes(kind);
  if (kind === "ground" || kind === "score") {
    box.append(svgNode("rect", { x: 1, y: 1, width: 32, height: 18, class: "swatch-" + kind }));
  } else if (area) {
    box.append(svgNode("rect", { x: 3, y: 3, width: 28, height: 14, class: "layer area " + kind }));
  } else {
    const line = (name) => svgNode("path", { d: "M2 14C12 2 22 18 32 6", class: name });
    if (kind === "layer-roads") box.append(line("layer line casing " + kind));
    box.append(line(kind === "contour" ? "contour contour-index" : "layer line " + kind));
  }
  return box;
}

// --- light, dark, print -----------------------------------------------------------------

function setUpTheme() {
  const dark = window.matchMedia("(prefers-color-scheme: dark)");
  const button = byId("theme-switch");
  let chosen = null;
  try { chosen = window.localStorage.getItem("siting-theme"); } catch (error) { chosen = null; }
  const show = () => {
    const isDark = chosen ? chosen === "dark" : dark.matches;
    document.documentElement.dataset.theme = isDark ? "dark" : "light";
    button.setAttribute("aria-pressed", String(isDark));
  };
  button.addEventListener("click", () => {
    chosen = document.documentElement.dataset.theme === "dark" ? "light" : "dark";
    try { window.localStorage.setItem("siting-theme", chosen); } catch (error) { keeps = false; }
    show();
  });
  dark.addEventListener("change", show);
  show();
}

// On paper the map shows the whole parcel, and the cautions are unfolded.
function setUpPaper() {
  let opened = [];
  setUpPrint({
    prepare() {
      opened = [...document.querySelectorAll(".cautions:not([open])")];
      opened.forEach((fold) => { fold.open = true; });
    },
    show() {
      showParcel();
      tidyNames();
    },
    restore() {
      opened.forEach((fold) => { fold.open = false; });
    },
  });
  byId("print-button").addEventListener("click", () => window.print());
}

// --- words made from the data -------------------------------------------------------------

function fillHead() {
  const { label, area_ha: area, usable_share: share } = DATA.parcel;
  byId("parcel-name").textContent = label;
  byId("parcel-facts").textContent = area.toLocaleString("en") + " ha ("
    + (area * 2.4710538).toLocaleString("en", { maximumFractionDigits: 0 }) + " acres), "
    + Math.round(100 * share) + "\u00a0% open to a camera, " + DATA.spots.length
    + (DATA.spots.length === 1 ? " spot" : " spots");
  byId("order-note").hidden = DATA.spots.length < 2;
  byId("sure-words").hidden = !DATA.spots.some((spot) => spot.sure);
  showFirst();
  fillNotes();
}

// Where to go now: what was ruled out is passed over, and the reader's own weights are told.
function showFirst() {
  byId("first-words").replaceChildren(...firstWords());
}

function firstWords() {
  const order = STATE.moved ? ranking(STATE.weights).map(({ spot }) => spot) : DATA.spots;
  if (!order.length) {
    return ["No place on this parcel passed the survey's rules. Ask any place on the map to see why."];
  }
  const chosen = order.filter((spot) => VISITS[spot.n].state === "chosen");
  if (chosen.length) {
    return ["Camera at spot " + chosen.map((spot) => spot.n).join(" and spot ")
      + ". Save your marks under Visits and hand the file back."];
  }
  const left = order.filter((spot) => VISITS[spot.n].state !== "ruled out");
  if (!left.length) {
    return ["All spots are ruled out. Save your marks under Visits and ask your coordinator."];
  }
  const go = (STATE.moved ? "With your weights, go to spot " : "Go to spot ") + left[0].n;
  return [go + (left.length < order.length ? " next. " : " first. "), ...aboutSpot(left[0])];
}

function aboutSpot({ title, walk, aim }) {
  const facing = aim ? " Face " + windOf(aim.heading_deg) + ", "
    + readingWords(aim.heading_deg, aim.magnetic_deg) + "." : "";
  return [user(title), walk ? ", " + minutes(walk.there_min) + " on foot." : ".", facing];
}

function fillNotes() {
  const told = DATA.notes.filter((note) => note.level === "warning");
  const taken = DATA.notes.filter((note) => note.level !== "warning");
  byId("warnings").replaceChildren(...told.map((note) => node("li", {}, user(note.text))));
  byId("warnings-box").hidden = told.length === 0;
  byId("assumptions").replaceChildren(...taken.map((note) => node("li", {}, user(note.text))));
  byId("assumptions-box").hidden = taken.length === 0;
  byId("missing-words").textContent = DATA.missing.length
    ? "Not judged here, because nothing was given to judge it by: " + DATA.missing.join(", ") + "."
    : "";
  byId("precision-words").textContent = "The elevations come in cells of "
    + lengthWords(DATA.dem_cell_m) + ", the land cover in cells of " + lengthWords(DATA.cover_cell_m)
    + ". The page knows one place in every " + lengthWords(DATA.cells.cell_size_m) + ".";
}

// A cross and a frame on the map help those who steer it by keys, and only them.
function watchInput() {
  const root = document.documentElement;
  document.addEventListener("keydown", () => { root.dataset.input = "keys"; }, true);
  document.addEventListener("pointerdown", () => { root.dataset.input = "pointer"; }, true);
}

function start() {
  watchInput();
  setUpTheme();
  setUpTabs();
  setUpMap();
  addMarkers();
  buildList();
  setUpAsking();
  setUpVisits();
  buildWeights();
  buildKey();
  setUpPaper();
  fillHead();
  nameMarkers();
  scheduleNames();
  document.documentElement.setAttribute("data-drawn", "yes");
  window.siting = { DATA, CELLS, STATE, MAP, VISITS, totalScore, cellScore, ranking, hundredths,
    answerAt, ask, metresOf, degreesOf, applyFit, inflateHere, bytesOf, weightsText, visitsJson,
    visitsCsv, shownHundredths, decoded, cellAt, moveWeight, resetWeights, select, paintScores, aboutWords };
  loadCells().then(() => document.documentElement.setAttribute("data-ready", "yes"));
}

start();
