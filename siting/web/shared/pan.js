// Four buttons that move a map: the way without dragging (WCAG 2.2, 2.5.7).

import { node } from "./dom.js";

const WAYS = [["up", "↑", 0, -1], ["left", "←", -1, 0], ["right", "→", 1, 0], ["down", "↓", 0, 1]];
const SHARE = 0.3; // of the window to a press

export function panButtons(map, position = "topleft") {
  const control = L.control({ position });
  control.onAdd = () => {
    const box = node("div", { class: "leaflet-bar pan-buttons", role: "group", "aria-label": "Move the map" },
      WAYS.map(([way, sign, x, y]) => node("button", { type: "button", class: `pan-${way}`, "aria-label": `Move ${way}`,
        onclick: () => {
          const size = map.getSize();
          map.panBy([SHARE * x * size.x, SHARE * y * size.y], { animate: false });
        } }, sign)));
    L.DomEvent.disableClickPropagation(box);
    return box;
  };
  return control;
}
