// Ask any place, and measure: by tap, or by the cross-hair and the keyboard.

const ASKED = { place: null, layer: L.layerGroup() };
const MEASURE = { on: false, points: [], layer: L.layerGroup() };
const BETTER_BY = 0.05;
const NEAR_M = 60;

function setUpAsking() {
  ASKED.layer.addTo(MAP);
  MEASURE.layer.addTo(MAP);
  MAP.on("click", (event) => takePlace(event.latlng));
  const frame = MAP.getContainer();
  frame.addEventListener("keydown", (event) => {
    if (event.target !== frame) return;
    if (event.key === "Enter" || event.key === " ") {
      event.preventDefault();
      takeCentre();
    } else if (event.key === "Backspace" && MEASURE.on) {
      event.preventDefault();
      measureBack();
    } else if (event.key === "Escape" && MEASURE.on) switchMeasure(false);
  });
  byId("cross-switch").addEventListener("click", (event) => {
    const on = event.currentTarget.getAttribute("aria-pressed") !== "true";
    event.currentTarget.setAttribute("aria-pressed", String(on));
    byId("map-frame").classList.toggle("crossed", on);
  });
  byId("cross-take").addEventListener("click", takeCentre);
  byId("whole-parcel").addEventListener("click", showParcel);
  byId("measure-switch").addEventListener("click", () => switchMeasure(!MEASURE.on));
  byId("measure-back").addEventListener("click", measureBack);
  byId("measure-clear").addEventListener("click", () => { MEASURE.points = []; drawMeasure(); });
}

// The cross-hair takes a spot's marker under it, else the place itself.
function takeCentre() {
  const centre = MAP.getCenter(), at = MAP.latLngToContainerPoint(centre);
  const under = MEASURE.on ? null : DATA.spots.find((spot) =>
    MAP.latLngToContainerPoint([spot.lat, spot.lon]).distanceTo(at) <= 14);
  if (!under) takePlace(centre);
  else openSpot(under.n);
}

function takePlace(latlng) {
  if (MEASURE.on) {
    MEASURE.points.push(latlng);
    drawMeasure();
  } else ask(latlng);
}

// --- ask ------------------------------------------------------------------------------

function ask(latlng) {
  if (!CELLS.ready) return;
  ASKED.place = latlng;
  const answer = answerAt(...metresOf(latlng.lat, latlng.lng));
  showAnswer(answer, latlng);
  drawAnswer(answer, latlng);
  showTab("ask");
}

function answerAt(easting, northing) {
  const index = cellAt(easting, northing);
  const bits = index < 0 ? OUTSIDE : CELLS.bits[index];
  const answer = { easting, northing, index, bits, points: NaN, better: null };
  if (bits & OUTSIDE) return answer;
  answer.points = cellPoints(index);
  answer.better = betterNear(answer);
  return answer;
}

function cellPoints(index) {
  return STATE.moved ? hundredths(cellScore(index, STATE.weights))
    : shownHundredths(CELLS.total[index]);
}

// The nearest allowed cell that is better than here by a clear step; from a no-go place, the
// nearest allowed cell that is worth a look at all.
function betterNear({ easting, northing, bits, points }) {
  const { n_rows: rows, n_cols: cols, left, top, cell_size_m: size } = DATA.cells;
  const wanted = bits || Number.isNaN(points)
    ? hundredths(DATA.scoring.lowest_score) : points + 100 * BETTER_BY;
  let best = null, nearest = Infinity;
  for (let row = 0, k = 0; row < rows; row += 1) {
    const dy = top - (row + 0.5) * size - northing;
    for (let col = 0; col < cols; col += 1, k += 1) {
      if (CELLS.bits[k]) continue;
      const dx = left + (col + 0.5) * size - easting;
      const far = dx * dx + dy * dy;
      if (far < nearest && cellPoints(k) >= wanted) { nearest = far; best = k; }
    }
  }
  if (best === null) return null;
  const [e, n] = cellCentre(best);
  return { easting: e, northing: n, metres: Math.sqrt(nearest), points: cellPoints(best),
    wind: windOf(Math.atan2(e - easting, n - northing) * 180 / Math.PI) };
}

function showAnswer(answer, latlng) {
  const head = answerHead(answer);
  const [e, n] = applyFit(DATA.frame.to_utm, answer.easting, answer.northing);
  byId("ask-answer").replaceChildren(
    node("p", { class: "answer-head" + (answer.bits ? " answer-no" : "") }, head),
    brokenRules(answer),
    betterWords(answer),
    answer.bits & OUTSIDE ? "" : section(answer.bits ? "What the score would be made of"
      : "Parts of the score", partBars((name) => {
      const plane = CELLS.parts[name];
      return plane ? shownHundredths(plane[answer.index]) : undefined;
    }), headingNote()),
    nearWords(answer),
    section("Position", node("p", {}, latlng.lat.toFixed(5) + ", " + wrapped(latlng.lng).toFixed(5)
      + " (latitude, longitude). " + DATA.frame.utm_name + ", " + e.toFixed(0) + " E, "
      + n.toFixed(0) + " N.")));
  byId("ask-spoken").textContent = head;
  byId("ask-hint").hidden = true;
}

function answerHead({ bits, points }) {
  if (bits & OUTSIDE) return "Outside the parcel.";
  if (bits) {
    return "No camera here: " + RULES.filter((rule) => bits & rule.bit)
      .map((rule) => rule.label).join(", ") + ".";
  }
  if (Number.isNaN(points)) return "No score here: the maps do not say enough.";
  return points + " points here, of 100" + (STATE.moved ? ", with your weights." : ".");
}

function headingNote() {
  const judged = DATA.criteria.filter((c) => !c.cells && STATE.weights[c.name] > 0);
  if (!judged.length) return "";
  return node("p", { class: "small" }, judged.map((c) => c.label).join(", ")
    + " is worked out for the numbered spots only, so a spot's points and those of the ground "
    + "under it can differ.");
}

function brokenRules(answer) {
  const broken = RULES.filter((rule) => answer.bits & rule.bit);
  if (!broken.length) return "";
  return node("ul", { class: "broken" }, broken.map((rule) => node("li", {},
    rule.text, rule.layers.map((key) => nearestOf(key, answer)))));
}

// " Here: 12 m from County road."
function nearestOf(key, answer) {
  const found = featuresNear(answer, key)[0];
  if (!found) return "";
  return [" Here: " + (found.metres < 0.05 ? "in or on " : lengthWords(found.metres) + " from "),
    found.text ? user(found.text) : "it", "."];
}

function betterWords({ bits, better }) {
  if (bits & OUTSIDE) return "";
  if (!better) return node("p", {}, "No better ground is allowed in this parcel.");
  const what = bits ? "Nearest allowed ground: " : "Nearest better ground: ";
  return node("p", { class: "better" }, what + aboutWords(better.metres) + " to the "
    + better.wind + ", " + better.points + " points. The dotted line leads there.");
}

function nearWords(answer) {
  const near = featuresNear(answer).filter((found) => found.metres <= NEAR_M).slice(0, 6);
  if (!near.length) return "";
  return section("What is near", node("ul", {}, near.map((found) => node("li", {},
    found.label + (found.text ? ": " : ""), found.text ? user(found.text) : "", ", ",
    found.metres < 0.5 ? "here" : aboutWords(found.metres)))));
}

function drawAnswer(answer, latlng) {
  ASKED.layer.clearLayers();
  const mark = node("span", { class: "asked" });
  const icon = L.divIcon({ className: "name-holder", html: mark, iconSize: [0, 0] });
  ASKED.layer.addLayer(L.marker(latlng, { icon, interactive: false, keyboard: false,
    pane: "places" }));
  if (!answer.better) return;
  const to = degreesOf(answer.better.easting, answer.better.northing);
  ["better-case", "better-line"].forEach((name) => ASKED.layer.addLayer(
    L.polyline([latlng, to], pathOptions("marks", name, { fill: false }))));
  ASKED.layer.addLayer(L.circleMarker(to, pathOptions("marks", "better-end", { radius: 6,
    fillOpacity: 1 })));
}

// --- distances to what is drawn -----------------------------------------------------------

function featuresNear({ easting, northing }, only) {
  const x = (easting - DATA.origin[0]) * 10, y = (DATA.origin[1] - northing) * 10;
  const found = [];
  DATA.layers.forEach(({ key, short, features }) => {
    if (only && key !== only) return;
    features.forEach(({ shapes, text }) => {
      const tenths = Math.min(...shapes.map((shape) => shapeDistance(shape, x, y)));
      found.push({ label: short, text, metres: tenths / 10 });
    });
  });
  return found.sort((a, b) => a.metres - b.metres);
}

function shapeDistance([kind, rings], x, y) {
  if (kind === "P") return Math.hypot(rings[0][0] - x, rings[0][1] - y);
  let least = Infinity, inside = false;
  rings.forEach((ring) => {
    let ax = ring[0], ay = ring[1];
    for (let i = 2; i < ring.length; i += 2) {
      const bx = ax + ring[i], by = ay + ring[i + 1];
      least = Math.min(least, segmentDistance(ax, ay, bx, by, x, y));
      if ((ay > y) !== (by > y) && x < (bx - ax) * (y - ay) / (by - ay) + ax) inside = !inside;
      ax = bx;
      ay = by;
    }
  });
  return kind === "A" && inside ? 0 : least;
}

function segmentDistance(ax, ay, bx, by, x, y) {
  const dx = bx - ax, dy = by - ay, squared = dx * dx + dy * dy;
  const t = squared ? Math.max(0, Math.min(1, ((x - ax) * dx + (y - ay) * dy) / squared)) : 0;
  return Math.hypot(ax + t * dx - x, ay + t * dy - y);
}

// --- measure --------------------------------------------------------------------------------

function switchMeasure(on) {
  MEASURE.on = on;
  MEASURE.points = [];
  byId("measure-switch").setAttribute("aria-pressed", String(on));
  byId("measure-box").hidden = !on;
  byId("cross-take").textContent = on ? "Set point" : "Ask here";
  byId("map-frame").classList.toggle("measuring", on);
  drawMeasure();
}

function measureBack() {
  MEASURE.points.pop();
  drawMeasure();
}

function measuredMetres() {
  const metres = MEASURE.points.map((p) => metresOf(p.lat, p.lng));
  return metres.slice(1).reduce((sum, [e, n], i) =>
    sum + Math.hypot(e - metres[i][0], n - metres[i][1]), 0);
}

function drawMeasure() {
  MEASURE.layer.clearLayers();
  ["measure-case", "measure-line"].forEach((name) => MEASURE.layer.addLayer(
    L.polyline(MEASURE.points, pathOptions("marks", name, { fill: false }))));
  MEASURE.points.forEach((point) => MEASURE.layer.addLayer(L.circleMarker(point,
    pathOptions("marks", "measure-point", { radius: 5, fillOpacity: 1 }))));
  const n = MEASURE.points.length;
  byId("measure-words").textContent = n === 0 ? "Tap the first point (or press Enter at the cross)."
    : n === 1 ? "Tap the next point." : "Distance: " + lengthWords(measuredMetres()) + ".";
}
