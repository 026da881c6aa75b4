// What the lines and dots of the map mean.

import { node } from "../../shared/dom.js";

// Two open keys and the buttons of the map need as much height; on a phone there is less.
const LEAST_HEIGHT_PX = 620;

// `rows` are the parts of each line. A key is folded while the map is low, and when it becomes so:
// it would reach up to the buttons.
export function mapKey(title, rows) {
  const key = L.control({ position: "bottomleft" });
  const box = node("details", { class: "map-key" }, node("summary", {}, title),
    node("ul", {}, rows.map((parts) => node("li", {}, ...parts))));
  let wasHigh = null;
  const fold = ({ target }) => {
    const isHigh = target.getSize().y >= LEAST_HEIGHT_PX;
    // Whoever folds or opens it keeps it so until the map changes.
    if (isHigh !== wasHigh) box.open = isHigh;
    wasHigh = isHigh;
  };
  key.onAdd = (map) => {
    map.on("resize", fold);
    fold({ target: map });
    return box;
  };
  key.onRemove = (map) => map.off("resize", fold);
  return key;
}
