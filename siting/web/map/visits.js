// Been there: what a volunteer found, kept on the device where it allows, always to hand back.

const VISIT_KEY = "siting-visits-" + DATA.parcel.key;
const VISIT_STATES = [["", "Not yet"], ["visited", "Visited"], ["chosen", "Chosen: camera here"],
  ["ruled out", "Ruled out"]];
const BADGES = { visited: "✓", chosen: "★", "ruled out": "✕" };
const VISITS = {};
let keeps = true;

function loadVisits() {
  DATA.spots.forEach((spot) => { VISITS[spot.n] = { state: "", reason: "", note: "" }; });
  let held = {};
  try {
    held = JSON.parse(window.localStorage.getItem(VISIT_KEY) || "{}");
  } catch (error) {
    keeps = false;
  }
  Object.entries(held || {}).forEach(([n, visit]) => {
    if (!VISITS[n] || !visit) return;
    if (VISIT_STATES.some(([state]) => state === visit.state)) VISITS[n].state = visit.state;
    ["reason", "note"].forEach((name) => { VISITS[n][name] = String(visit[name] || ""); });
  });
}

function keepVisits() {
  try {
    window.localStorage.setItem(VISIT_KEY, JSON.stringify(VISITS));
  } catch (error) {
    keeps = false;
  }
  showVisits();
}

function setUpVisits() {
  loadVisits();
  byId("visits-json").addEventListener("click", () =>
    saveFile("visited.json", "application/json", visitsJson()));
  byId("visits-csv").addEventListener("click", () => saveFile("visited.csv", "text/csv",
    visitsCsv()));
  byId("visits-forget").addEventListener("click", () => {
    if (!window.confirm("Forget all marks and notes of this parcel on this device?")) return;
    DATA.spots.forEach((spot) => { VISITS[spot.n] = { state: "", reason: "", note: "" }; });
    keepVisits();
    if (STATE.selected !== null) fillCard(spotOf(STATE.selected));
  });
  showVisits();
}

function visitForm(spot) {
  const visit = VISITS[spot.n], name = "visit-" + spot.n;
  const reason = node("div", { class: "reason" }, node("label", { for: name + "-reason" },
    "Why ruled out"), textInput("input", name + "-reason", visit, "reason"));
  reason.hidden = visit.state !== "ruled out";
  const choices = VISIT_STATES.map(([state, label], i) => node("label", { class: "choice" },
    node("input", { type: "radio", name, value: state, id: name + "-" + i,
      checked: visit.state === state, onchange: () => {
        visit.state = state;
        reason.hidden = state !== "ruled out";
        keepVisits();
      } }), label));
  return node("section", { class: "visit" }, node("h3", {}, "Been there?"),
    node("fieldset", {}, node("legend", { class: "unseen" }, "Been there, spot " + spot.n), choices),
    reason,
    node("label", { for: name + "-note" }, "Note"), textInput("textarea", name + "-note", visit,
      "note"));
}

function textInput(tag, id, visit, field) {
  const input = node(tag, { id, maxlength: 500, autocomplete: "off", rows: tag === "textarea"
    ? 2 : null, oninput: (event) => { visit[field] = event.target.value; keepVisits(); } });
  input.value = visit[field];
  return input;
}

function marked() {
  return DATA.spots.filter((spot) => {
    const visit = VISITS[spot.n];
    return visit.state || visit.note;
  });
}

function showVisits() {
  DATA.spots.forEach((spot) => {
    const badge = BADGES[VISITS[spot.n].state] || "";
    MARKERS[spot.n].dot.querySelector(".badge").textContent = badge;
    const dot = byId("row-" + spot.n).querySelector(".dot");
    dot.replaceChildren(String(spot.n), node("span", { class: "badge" }, badge));
  });
  const done = marked();
  byId("visits-list").replaceChildren(...done.map((spot) => {
    const visit = VISITS[spot.n];
    return node("li", {}, "Spot " + spot.n + ": " + (visit.state || "no mark"),
      visit.state === "ruled out" && visit.reason ? [" (", user(visit.reason), ")"] : "",
      visit.note ? [". ", user(visit.note)] : "");
  }));
  byId("visits-none").hidden = done.length > 0;
  byId("visits-text").value = visitsJson();
  showFirst();
  byId("visits-kept").textContent = keeps
    ? "Marks and notes stay in this browser on this device only. Save them to a file to hand back."
    : "This browser keeps nothing: save your marks to a file before you close the page.";
}

function visitRows() {
  return marked().map((spot) => Object.assign({ spot: spot.n, lat: spot.lat,
    lon: Number(wrapped(spot.lon).toFixed(7)), radius_m: spot.radius_m }, VISITS[spot.n],
  { reason: VISITS[spot.n].state === "ruled out" ? VISITS[spot.n].reason : "" }));
}

function visitsJson() {
  return JSON.stringify({ format: "siting visited 1", parcel: DATA.parcel.id,
    page: DATA.parcel.key, spots: visitRows() }, null, 1) + "\n";
}

// A cell that a spreadsheet would run as a formula gets an apostrophe.
function csvCell(value) {
  const text = typeof value === "string" && /^[=+\-@\t\r]/.test(value) ? "'" + value : String(value);
  return /[",\r\n]/.test(text) ? '"' + text.replace(/"/g, '""') + '"' : text;
}

function visitsCsv() {
  const columns = ["spot", "lat", "lon", "radius_m", "state", "reason", "note"];
  return [columns].concat(visitRows().map((row) => columns.map((name) => csvCell(row[name]))))
    .map((cells) => cells.join(",")).join("\r\n") + "\r\n";
}
