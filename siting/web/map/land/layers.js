// What lies on the ground: contours, closed areas, known things, the outline.

import { node } from "../../shared/dom.js";
import { mercator } from "../../model/frame.js";
import { DATA, PLACES } from "../data.js";
import { GROUND, MAP, group, leafShape, pathOptions, showParcel } from "./map.js";
import { addName, keepClear, scheduleNames } from "./names.js";

export const POINT_SIGNS = { feeders: "F", crossings: "×", way_in: "Way in", buildings: "B", water: "W",
  livestock: "L", no_go: "!", trails: "T", roads: "R", valleys: "V", features: "",
  random: "W1" };

export function setUpLand() {
  MAP.invalidateSize({ animate: false });
  drawContours();
  drawZones();
  drawLayers();
  L.control.scale({ maxWidth: 130 }).addTo(MAP);
  // Before the bounds, which would move a view that lies outside, and after what they began to move.
  showParcel();
  MAP.setMaxBounds(GROUND.getBounds().pad(0.3));
  MAP.stop();
  showParcel();
  MAP.on("zoomend moveend layeradd layerremove resize", scheduleNames);
}

export function ruleOf(bit) {
  return DATA.rules.find((rule) => rule.bit === bit);
}

function drawContours() {
  DATA.contours.lines.forEach((line) => {
    const name = line.index ? "contour contour-index" : "contour";
    const points = PLACES.path(line.xy);
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
      addName(PLACES.placed(x, y), text, { group: key, size: 4 * rule.name.length + 6, rank: 1, once: true });
    });
  });
}

function drawLayers() {
  DATA.layers.forEach(({ key, features }) => {
    features.forEach((feature) => feature.shapes.forEach((shape) => {
      if (shape[0] === "P") drawPoint(key, shape[1][0], feature);
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

function drawPoint(key, [x, y], { text, kind }) {
  // Places drawn at random can be tapped, each with a sign of its own (drawn.js).
  if (key === "random") return;
  const words = key in POINT_SIGNS ? POINT_SIGNS[key] : "•";
  const sign = node("span", { class: "sign sign-" + key + (kind ? " kind-" + kind : "") }, words);
  const icon = L.divIcon({ className: "name-holder", html: sign, iconSize: [0, 0] });
  const pane = key === "features" ? "features" : "places";
  const options = { icon, interactive: false, keyboard: false, pane };
  const marker = L.marker(PLACES.placed(x, y), options).addTo(group(key));
  if (key !== "features") keepClear(marker);
  else if (text) addFeatureName(PLACES.placed(x, y), text.split(",")[0]);
}

function addFeatureName(place, words) {
  const name = node("span", { class: "name name-feature" }, words);
  addName(place, name, { group: "features", size: 3 * words.length + 4, rank: 4, drop: 13 });
}
