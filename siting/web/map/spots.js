// The ranked list and the spots on the map, in step.

const STATE = { selected: null, weights: startWeights(), moved: false };
const MARKERS = {};
const SHOWN = L.layerGroup();

function spotOf(n) {
  return DATA.spots.find((spot) => spot.n === n);
}

function pointsOf(spot) {
  return STATE.moved ? hundredths(spotScore(spot, STATE.weights)) : spot.points;
}

function addMarkers() {
  SHOWN.addTo(MAP);
  DATA.spots.forEach((spot) => {
    const dot = node("span", { class: "dot" }, pointer(spot), String(spot.n),
      node("span", { class: "badge" }));
    const icon = L.divIcon({ className: "dot-holder", html: dot, iconSize: [34, 34] });
    const marker = L.marker([spot.lat, spot.lon], {
      icon, keyboard: false, pane: "spots", bubblingMouseEvents: false,
      zIndexOffset: 10 * (DATA.spots.length - spot.n),
    });
    marker.on("click", () => {
      if (MEASURE.on) takePlace(marker.getLatLng());
      else openSpot(spot.n);
    });
    marker.addTo(MAP);
    const holder = marker.getElement();
    holder.setAttribute("role", "button");
    holder.setAttribute("tabindex", "-1");
    MARKERS[spot.n] = { marker, dot, holder };
  });
}

// A tip on the rim of the dot that shows where the camera looks.
function pointer(spot) {
  if (!spot.aim) return "";
  const tip = node("span", { class: "pointer" });
  tip.style.transform = "rotate(" + spot.aim.heading_deg + "deg)";
  return tip;
}

function nameMarkers() {
  DATA.spots.forEach((spot) => {
    const { holder } = MARKERS[spot.n];
    holder.setAttribute("aria-label", "Spot " + spot.n + ", " + pointsOf(spot) + " points");
    holder.setAttribute("aria-pressed", String(STATE.selected === spot.n));
  });
}

function buildList() {
  const list = byId("spot-list");
  DATA.spots.forEach((spot) => list.append(listItem(spot)));
  list.addEventListener("keydown", moveInList);
}

function listItem(spot) {
  const row = node("button", {
    type: "button", class: "spot-row", id: "row-" + spot.n, "aria-expanded": "false",
    "aria-controls": "card-" + spot.n, onclick: () => toggle(spot.n),
  },
  node("span", { class: "dot", "aria-hidden": "true" }, String(spot.n)),
  node("span", { class: "spot-text" },
    node("span", { class: "spot-title" }, node("span", { class: "unseen" }, "Spot " + spot.n + ": "),
      user(spot.title)),
    node("span", { class: "spot-why" }, user(spot.why[0] || "")),
    node("span", { class: "spot-do" }, briefly(spot)),
    node("span", { class: "spot-place", id: "place-" + spot.n })),
  node("span", { class: "spot-points" },
    node("b", { id: "points-" + spot.n }, String(spot.points)), node("small", {}, "points")));
  const card = node("div", { class: "card", id: "card-" + spot.n, role: "region",
    "aria-label": "Spot " + spot.n, hidden: true });
  return node("li", { id: "item-" + spot.n }, row, card);
}

// What helps to choose between spots of nearly the same points, in pieces that do not break.
function briefly({ aim, walk, sure }) {
  const pieces = [aim ? "face " + windOf(aim.heading_deg) : "",
    walk ? Math.max(1, Math.ceil(walk.there_min)) + " min walk" : "", sure].filter(Boolean);
  return pieces.flatMap((words, i) => [i ? " · " : "", node("span", { class: "piece" }, words)]);
}

function moveInList(event) {
  const rows = [...byId("spot-list").querySelectorAll(".spot-row")];
  const at = rows.indexOf(document.activeElement);
  const to = { ArrowDown: at + 1, ArrowUp: at - 1, Home: 0, End: rows.length - 1 }[event.key];
  if (at < 0 || to === undefined) return;
  event.preventDefault();
  const row = rows[Math.max(0, Math.min(rows.length - 1, to))];
  row.focus();
  select(Number(row.id.slice(4)));
}

function openSpot(n) {
  select(n);
  showTab("spots");
  showCard(n);
}

function toggle(n) {
  const open = !byId("card-" + n).hidden;
  select(n);
  if (open) hideCards();
  else showCard(n);
}

function select(n) {
  STATE.selected = n;
  DATA.spots.forEach((spot) => {
    const chosen = spot.n === n;
    MARKERS[spot.n].dot.classList.toggle("chosen", chosen);
    MARKERS[spot.n].marker.setZIndexOffset(chosen ? 5000 : 10 * (DATA.spots.length - spot.n));
    const row = byId("row-" + spot.n);
    if (chosen) row.setAttribute("aria-current", "true");
    else row.removeAttribute("aria-current");
  });
  nameMarkers();
  drawAround(spotOf(n));
  goTo([spotOf(n).lat, spotOf(n).lon]);
}

function hideCards() {
  DATA.spots.forEach((spot) => {
    byId("card-" + spot.n).hidden = true;
    byId("row-" + spot.n).setAttribute("aria-expanded", "false");
  });
}

function showCard(n) {
  hideCards();
  fillCard(spotOf(n));
  byId("card-" + n).hidden = false;
  byId("row-" + n).setAttribute("aria-expanded", "true");
  byId("item-" + n).scrollIntoView({ block: "start", behavior: calmly ? "auto" : "smooth" });
}

// What belongs to the selected spot on the map: where to look, the view, the walk.
function drawAround(spot) {
  SHOWN.clearLayers();
  const circle = pathOptions("marks", "search-circle", { radius: spot.radius_m, fillOpacity: 1 });
  SHOWN.addLayer(L.circle([spot.lat, spot.lon], circle));
  if (spot.aim) {
    SHOWN.addLayer(L.polygon(viewOutline(spot), pathOptions("marks", "wedge", { fillOpacity: 1 })));
  }
  if (spot.walk) {
    spot.walk.line.forEach((shape) => {
      SHOWN.addLayer(leafShape(shape, pathOptions("marks", "walk-case", { fill: false })));
      SHOWN.addLayer(leafShape(shape, pathOptions("marks", "walk", { fill: false })));
    });
  }
}

function closeUp(spot) {
  const circle = L.latLng(spot.lat, spot.lon).toBounds(4 * spot.radius_m);
  MAP.fitBounds(circle, { animate: !calmly });
}

// What the camera would see: a slice as wide as the lens and as long as it is trusted.
function viewOutline(spot) {
  const { field_of_view_deg: angle, zone_m: reach } = DATA.camera;
  const [x, y] = mercator(spot.lat, spot.lon), stretch = 1 / Math.cos(spot.lat * Math.PI / 180);
  const outline = [[spot.lat, spot.lon]];
  for (let i = 0; i <= 12; i += 1) {
    const turn = (spot.aim.heading_deg + angle * (i / 12 - 0.5)) * Math.PI / 180;
    outline.push(latLon(x + reach * stretch * Math.sin(turn), y + reach * stretch * Math.cos(turn)));
  }
  return outline;
}

// --- the card -----------------------------------------------------------------------------

function fillCard(spot) {
  const card = byId("card-" + spot.n);
  card.replaceChildren(
    node("p", {}, node("button", { type: "button", class: "closer", onclick: () => closeUp(spot) },
      "Look closer on the map")),
    facts(spot),
    commonCautions(),
    section("Why here", lines(spot.why)),
    spot.pulled_down.length ? section("What pulled it down", lines(spot.pulled_down)) : "",
    section("Parts of the score", partBars((name) => (name in spot.memberships
      ? hundredths(spot.memberships[name]) : undefined))),
    spot.aim && spot.aim.rose.length ? section("Headings", rose(spot.aim)) : "",
    section("Check on site", lines(spot.check)),
    spot.stability ? section("How sure is its place in the list?", lines([spot.stability])) : "",
    visitForm(spot));
}

function section(title, ...content) {
  return node("section", {}, node("h3", {}, title), ...content);
}

function lines(texts) {
  return node("ul", {}, texts.map((text) => node("li", {}, user(text))));
}

function facts(spot) {
  const rows = [
    ["Go", walkWords(spot)],
    ["Look", ["Within " + aboutWords(spot.radius_m) + " of the point: the maps are no finer. "
      + "Take the best tree in that circle."]],
    ["Face", facingWords(spot)],
    ["Hang", [spot.lens]],
    ["Clear", spot.clear],
    ["Take care", spot.cautions.filter((text) => !COMMON_CAUTIONS.includes(text))],
  ];
  return node("dl", { class: "facts" }, rows.filter(([, words]) => words.length)
    .flatMap(([name, words]) => [node("dt", {}, name),
      node("dd", {}, words.map((text) => node("p", {}, user(text))))]));
}

// Cautions of the whole land are said once, folded; those of a spot or its walk stay on its card.
const COMMON_CAUTIONS = DATA.cautions_everywhere;

function commonCautions() {
  if (!COMMON_CAUTIONS.length) return "";
  return node("details", { class: "cautions" }, node("summary", {}, "Take care everywhere on this parcel ("
    + COMMON_CAUTIONS.length + ")"), lines(COMMON_CAUTIONS));
}

function walkWords(spot) {
  const place = spot.lat.toFixed(5) + ", " + wrapped(spot.lon).toFixed(5) + " (latitude, longitude). "
    + spot.utm + ".";
  if (!spot.walk) return [place];
  const walk = spot.walk;
  const climb = walk.climb_m >= 5 ? ", " + aboutWords(walk.climb_m) + " up" : "";
  const along = walk.along.length ? ", along " + walk.along.join(" and ") : "";
  const words = [aboutWords(walk.length_m) + " on foot" + along + climb + ", about "
    + minutes(walk.there_min) + " there and " + minutes(walk.back_min) + " back."];
  if (walk.from_road) {
    words.push("The walk starts at the nearest road point. Whether you may stop and cross there is "
      + "not known: ask first.");
  }
  if (walk.unknown_crossings) {
    words.push("The walk meets a stream where no crossing is known: do not cross water to reach "
      + "a camera, find another way.");
  }
  return words.concat(place);
}

function minutes(value) {
  const whole = Math.max(1, Math.ceil(value));
  return whole + (whole === 1 ? " minute" : " minutes");
}

function facingWords(spot) {
  if (!spot.aim) return ["North if you can, else south: the low sun in the east and west blinds "
    + "and triggers a camera. (South of the equator the other way round.)"];
  const { heading_deg: best, magnetic_deg: compass, second_deg: second } = spot.aim;
  const words = [headingWords("Best", best, compass), ...spot.aim.why];
  if (second === null) return words;
  return words.concat(headingWords("Second", second, spot.aim.second_magnetic_deg) + " "
    + spot.aim.second_why);
}

function headingWords(name, degrees, magnetic) {
  return name + ": " + windOf(degrees) + ", " + readingWords(degrees, magnetic) + ".";
}

// What a hand compass shows comes first: it is what a volunteer reads.
function readingWords(degrees, magnetic) {
  const bearing = Math.round(degrees) % 360 + "° true";
  return magnetic === null ? bearing
    : Math.round(magnetic) % 360 + "° on a compass (" + bearing + ")";
}

// Bars with numbers: the parts of a score at one place. `of(name)` is a part in whole points, NaN
// where it is not known, undefined where it is not judged.
function partBars(of) {
  const groups = [["What draws animals", ATTRACTORS], ["What must hold", CONDITIONS]];
  return node("div", { class: "parts" }, groups.map(([title, criteria]) => node("div", {},
    node("h4", {}, title),
    node("ul", { class: "bars" }, criteria.filter((c) => of(c.name) !== undefined)
      .map((c) => bar(c, of(c.name)))))));
}

function bar(criterion, points) {
  const fill = node("span", { class: "bar-fill" });
  fill.style.width = (points || 0) + "%";
  const off = STATE.weights[criterion.name] === 0;
  return node("li", { class: off ? "off" : null },
    node("span", { class: "bar-name" }, criterion.label, off ? " (not counted)" : ""),
    node("span", { class: "bar-track", "aria-hidden": "true" }, fill),
    node("span", { class: "bar-number" }, Number.isNaN(points) ? "not known" : String(points)));
}
