// What is shown and not drawn: the office's own layers around a land, and the land itself.

import { fault } from "../../model/shapes.js";
import { pathStyle } from "../../sketch/style.js";
import { node } from "../../shared/dom.js";
import { DATA, get } from "../api.js";
import { mapKey } from "./key.js";

function keyOf(layers) {
  const titles = Object.fromEntries(DATA.words.layers.map(({ layer, title }) => [layer, title]));
  return mapKey("On your maps", layers.map((layer) => (
    [node("i", { class: `sign-${layer}` }), titles[layer] || layer])));
}

export function knownGround(map) {
  const known = L.layerGroup();
  let key = null;
  let asked = 0; // an answer that comes after its view was left draws nothing
  return {
    // Draws them, and gives them.
    async draw(uid) {
      const mine = asked += 1;
      const box = map.getBounds().pad(0.3);
      const sides = [box.getWest(), box.getSouth(), box.getEast(), box.getNorth()];
      const { rows } = await get(`/api/known?for=${uid}&box=${sides.join(",")}`);
      if (mine !== asked) return rows;
      known.clearLayers();
      rows.forEach(({ layer, kind, corners }) => {
        const options = { pane: "known", className: `known known-${layer} known-${kind}`, interactive: false };
        if (kind === "point") L.circleMarker(corners[0], { ...options, radius: 4 }).addTo(known);
        else L[kind === "area" ? "polygon" : "polyline"](corners, options).addTo(known);
      });
      known.addTo(map);
      const layers = [...new Set(rows.map(({ layer }) => layer))];
      if (key) key.remove();
      key = layers.length ? keyOf(layers).addTo(map) : null;
      return rows;
    },
    remove() {
      asked += 1;
      known.clearLayers();
      known.remove();
      if (key) key.remove();
      key = null;
    },
  };
}

// Where the camera of a sign-up stands, and since when.
export function cameraMark({ lat, lon, since }) {
  const icon = L.divIcon({ className: "camera-mark", html: "camera", iconSize: [64, 24] });
  return L.marker([lat, lon], { icon, keyboard: false, interactive: false, zIndexOffset: 3000,
    title: `The camera, up since ${since}` });
}

// The same on a map that is drawn on.
export function cameraSign(map) {
  const group = L.layerGroup();
  return {
    show(camera) {
      group.clearLayers();
      if (camera) cameraMark(camera).addTo(group);
      group.addTo(map);
    },
    remove: () => group.remove(),
  };
}

// At once: whoever goes on to another view would else see the end of this move there.
// The map over what is drawn, or over the place of a sign-up without an outline.
export function framed(map, shapes, row) {
  const corners = shapes.flatMap((shape) => shape.corners);
  if (corners.length) map.fitBounds(L.latLngBounds(corners).pad(0.25), { maxZoom: 17, animate: false });
  else if (row && row.lat !== null) map.setView([row.lat, row.lon], 15, { animate: false });
}

// The layer and the box of each shape.
export function boxed(rows) {
  return rows.map(({ layer, corners }) => ({ layer, box: L.latLngBounds(corners) }));
}

// How many shapes of each layer reach into a box.
export function countedIn(shapes, box) {
  const found = {};
  shapes.filter((shape) => box.intersects(shape.box)).forEach(({ layer }) => {
    found[layer] = (found[layer] || 0) + 1;
  });
  return found;
}

// The land of a sign-up as a picture under its places; nothing in it can be changed.
export function landPicture(map) {
  const group = L.layerGroup();
  let asked = 0;
  return {
    async draw(uid) {
      const mine = asked += 1;
      const { shapes } = await get(`/api/land/${uid}`);
      if (mine !== asked) return;
      group.clearLayers();
      shapes.filter((shape) => !fault(shape)).forEach((shape) => {
        const corners = shape.corners.map(([lon, lat]) => [lat, lon]);
        const options = { ...pathStyle(shape, ""), interactive: false };
        if (shape.kind === "point") L.circleMarker(corners[0], { ...options, radius: 7 }).addTo(group);
        else L[shape.kind === "area" ? "polygon" : "polyline"](corners, options).addTo(group);
      });
      group.addTo(map);
    },
    remove: () => { asked += 1; group.clearLayers(); group.remove(); },
  };
}
