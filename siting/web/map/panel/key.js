// The key, which is also the switchboard of the layers.

import { byId, node, svgNode } from "../../shared/dom.js";
import { lengthWords } from "../../model/lengths.js";
import { DATA } from "../data.js";
import { POINT_SIGNS, ruleOf } from "../land/layers.js";
import { COLOURS, GROUND, MAP, group } from "../land/map.js";

export function buildKey() {
  [byId("key-steps"), byId("map-key-steps")].forEach(fillSteps);
  byId("key-marks").append(
    keyRow("ground", "Shaded ground", "ground", [GROUND]),
    keyRow("score", "Score in colours", "score", [COLOURS]),
    DATA.contours.lines.length ? keyRow("contours", "Contours every "
      + lengthWords(DATA.contours.interval_m), "contour") : "",
    ...DATA.layers.map((layer) => keyRow(layer.key, layer.label, "layer-" + layer.key)));
  DATA.zones.forEach((zone) => {
    const rule = ruleOf(zone.bit);
    byId("key-zones").append(keyRow("zone-" + rule.key, rule.label, "zone-" + rule.key, null,
      rule.text));
  });
  byId("key-no-zones").hidden = DATA.zones.length > 0;
}

// The colours as they are seen: laid over the grey of level ground by the same glaze as on the map.
function fillSteps(home) {
  DATA.palette.forEach((colour) => {
    const ground = node("span", { class: "step-layer glazed-ground" });
    const glaze = node("span", { class: "step-layer glaze" });
    ground.style.backgroundColor = DATA.level_grey;
    glaze.style.backgroundColor = colour;
    glaze.style.opacity = DATA.score_opacity;
    home.append(node("span", { class: "step" }, ground, glaze));
  });
}

function keyRow(key, label, swatch, layers, more) {
  const input = node("input", { type: "checkbox", checked: true, onchange: (event) => {
    (layers || [group(key)]).forEach((layer) => {
      if (event.target.checked) layer.addTo(MAP);
      else layer.remove();
    });
    if (event.target.checked && key === "ground") GROUND.bringToBack();
  } });
  const plain = key === "ground" || key === "score";
  return node("li", { class: plain ? "plain" : null }, node("label", { class: "key-row" }, input, keySwatch(swatch),
    node("span", {}, label)), more ? node("p", { class: "small" }, more) : "");
}

function keySwatch(kind) {
  const box = svgNode("svg", { class: "swatch", viewBox: "0 0 34 20", "aria-hidden": "true" });
  if (kind.startsWith("zone-")) {
    box.append(svgNode("rect", { x: 1, y: 1, width: 32, height: 18, class: "zone " + kind,
      fill: "url(#hatch-" + kind.slice(5) + ")" }));
    return box;
  }
  const sign = POINT_SIGNS[kind.slice(6)];
  if (["layer-feeders", "layer-features", "layer-crossings", "layer-way_in", "layer-random"].includes(kind)) {
    return node("span", { class: "swatch swatch-sign", "aria-hidden": "true" },
      node("span", { class: "sign sign-" + kind.slice(6) }, sign));
  }
  const area = ["layer-buildings", "layer-livestock", "layer-no_go"].includes(kind);
  if (kind === "ground" || kind === "score") {
    box.append(svgNode("rect", { x: 1, y: 1, width: 32, height: 18, class: "swatch-" + kind }));
  } else if (area) {
    box.append(svgNode("rect", { x: 3, y: 3, width: 28, height: 14, class: "layer area " + kind }));
  } else {
    const line = (name) => svgNode("path", { d: "M2 14C12 2 22 18 32 6", class: name });
    if (kind === "layer-roads") box.append(line("layer line casing " + kind));
    box.append(line(kind === "contour" ? "contour contour-index" : "layer line " + kind));
  }
  return box;
}
