// Where the reader stands, on the map and in words, followed while the page asks for it.

import { byId } from "../../shared/dom.js";
import { canLocate, watchPlace } from "../../shared/where.js";
import { aboutWords, windOf } from "../../model/lengths.js";
import { DATA, PLACES, STATE, listen, spotOf } from "../data.js";
import { MAP, goTo, pathOptions } from "./map.js";

const LAYER = L.layerGroup();
let stop = null;
let last = null;

export function setUpHere() {
  LAYER.addTo(MAP);
  byId("here-switch").hidden = !canLocate();
  byId("here-switch").addEventListener("click", () => (stop ? end() : begin()));
  byId("here-close").addEventListener("click", end);
  listen("selected", () => { if (last) tell(last); });
}

function begin() {
  byId("here-switch").setAttribute("aria-pressed", "true");
  byId("here-box").hidden = false;
  byId("here-words").textContent = "Looking for your position.";
  stop = watchPlace(show, (error) => { byId("here-words").textContent = error.message; });
}

function end() {
  if (stop) stop();
  stop = null;
  last = null;
  LAYER.clearLayers();
  byId("here-switch").setAttribute("aria-pressed", "false");
  byId("here-box").hidden = true;
}

function show(found) {
  const first = !last;
  last = found;
  const place = L.latLng(found.lat, found.lon);
  LAYER.clearLayers();
  LAYER.addLayer(L.circle(place, pathOptions("marks", "here-circle", { radius: found.accuracy_m,
    fillOpacity: 1 })));
  LAYER.addLayer(L.circleMarker(place, pathOptions("marks", "here-dot", { radius: 7,
    fillOpacity: 1 })));
  tell(found);
  if (first) goTo(place);
}

// How far to the spot that matters now, no finer than the phone and the map know it.
function tell(found) {
  const spot = STATE.selected === null ? DATA.spots[0] : spotOf(STATE.selected);
  const error = "Your phone is accurate to about " + aboutWords(found.accuracy_m) + ".";
  if (!spot) {
    byId("here-words").textContent = error;
    return;
  }
  const [e, n] = PLACES.metresOf(found.lat, found.lon), [se, sn] = PLACES.metresOf(spot.lat, spot.lon);
  const far = Math.hypot(se - e, sn - n), near = Math.max(found.accuracy_m, spot.radius_m);
  const wind = windOf(Math.atan2(se - e, sn - n) * 180 / Math.PI);
  byId("here-words").textContent = (far <= near ? "You are at spot " + spot.n + ": look for the tree. "
    : "Spot " + spot.n + " is " + aboutWords(far) + " to the " + wind + " (true). ") + error;
}
