// The map: ground, zones, layers, labels, scale. Text is always set as text.

const MAP = window.map_siting;
const SVG = "http://www.w3.org/2000/svg";

function node(tag, attributes, ...children) {
  const made = document.createElement(tag);
  return filled(made, attributes, children);
}

function svgNode(tag, attributes, ...children) {
  return filled(document.createElementNS(SVG, tag), attributes, children);
}

function filled(made, attributes, children) {
  Object.entries(attributes || {}).forEach(([name, value]) => {
    if (name.startsWith("on")) made.addEventListener(name.slice(2), value);
    else if (value === true) made.setAttribute(name, "");
    else if (value !== false && value !== null && value !== undefined) {
      made.setAttribute(name, value);
    }
  });
  children.flat(4).forEach((child) => {
    if (child !== null && child !== undefined && child !== "") made.append(child);
  });
  return made;
}

// Words of a user: isolated, so that their direction does not run into ours.
function user(text) {
  return node("bdi", {}, text);
}

function byId(id) {
  return document.getElementById(id);
}

const calmly = window.matchMedia("(prefers-reduced-motion: reduce)").matches;

["contours", "zones", "layers", "marks"].forEach((name, i) => {
  MAP.createPane(name).style.zIndex = 410 + 10 * i;
});
MAP.createPane("features").style.zIndex = 605;
MAP.createPane("names").style.zIndex = 610;
MAP.createPane("places").style.zIndex = 615;
MAP.createPane("spots").style.zIndex = 620;
["names", "contours", "layers"].forEach((name) => {
  MAP.getPane(name).style.pointerEvents = "none";
});

function leafShape([kind, rings], options) {
  const lines = rings.map(path);
  return kind === "A" ? L.polygon(lines, options) : L.polyline(lines, options);
}

function pathOptions(pane, className, more) {
  return Object.assign({ pane, className, interactive: false, weight: 2, smoothFactor: 0.5 }, more);
}

// --- the switches of the map's key ----------------------------------------------------

const GROUPS = {};

function group(key) {
  if (!GROUPS[key]) GROUPS[key] = L.layerGroup().addTo(MAP);
  return GROUPS[key];
}

// --- contours -------------------------------------------------------------------------

function drawContours() {
  DATA.contours.lines.forEach((line) => {
    const name = line.index ? "contour contour-index" : "contour";
    const points = path(line.xy);
    L.polyline(points, pathOptions("contours", name, { fill: false })).addTo(group("contours"));
    if (line.index && points.length > 4) addContourName(points, line.z);
  });
}

function addContourName(points, height) {
  const at = Math.floor(points.length / 2);
  const [x0, y0] = mercator(...points[at - 1]), [x1, y1] = mercator(...points[at + 1]);
  let turn = -Math.atan2(y1 - y0, x1 - x0) * 180 / Math.PI;
  if (turn > 90) turn -= 180;
  if (turn < -90) turn += 180;
  const text = node("span", { class: "name name-contour" }, String(height));
  text.style.transform = "translate(-50%, -50%) rotate(" + turn.toFixed(1) + "deg)";
  addName(points[at], text, { group: "contours", size: 22, rank: 3 });
}

// --- names on the map, never two on one place -------------------------------------------

const NAMES = [];
const SIGNS = [];

function addName(place, element, { group: key, size, rank, drop = 0 }) {
  const icon = L.divIcon({ className: "name-holder", html: element, iconSize: [0, 0] });
  const marker = L.marker(place, { icon, interactive: false, keyboard: false, pane: "names" });
  marker.addTo(group(key));
  NAMES.push({ marker, element, size, rank, drop });
}

function tidyNames() {
  const fixed = DATA.spots.map((spot) => [spot.lat, spot.lon])
    .concat(SIGNS.filter((sign) => sign._map).map((sign) => sign.getLatLng()));
  const taken = fixed.map((place) => boxAt(MAP.latLngToContainerPoint(place), 17, 15));
  const view = MAP.getSize();
  NAMES.sort((a, b) => a.rank - b.rank).forEach(({ marker, element, size, drop }) => {
    if (!marker._map) return;
    const at = MAP.latLngToContainerPoint(marker.getLatLng()).add([0, drop]);
    const box = boxAt(at, size, 9);
    const off = at.x < size || at.y < 9 || at.x > view.x - size || at.y > view.y - 9;
    const clash = off || taken.some((other) => box[0] < other[2] && other[0] < box[2]
      && box[1] < other[3] && other[1] < box[3]);
    element.classList.toggle("hidden", clash);
    if (!clash) taken.push(box);
  });
}

function boxAt(point, halfWidth, halfHeight) {
  return [point.x - halfWidth, point.y - halfHeight, point.x + halfWidth, point.y + halfHeight];
}

// --- no-go zones and layers -------------------------------------------------------------

const RULES = DATA.rules;

function ruleOf(bit) {
  return RULES.find((rule) => rule.bit === bit);
}

function drawZones() {
  DATA.zones.forEach((zone) => {
    const rule = ruleOf(zone.bit), key = "zone-" + rule.key;
    zone.shapes.forEach((shape) => {
      leafShape(shape, pathOptions("zones", "zone zone-" + rule.key, {
        fillColor: "url(#hatch-" + rule.key + ")", fillOpacity: 1, weight: 1,
      })).addTo(group(key));
    });
    zone.names.forEach(([x, y]) => {
      const text = node("span", { class: "name name-zone" }, rule.name);
      addName(placed(x, y), text, { group: key, size: 4 * rule.name.length + 6, rank: 1 });
    });
  });
}

const POINT_SIGNS = { feeders: "F", crossings: "×", way_in: "Way in", buildings: "B", water: "W",
  livestock: "L", no_go: "!", trails: "T", roads: "R", streams: "S", features: "" };

function drawLayers() {
  DATA.layers.forEach(({ key, features }) => {
    features.forEach((feature) => feature.shapes.forEach((shape) => {
      if (shape[0] === "P") drawPoint(key, shape[1][0], feature.text);
      else drawShape(key, feature.kind, shape);
    }));
  });
  DATA.outline.forEach((shape) => {
    leafShape(shape, pathOptions("layers", "outline-case", { fill: false })).addTo(MAP);
    leafShape(shape, pathOptions("layers", "outline", { fill: false })).addTo(MAP);
  });
}

function drawShape(key, kind, shape) {
  const area = shape[0] === "A";
  const name = "layer layer-" + key + (kind ? " kind-" + kind : "") + (area ? " area" : " line");
  if (key === "roads" && !area) {
    leafShape(shape, pathOptions("layers", name + " casing", { fill: false })).addTo(group(key));
  }
  const options = pathOptions("layers", name, { fill: area, fillOpacity: 1 });
  leafShape(shape, options).addTo(group(key));
}

function drawPoint(key, [x, y], text) {
  const sign = node("span", { class: "sign sign-" + key }, key in POINT_SIGNS ? POINT_SIGNS[key] : "•");
  const icon = L.divIcon({ className: "name-holder", html: sign, iconSize: [0, 0] });
  const pane = key === "features" ? "features" : "places";
  const options = { icon, interactive: false, keyboard: false, pane };
  const marker = L.marker(placed(x, y), options).addTo(group(key));
  if (key !== "features") SIGNS.push(marker);
  else if (text) addFeatureName(placed(x, y), text.split(",")[0]);
}

function addFeatureName(place, words) {
  const name = node("span", { class: "name name-feature" }, words);
  addName(place, name, { group: "features", size: 3 * words.length + 4, rank: 4, drop: 13 });
}

// --- the score in colours, painted anew when the weights move ---------------------------

const PAINT = { cells: null, url: null, first: null };

function pixelCells() {
  const plane = DATA.score_plane, out = new Int32Array(plane.width * plane.height);
  for (let row = 0, k = 0; row < plane.height; row += 1) {
    const y = plane.top - (row + 0.5) * plane.pixel_m;
    for (let col = 0; col < plane.width; col += 1, k += 1) {
      const x = plane.left + (col + 0.5) * plane.pixel_m;
      out[k] = cellAt(...applyFit(DATA.frame.to_grid, x, y));
    }
  }
  return out;
}

function stepOf(score) {
  return Math.min(DATA.palette.length - 1, Math.floor(score * DATA.palette.length + 1e-6));
}

// Colours as the four bytes of a pixel, in the byte order of this machine.
function pixelColours() {
  const bytes = new Uint8Array(4 * DATA.palette.length);
  DATA.palette.forEach((text, k) => {
    bytes.set([1, 3, 5].map((i) => parseInt(text.substr(i, 2), 16)).concat(255), 4 * k);
  });
  return new Uint32Array(bytes.buffer);
}

function cellColours(weights) {
  const colours = pixelColours(), out = new Uint32Array(CELLS.bits.length);
  for (let index = 0; index < out.length; index += 1) {
    const score = CELLS.bits[index] ? NaN : cellScore(index, weights);
    if (!Number.isNaN(score)) out[index] = colours[stepOf(score)];
  }
  return out;
}

function paintScores(weights) {
  const { width, height } = DATA.score_plane;
  if (!PAINT.cells) PAINT.cells = pixelCells();
  const colours = cellColours(weights), pixels = new Uint32Array(width * height);
  for (let k = 0; k < pixels.length; k += 1) {
    if (PAINT.cells[k] >= 0) pixels[k] = colours[PAINT.cells[k]];
  }
  const canvas = node("canvas", { width, height });
  const image = new ImageData(new Uint8ClampedArray(pixels.buffer), width, height);
  canvas.getContext("2d").putImageData(image, 0, 0);
  canvas.toBlob((blob) => showScores(URL.createObjectURL(blob)));
}

function showScores(url) {
  const layer = window.image_overlay_score;
  if (!PAINT.first) PAINT.first = layer._url;
  if (PAINT.url) URL.revokeObjectURL(PAINT.url);
  PAINT.url = url;
  layer.setUrl(url || PAINT.first);
  document.documentElement.dataset.painted = url ? "page" : "survey";
}

// --- view -------------------------------------------------------------------------------

function parcelBounds() {
  return L.latLngBounds(DATA.outline.flatMap(([, rings]) => path(rings[0])));
}

function showParcel() {
  MAP.fitBounds(parcelBounds(), { padding: [14, 14], animate: false });
}

function goTo(place) {
  MAP.panInside(place, { padding: [60, 60], animate: !calmly });
}

function setUpMap() {
  MAP.invalidateSize({ animate: false });
  drawContours();
  drawZones();
  drawLayers();
  L.control.scale({ maxWidth: 130 }).addTo(MAP);
  const shown = window.image_overlay_ground.getBounds();
  MAP.setMaxBounds(shown.pad(0.3));
  showParcel();
  MAP.on("zoomend moveend layeradd layerremove resize", scheduleNames);
}

let namesWaiting = false;

// Small marks crowd a small map: they come with the zoom.
function scheduleNames() {
  MAP.getContainer().classList.toggle("from-afar", MAP.getZoom() < 18);
  if (namesWaiting) return;
  namesWaiting = true;
  window.requestAnimationFrame(() => { namesWaiting = false; tidyNames(); });
}
