// Places drawn at random: their signs on the map, and the circle around the open one.

import { node } from "../../shared/dom.js";
import { DATA } from "../data.js";
import { MAP, goTo, group, pathOptions } from "./map.js";
import { keepClear } from "./names.js";

const SIGNS = {};
const AROUND = L.layerGroup();
// A finger needs more room than a mouse.
const TARGET_PX = document.documentElement.classList.contains("touch") ? 44 : 30;

// `onPick(place)` is called when a sign is tapped or clicked.
export function addDrawnSigns(onPick) {
  AROUND.addTo(MAP);
  DATA.drawn.forEach((place) => {
    const sign = node("span", { class: "sign sign-random" + (place.spare ? " kind-spare" : "") },
      place.sign, node("span", { class: "badge" }));
    const icon = L.divIcon({ className: "drawn-holder", html: sign, iconSize: [TARGET_PX, TARGET_PX] });
    const marker = L.marker([place.lat, place.lon], { icon, keyboard: false, pane: "places",
      bubblingMouseEvents: false });
    marker.on("click", () => onPick(place));
    marker.addTo(group("random"));
    keepClear(marker);
    const holder = marker.getElement();
    holder.setAttribute("role", "button");
    holder.setAttribute("tabindex", "-1");
    holder.setAttribute("aria-label", "Place drawn at random, " + place.label);
    SIGNS[place.id] = sign;
  });
}

export function setDrawnBadge(id, text, ruledOut) {
  SIGNS[id].querySelector(".badge").textContent = text;
  SIGNS[id].classList.toggle("ruled-out", ruledOut);
}

// Where the tree may stand.
export function showDrawnPlace({ lat, lon, radius_m: radius }) {
  AROUND.clearLayers();
  AROUND.addLayer(L.circle([lat, lon], pathOptions("marks", "search-circle", { fillOpacity: 1, radius })));
  goTo([lat, lon]);
}
