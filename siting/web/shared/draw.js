// Drawing on a Leaflet map by mouse, touch and keyboard. Every act has a way without dragging: a
// corner is chosen and then moved by the next tap, by arrow keys, or under the cross. A tap changes a
// shape only while an act asks for one: drawing, moving a corner, setting a corner on a side.

import { fault, LEAST, rounded } from "../model/shapes.js";

const HANDLE = 24; // px as drawn; the style sheet makes 44 px of it reachable on touch
const NEAR = 12; // px within which a corner snaps to one of another shape
const ROOM = 48; // px a side must have before its middle gets a handle
const PAIR_MS = 400; // within which two clicks are one double click
const STEP = { ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, -1], ArrowDown: [0, 1] };

function handleIcon(name, words) {
  return L.divIcon({ className: `handle ${name}`, iconSize: [HANDLE, HANDLE], html: words });
}

// `host` gives and takes what is drawn:
//   shapes()            every shape, [{ id, kind, corners, layer }]
//   style(shape, state) Leaflet path options; state is "chosen", "wrong" or ""
//   changed(shape, why) after each finished act on a shape: "added", "moved", "removed"
//   chose(id)           a shape or a corner was tapped
//   done()              the shape being drawn was closed on the map
export function drawing(map, host) {
  const api = {};
  const drawn = L.layerGroup().addTo(map);
  const handles = L.layerGroup().addTo(map);
  const state = { id: null, corner: -1, act: "" };
  let begun = null; // where a drag started, to go back to on Escape

  const isAdding = () => state.act === "adding";
  const chosen = () => host.shapes().find((shape) => shape.id === state.id) || null;

  function paint() {
    const focused = focusedCorner();
    drawn.clearLayers();
    handles.clearLayers();
    host.shapes().filter((shape) => shape.corners.length).forEach((shape) => drawn.addLayer(layerOf(shape)));
    const shape = chosen();
    if (shape) {
      if (isAdding() && shape.kind === "area" && shape.corners.length > 2) closing(shape);
      shape.corners.forEach((corner, k) => handles.addLayer(cornerHandle(shape, corner, k)));
      if (state.act === "inserting") middles(shape).forEach((middle) => handles.addLayer(middle));
    }
    if (focused >= 0) focusCorner(Math.min(focused, shape ? shape.corners.length - 1 : -1));
  }

  // The land as it would be with the corners set so far.
  function closing(shape) {
    const { color, fillColor, fillOpacity } = host.style(shape, "");
    const quiet = { interactive: false, color, weight: 2 };
    drawn.addLayer(L.polygon(shape.corners, { ...quiet, stroke: false, fillColor, fillOpacity }));
    drawn.addLayer(L.polyline([shape.corners[0], shape.corners.at(-1)], { ...quiet, dashArray: "4 6" }));
  }

  function layerOf(shape) {
    const named = shape.id === state.id ? "chosen" : "";
    const options = { ...host.style(shape, fault(shape) && shape.corners.length > 2 ? "wrong" : named) };
    const open = shape.kind === "line" || (isAdding() && shape.id === state.id);
    const path = shape.kind === "point"
      ? L.circleMarker(shape.corners[0], { radius: 9, ...options })
      : L[open ? "polyline" : "polygon"](shape.corners, open ? { ...options, fill: false } : options);
    path.on("click", (event) => {
      if (state.act) return;
      L.DomEvent.stop(event);
      host.chose(shape.id);
    });
    return path;
  }

  function cornerHandle(shape, corner, k) {
    const picked = k === state.corner ? "handle-picked" : "";
    const title = `Corner ${k + 1} of ${shape.corners.length}`;
    // Numbered: what is said of a corner names it so.
    const handle = L.marker(corner, {
      icon: handleIcon(picked, String(k + 1)), draggable: true, keyboard: true, autoPanOnFocus: false, title,
    });
    handle.on("click", () => { if (!closes(shape, k)) pick(k === state.corner ? -1 : k); });
    handle.on("dragstart", () => { begun = { k, corner }; state.corner = k; });
    handle.on("dragend", () => {
      if (begun) move(shape, k, snapped(shape, handle.getLatLng()));
      begun = null;
    });
    handle.on("keydown", (event) => keys(event.originalEvent, shape, k));
    handle.on("add", () => {
      handle.getElement().dataset.corner = String(k);
      handle.getElement().setAttribute("aria-label", title);
    });
    return handle;
  }

  // While drawing, the first corner of an area closes it, and the last one, as a double click hits it,
  // ends what has corners enough.
  function closes(shape, k) {
    const isLast = k === shape.corners.length - 1;
    if (!isAdding() || shape.corners.length < LEAST[shape.kind]) return false;
    if (!isLast && (k > 0 || shape.kind !== "area")) return false;
    host.done();
    return true;
  }

  function middles(shape) {
    const n = shape.corners.length;
    const sides = shape.kind === "area" ? n : n - 1;
    const found = [];
    for (let k = 0; k < sides && shape.kind !== "point"; k += 1) {
      const [from, to] = [shape.corners[k], shape.corners[(k + 1) % n]].map((c) => map.latLngToLayerPoint(c));
      if (from.distanceTo(to) >= ROOM) found.push(middleHandle(shape, k, from.add(to).divideBy(2)));
    }
    return found;
  }

  function middleHandle(shape, k, at) {
    const title = `New corner after corner ${k + 1}`;
    const handle = L.marker(map.layerPointToLatLng(at), {
      icon: handleIcon("handle-middle", "+"), keyboard: true, autoPanOnFocus: false, title,
    });
    handle.on("add", () => handle.getElement().setAttribute("aria-label", title));
    handle.on("click", () => {
      shape.corners.splice(k + 1, 0, placeOf(handle.getLatLng()));
      state.corner = k + 1;
      host.changed(shape, "added");
      paint();
      focusCorner(k + 1);
    });
    return handle;
  }

  // --- acts -------------------------------------------------------------------------------

  function placeOf({ lat, lng }) {
    return rounded([lat, ((lng + 540) % 360) - 180]);
  }

  // The place, or the corner of another shape that lies within reach of a finger.
  function snapped(shape, latlng) {
    const at = map.latLngToLayerPoint(latlng);
    const others = host.shapes().filter((other) => other.id !== shape.id).flatMap((other) => other.corners);
    const near = others.map((corner) => [map.latLngToLayerPoint(corner).distanceTo(at), corner])
      .filter(([far]) => far <= NEAR).sort(([a], [b]) => a - b);
    return near.length ? [...near[0][1]] : placeOf(latlng);
  }

  function move(shape, k, corner) {
    shape.corners[k] = corner;
    host.changed(shape, "moved");
    paint();
  }

  function pick(k) {
    state.corner = k;
    paint();
    host.chose(state.id);
  }

  function keys(event, shape, k) {
    const step = STEP[event.key];
    if (step) {
      const far = event.shiftKey ? 10 : 1;
      const to = map.latLngToLayerPoint(shape.corners[k]).add([step[0] * far, step[1] * far]);
      move(shape, k, placeOf(map.layerPointToLatLng(to)));
    } else if (event.key === "Delete" || event.key === "Backspace") {
      state.corner = k;
      api.removeCorner();
    } else if (event.key === "Enter" || event.key === " ") {
      pick(k === state.corner ? -1 : k);
    } else return;
    L.DomEvent.stop(event);
  }

  function focusedCorner() {
    const corner = document.activeElement && document.activeElement.dataset.corner;
    return corner === undefined ? -1 : Number(corner);
  }

  function focusCorner(k) {
    const element = map.getPane("markerPane").querySelector(`[data-corner="${k}"]`);
    if (element) element.focus({ preventScroll: true });
  }

  // A tap on the map: the next corner while adding, the new place of the corner to be moved, else
  // nothing.
  function tap(latlng) {
    const shape = chosen();
    if (!shape) return;
    const place = snapped(shape, latlng);
    const last = shape.corners.length - 1;
    if (isAdding()) {
      // Twice at one place, as by a double click that snapped to a corner near by.
      if (last >= 0 && String(shape.corners[last]) === String(place)) closes(shape, last);
      else api.add(place);
    }
    else if (state.act === "moving" && state.corner >= 0) {
      begin("");
      move(shape, state.corner, place);
    }
  }

  // What taps do from now on. A double click is two corners or the end, and no zoom: also the click
  // that ends it is the first of a pair.
  function begin(act) {
    state.act = act;
    if (act) map.doubleClickZoom.disable();
    else window.setTimeout(() => { if (!state.act) map.doubleClickZoom.enable(); }, PAIR_MS);
  }

  Object.assign(api, {
    paint,
    // Choose a shape to change; `adding` makes every tap a corner of it.
    choose(id, adding) {
      Object.assign(state, { id, corner: -1 });
      begin(adding ? "adding" : "");
      paint();
    },
    add(corner) {
      const shape = chosen();
      if (!shape) return;
      if (shape.kind === "point") shape.corners = [corner];
      else shape.corners.push(corner);
      host.changed(shape, "added");
      paint();
    },
    // The corner under the cross in the middle of the map.
    addHere: () => tap(map.getCenter()),
    removeCorner() {
      const shape = chosen();
      const k = state.corner >= 0 ? state.corner : (shape ? shape.corners.length - 1 : -1);
      if (!shape || k < 0) return;
      shape.corners.splice(k, 1);
      state.corner = -1;
      host.changed(shape, "removed");
      paint();
      focusCorner(Math.min(k, shape.corners.length - 1));
    },
    // The picked corner, by its typed place; and picking one without the map.
    put(corner) {
      const shape = chosen();
      if (shape && state.corner >= 0) move(shape, state.corner, corner);
    },
    pick: (k) => pick(k),
    // The next tap moves the picked corner; of a point its only one.
    moveNext() {
      const shape = chosen();
      if (shape && shape.kind === "point") state.corner = 0;
      begin("moving");
      paint();
    },
    // Every side gets a mark that sets a corner there.
    insert() {
      begin("inserting");
      paint();
    },
    stop() {
      begin("");
      paint();
    },
    isAdding,
    act: () => state.act,
    picked: () => state.corner,
  });

  map.on("click", (event) => tap(event.latlng));
  map.on("zoomend", paint);
  map.getContainer().addEventListener("keydown", (event) => {
    if (event.target !== map.getContainer()) return;
    if (event.key === "Enter") tap(map.getCenter());
    else if (event.key === "Escape" && begun) { begun = null; paint(); }
  });
  return api;
}
