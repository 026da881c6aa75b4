// Pointing at a place: by tap, or by the cross-hair and the keyboard; and measuring.

import { byId } from "../../shared/dom.js";
import { lengthWords } from "../../model/lengths.js";
import { DATA, PLACES } from "../data.js";
import { MAP, pathOptions, showParcel } from "./map.js";

const MEASURE = { on: false, points: [], layer: L.layerGroup() };
const REACH_PX = 14;
// Who takes the next place that is pointed at, in place of Ask.
let picker = null;

// The next tap on the map goes to `take(latlng)`; Escape calls it off.
export function pickOnce(take) {
  picker = take;
  byId("map-frame").classList.add("measuring");
  byId("pick-box").hidden = false;
  byId("cross-take").textContent = "Take this place";
}

function endPick() {
  picker = null;
  byId("map-frame").classList.toggle("measuring", MEASURE.on);
  byId("pick-box").hidden = true;
  byId("cross-take").textContent = MEASURE.on ? "Set point" : "Ask here";
}

function pick(latlng) {
  const take = picker;
  endPick();
  take(latlng);
}

// `ask(latlng)` is called for a place that is pointed at, `openSpot(n)` for a spot, `openDrawn(place)`
// for a place drawn at random.
export function setUpPointing({ ask, openSpot, openDrawn }) {
  MEASURE.layer.addTo(MAP);
  const take = (latlng) => (picker ? pick(latlng) : MEASURE.on ? measureTo(latlng) : ask(latlng));
  const takeCentre = () => {
    const busy = MEASURE.on || picker;
    const spot = busy ? null : underCross(DATA.spots), place = busy ? null : underCross(DATA.drawn);
    if (spot) openSpot(spot.n);
    else if (place) openDrawn(place);
    else take(MAP.getCenter());
  };
  MAP.on("click", (event) => take(event.latlng));
  setUpKeys(takeCentre);
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
  byId("pick-stop").addEventListener("click", endPick);
  // While measuring or picking, a tapped spot is a point like any other.
  return (place, open) => (MEASURE.on || picker ? take(L.latLng(place.lat, place.lon)) : open(place));
}

function setUpKeys(takeCentre) {
  const frame = MAP.getContainer();
  frame.addEventListener("keydown", (event) => {
    if (event.target !== frame) return;
    if (event.key === "Enter" || event.key === " ") {
      event.preventDefault();
      takeCentre();
    } else if (event.key === "Backspace" && MEASURE.on) {
      event.preventDefault();
      measureBack();
    } else if (event.key === "Escape" && picker) endPick();
    else if (event.key === "Escape" && MEASURE.on) switchMeasure(false);
  });
}

function underCross(places) {
  const at = MAP.latLngToContainerPoint(MAP.getCenter());
  return places.find(({ lat, lon }) => MAP.latLngToContainerPoint([lat, lon]).distanceTo(at) <= REACH_PX);
}

// --- measure ------------------------------------------------------------------------------

function switchMeasure(on) {
  MEASURE.on = on;
  MEASURE.points = [];
  byId("measure-switch").setAttribute("aria-pressed", String(on));
  byId("measure-box").hidden = !on;
  byId("cross-take").textContent = on ? "Set point" : "Ask here";
  byId("map-frame").classList.toggle("measuring", on);
  drawMeasure();
}

function measureTo(latlng) {
  MEASURE.points.push(latlng);
  drawMeasure();
}

function measureBack() {
  MEASURE.points.pop();
  drawMeasure();
}

function measuredMetres() {
  const metres = MEASURE.points.map((p) => PLACES.metresOf(p.lat, p.lng));
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
