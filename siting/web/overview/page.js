// The card of the chosen parcel, the tabs, and the start.

function factRows(i) {
  const facts = [];
  const add = (name, ...value) => facts.push(node("dt", {}, name), node("dd", {}, ...value));
  if (COL.cell[i]) add("Survey cell", user(COL.cell[i]));
  if (COL.role[i]) add("Proposed", roleCell(i));
  if (!COL.code[i]) {
    add("Spots", `${COL.spots[i]}${COL.firm[i] === null ? "" : `, ${COL.firm[i]} of them firm`}; ${COL.usable[i]}\u00a0% of ${COL.area[i]} ha (${Math.round(COL.area[i] * 2.4710538)} acres) is usable`);
    if (COL.points[i] !== null) add("Best spot", `${COL.points[i]} points, `, user(COL.where[i]), bestMore(i));
    add("Limit", user(COL.limit[i]));
  }
  return node("dl", { class: "facts" }, facts);
}

function bestMore(i) {
  const parts = [`${COL.lat[i].toFixed(5)}, ${COL.lon[i].toFixed(5)}`];
  if (COL.heading[i] !== null) parts.push(`face ${COL.heading[i]}° (true)`);
  if (COL.walk[i] !== null) parts.push(`${COL.walk[i]} min on foot`);
  return node("span", { class: "small" }, ` (${parts.join("; ")})`);
}

function drawCard() {
  const i = STATE.chosen;
  const empty = i < 0;
  byId("card-none").hidden = !empty;
  if (empty) return;
  if (document.querySelector(".left").classList.toggle("has-card", true)) makeRoom();
  const title = COL.label[i] ? [user(COL.id[i]), " · ", user(COL.label[i])] : [user(COL.id[i])];
  const parts = [node("h2", {}, title)];
  if (COL.page[i]) {
    parts.push(node("p", {}, node("a", { href: `${COL.page[i]}/map.html` }, "Open its map"), " · ",
      node("a", { href: `${COL.page[i]}/field_sheet.html` }, "field sheet")));
  }
  parts.push(factRows(i));
  if (COL.code[i]) {
    parts.push(node("p", { class: "fault" }, node("b", {}, `Could not be scored (${COL.code[i]}). `), user(COL.limit[i])));
  } else {
    const said = node("span", { role: "status" });
    parts.push(node("p", { class: "sentence" }, user(COL.sentence[i])));
    parts.push(node("p", {}, node("button", { type: "button", onclick: () => copied(COL.sentence[i], said) }, "Copy the sentence"), " ", said));
  }
  parts.push(list("Know about these maps", COL.warnings[i]), list("Cautions", COL.cautions[i]));
  parts.push(node("p", { class: "to-list" }, node("button", { type: "button", onclick: backToList }, "Back to the list")));
  byId("card-body").replaceChildren(...parts.filter(Boolean));
  byId("card").scrollTo(0, 0);
  if (oneColumn()) byId("card").scrollIntoView({ block: "nearest" });
}

function backToList() {
  const row = document.querySelector('#rows tr[aria-current="true"]');
  (row || byId("rows")).scrollIntoView({ block: "center" });
}

function list(title, numbers) {
  if (!numbers.length) return null;
  return node("details", {}, node("summary", {}, `${title} (${numbers.length})`),
    node("ul", {}, numbers.map((k) => node("li", {}, user(DATA.texts[k])))));
}

function copied(text, said) {
  copyText(text).then(
    () => { said.textContent = "Copied."; },
    () => { said.textContent = "The browser did not allow it: mark the text and copy it by hand."; },
  );
}

function copyShown() {
  const lines = STATE.shown.filter((i) => COL.sentence[i])
    .map((i) => [COL.id[i], COL.label[i], COL.sentence[i]].join("\t"));
  copied(lines.join("\n"), byId("copied"));
}

function drawHeadFacts() {
  const failed = COL.code.filter(Boolean).length;
  const spots = COL.points.filter((points) => points !== null).length;
  const cells = DATA.cells.filter((cell) => cell.parcel).length;
  const parts = [`${COUNT} parcels`, `${spots} with at least one spot`];
  if (DATA.cells.length) parts.push(`cameras proposed for ${cells} of ${DATA.cells.length} survey cells`);
  if (failed) parts.push(`${failed} could not be scored`);
  byId("head-facts").textContent = parts.join(" · ");
}

function setTabs() {
  const tabs = [...document.querySelectorAll('[role="tab"]')];
  const open = (tab) => tabs.forEach((other) => {
    other.setAttribute("aria-selected", String(other === tab));
    other.tabIndex = other === tab ? 0 : -1;
    byId(other.getAttribute("aria-controls")).hidden = other !== tab;
  });
  tabs.forEach((tab, k) => {
    tab.addEventListener("click", () => open(tab));
    tab.addEventListener("keydown", (event) => {
      const by = { ArrowRight: 1, ArrowLeft: -1 }[event.key];
      if (!by) return;
      const next = tabs[(k + by + tabs.length) % tabs.length];
      open(next);
      next.focus();
    });
  });
}

function setTheme(dark) {
  document.documentElement.dataset.theme = dark ? "dark" : "light";
  byId("theme-switch").setAttribute("aria-pressed", String(dark));
}

LISTENERS.push((what) => { if (what === "chosen") drawCard(); });

document.querySelectorAll('input[name="by"]').forEach((input) => input.addEventListener("change", () => {
  STATE.by = input.value;
  changed("by");
}));
byId("theme-switch").addEventListener("click", () => setTheme(document.documentElement.dataset.theme !== "dark"));
byId("print-button").addEventListener("click", () => window.print());
byId("copy-all").addEventListener("click", copyShown);
setTheme(window.matchMedia("(prefers-color-scheme: dark)").matches);
setTabs();
if (window.innerWidth >= 700) document.querySelector("details.key").open = true;
drawHeadFacts();
drawFilters();
drawHeads();
STATE.shown = ordered(wanted());
drawMap();
setUpPrint({ show: showAll });
drawKey();
drawRows();
drawCells();

// What the tests of this page ask.
window.sitingOverview = {
  pixelOf: (id) => {
    const { x, y } = MAP.latLngToContainerPoint(MARKS[COL.id.indexOf(id)].getLatLng());
    return [x, y];
  },
  signs: (by) => [...SIGNS[by].values()],
};
document.documentElement.dataset.drawn = "yes";
document.documentElement.dataset.ready = "yes";
