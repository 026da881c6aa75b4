// What is shown and not drawn: the office's own layers around a land, and the land itself.

import { fault } from "../../model/shapes.js";
import { pathStyle } from "../../sketch/style.js";
import { get } from "../api.js";

export function knownGround(map) {
  const known = L.layerGroup();
  let isWanted = false; // an answer that comes after its view was left draws nothing
  return {
    async draw(uid) {
      isWanted = true;
      const box = map.getBounds().pad(0.3);
      const sides = [box.getWest(), box.getSouth(), box.getEast(), box.getNorth()];
      const { rows } = await get(`/api/known?for=${uid}&box=${sides.join(",")}`);
      if (!isWanted) return;
      known.clearLayers();
      rows.forEach(({ layer, kind, corners }) => {
        const options = { pane: "known", className: `known known-${layer} known-${kind}`, interactive: false };
        if (kind === "point") L.circleMarker(corners[0], { ...options, radius: 4 }).addTo(known);
        else L[kind === "area" ? "polygon" : "polyline"](corners, options).addTo(known);
      });
      known.addTo(map);
    },
    remove: () => { isWanted = false; known.clearLayers(); known.remove(); },
  };
}

// The land of a sign-up as a picture under its places; nothing in it can be changed.
export function landPicture(map) {
  const group = L.layerGroup();
  let isWanted = false;
  return {
    async draw(uid) {
      isWanted = true;
      const { shapes } = await get(`/api/land/${uid}`);
      if (!isWanted) return;
      group.clearLayers();
      shapes.filter((shape) => !fault(shape)).forEach((shape) => {
        const corners = shape.corners.map(([lon, lat]) => [lat, lon]);
        const options = { ...pathStyle(shape, ""), interactive: false };
        if (shape.kind === "point") L.circleMarker(corners[0], { ...options, radius: 7 }).addTo(group);
        else L[shape.kind === "area" ? "polygon" : "polyline"](corners, options).addTo(group);
      });
      group.addTo(map);
    },
    remove: () => { isWanted = false; group.clearLayers(); group.remove(); },
  };
}
