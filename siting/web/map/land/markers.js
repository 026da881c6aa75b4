// The spots on the map: their numbers, and what belongs to the selected one.

import { node } from "../../shared/dom.js";
import { latLon, mercator } from "../../model/frame.js";
import { indexWords } from "../../model/lengths.js";
import { DATA, STATE, listen, spotOf, spotTenths } from "../data.js";
import { MAP, goTo, leafShape, pathOptions } from "./map.js";

const MARKERS = {};
// A finger needs more room than a mouse.
const TARGET_PX = document.documentElement.classList.contains("touch") ? 44 : 34;
const AROUND = L.layerGroup();
const OWN = L.layerGroup();

// `onPick(spot)` is called when a number is tapped or clicked.
export function addMarkers(onPick) {
  AROUND.addTo(MAP);
  OWN.addTo(MAP);
  DATA.spots.forEach((spot) => {
    const dot = node("span", { class: "dot" }, pointer(spot), String(spot.n),
      node("span", { class: "badge" }));
    const icon = L.divIcon({ className: "dot-holder", html: dot, iconSize: [TARGET_PX, TARGET_PX] });
    const marker = L.marker([spot.lat, spot.lon], {
      icon, keyboard: false, pane: "spots", bubblingMouseEvents: false,
      zIndexOffset: 10 * (DATA.spots.length - spot.n),
    });
    marker.on("click", () => onPick(spot));
    marker.addTo(MAP);
    const holder = marker.getElement();
    holder.setAttribute("role", "button");
    holder.setAttribute("tabindex", "-1");
    MARKERS[spot.n] = { marker, dot, holder };
  });
  if (DATA.plain) DATA.spots.forEach(({ extent }) => drawExtent(extent, MAP));
  listen("weights", nameMarkers);
  listen("selected", showSelected);
  nameMarkers();
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
    holder.setAttribute("aria-label", "Spot " + spot.n + ", index " + indexWords(spotTenths(spot)));
    holder.setAttribute("aria-pressed", String(STATE.selected === spot.n));
  });
}

export function setBadge(n, text, ruledOut) {
  MARKERS[n].dot.querySelector(".badge").textContent = text;
  MARKERS[n].dot.classList.toggle("ruled-out", ruledOut);
}

// Places that the reader marked and that are on no list.
export function showOwnPlaces(places) {
  OWN.clearLayers();
  places.forEach((place) => {
    const sign = node("span", { class: "sign sign-own" }, "★");
    const icon = L.divIcon({ className: "name-holder", html: sign, iconSize: [0, 0] });
    OWN.addLayer(L.marker([place.lat, nearLon(place.lon)], { icon, interactive: false,
      keyboard: false, pane: "places" }));
  });
}

// The longitude as this map counts it, which goes on past the 180th meridian.
function nearLon(lon) {
  const middle = MAP.getCenter().lng;
  return lon + 360 * Math.round((middle - lon) / 360);
}

function showSelected() {
  DATA.spots.forEach(({ n }) => {
    const chosen = n === STATE.selected;
    MARKERS[n].dot.classList.toggle("chosen", chosen);
    MARKERS[n].marker.setZIndexOffset(chosen ? 5000 : 10 * (DATA.spots.length - n));
  });
  nameMarkers();
  const spot = spotOf(STATE.selected);
  drawAround(spot);
  goTo([spot.lat, spot.lon]);
}

// What belongs to the selected spot on the map: where to look, the view, the walk.
function drawAround(spot) {
  AROUND.clearLayers();
  if (spot.extent.length) drawExtent(spot.extent, AROUND);
  else AROUND.addLayer(L.circle([spot.lat, spot.lon], searchStyle({ radius: spot.radius_m })));
  if (spot.aim) {
    AROUND.addLayer(L.polygon(viewOutline(spot), pathOptions("marks", "wedge", { fillOpacity: 1 })));
  }
  if (!spot.walk) return;
  spot.walk.line.forEach((shape) => {
    AROUND.addLayer(leafShape(shape, pathOptions("marks", "walk-case", { fill: false })));
    AROUND.addLayer(leafShape(shape, pathOptions("marks", "walk", { fill: false })));
  });
}

// Areas to look over are marked from the start: the head of the page speaks of them.
function drawExtent(extent, layers) {
  extent.forEach((shape) => layers.addLayer(leafShape(shape, searchStyle())));
}

function searchStyle(more) {
  return pathOptions("marks", "search-circle", { fillOpacity: 1, ...more });
}

// What the camera would see: a slice as wide as the lens and as long as it is trusted.
function viewOutline(spot) {
  const { field_of_view_deg: lens, zone_m: reach } = DATA.camera;
  const angle = lens + (spot.aim.span_deg || 0);
  const [x, y] = mercator(spot.lat, spot.lon), stretch = 1 / Math.cos(spot.lat * Math.PI / 180);
  const outline = [[spot.lat, spot.lon]];
  for (let i = 0; i <= 12; i += 1) {
    const turn = (spot.aim.heading_deg + angle * (i / 12 - 0.5)) * Math.PI / 180;
    outline.push(latLon(x + reach * stretch * Math.sin(turn), y + reach * stretch * Math.cos(turn)));
  }
  return outline;
}
