// Land from a file: which of its shapes is meant, and whether it lies where the survey is.

import { measure } from "../../model/shapes.js";
import { byId, node, user } from "../../shared/dom.js";
import { DATA, sendFile } from "../api.js";
import { attempt, button, field } from "../page.js";

// The server has longitude first, the map latitude first.
export function fromServer(shape) {
  return { ...shape, id: shape.uid, corners: shape.corners.map(([lon, lat]) => [lat, lon]) };
}

export function toServer({ uid, id, layer, kind, corners, name, use, road_class, reason, said_by, said_on, via }) {
  return { uid: uid || id, layer, kind, corners: corners.map(([lat, lon]) => [lon, lat]),
    name, use, road_class, reason, said_by, said_on, via };
}

// What is wrong with where the shapes lie, in words; "" where nothing is.
export function farAway(shapes) {
  const [west, south, east, north] = DATA.bounds;
  const box = L.latLngBounds([[south, west], [north, east]]);
  const corners = shapes.flatMap((shape) => shape.corners);
  return corners.length && !corners.some((corner) => box.contains(corner))
    ? "This lies outside your survey's maps. Are longitude and latitude swapped? If not, get data for it." : "";
}

// `take(shapes, answers)` gets what was chosen of a file.
export function landFiles(take) {
  // Several areas in one file: which of them is the land?
  function picking(areas, all) {
    byId("faults").replaceChildren(node("div", { class: "caution" },
      node("p", {}, `The file holds ${areas.length} areas. Which one is the land?`),
      node("ul", { class: "shapes" }, areas.slice(0, 50).map((area, k) => node("li", {},
        button([user(area.label || `Area ${k + 1}`), ` · ${measure(fromServer(area))}`], () => take([area], {}))))),
      button("All of them", () => take(all, {}))));
  }

  const dropped = (file) => attempt(async () => {
    const found = await sendFile(file);
    if (!found.shapes.length) throw new Error("The file holds no areas and no lines.");
    const areas = found.shapes.filter((shape) => shape.layer === "parcel");
    if (found.kind === "shapes" && areas.length > 1) return picking(areas, found.shapes);
    return take(found.shapes, found.answers);
  });

  return {
    dropped,
    part() {
      const input = node("input", { type: "file" });
      input.addEventListener("change", () => input.files.length && dropped(input.files[0]));
      return node("details", {}, node("summary", {}, "Take the land from a file"),
        field("GeoJSON, KML, GPX, a zipped shapefile, a GeoPackage, or a sketch that came back", input));
    },
  };
}
