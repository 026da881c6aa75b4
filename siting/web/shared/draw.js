// Drawing on a Leaflet map by mouse, touch and keyboard. Every act has a way without dragging: a
// corner is chosen and then put at the next tap, moved by arrow keys, or set under the cross.

import { fault, rounded } from "../model/shapes.js";

const HANDLE = 24; // px as drawn; the style sheet makes 44 px of it reachable on touch
const NEAR = 12; // px within which a corner snaps to one of another shape
const ROOM = 48; // px a side must have before its middle gets a handle
const STEP = { ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, -1], ArrowDown: [0, 1] };

function handleIcon(name) {
  return L.divIcon({ className: `handle ${name}`, iconSize: [HANDLE, HANDLE] });
}

// `host` gives and takes what is drawn:
//   shapes()            every shape, [{ id, kind, corners, layer }]
//   style(shape, state) Leaflet path options; state is "chosen", "wrong" or ""
//   changed(shape, why) after each finished act on a shape: "added", "moved", "removed"
//   chose(id)           a shape was tapped
export function drawing(map, host) {
  const api = {};
  const drawn = L.layerGroup().addTo(map);
  const handles = L.layerGroup().addTo(map);
  const state = { id: null, corner: -1, adding: false };
  let begun = null; // where a drag started, to go back to on Escape

  const chosen = () => host.shapes().find((shape) => shape.id === state.id) || null;

  function paint() {
    const focused = focusedCorner();
    drawn.clearLayers();
    handles.clearLayers();
    host.shapes().filter((shape) => shape.corners.length).forEach((shape) => drawn.addLayer(layerOf(shape)));
    const shape = chosen();
    if (shape) {
      shape.corners.forEach((corner, k) => handles.addLayer(cornerHandle(shape, corner, k)));
      if (!state.adding) middles(shape).forEach((middle) => handles.addLayer(middle));
    }
    if (focused >= 0) focusCorner(Math.min(focused, shape ? shape.corners.length - 1 : -1));
  }

  function layerOf(shape) {
    const named = shape.id === state.id ? "chosen" : "";
    const options = { ...host.style(shape, fault(shape) && shape.corners.length > 2 ? "wrong" : named) };
    const open = shape.kind === "line" || (state.adding && shape.id === state.id);
    const path = shape.kind === "point"
      ? L.circleMarker(shape.corners[0], { radius: 9, ...options })
      : L[open ? "polyline" : "polygon"](shape.corners, open ? { ...options, fill: false } : options);
    path.on("click", (event) => {
      if (state.adding) return;
      L.DomEvent.stop(event);
      host.chose(shape.id);
    });
    return path;
  }

  function cornerHandle(shape, corner, k) {
    const picked = k === state.corner ? "handle-picked" : "";
    const handle = L.marker(corner, {
      icon: handleIcon(picked), draggable: true, keyboard: true, autoPanOnFocus: false,
      title: `Corner ${k + 1} of ${shape.corners.length}`, alt: `Corner ${k + 1}`,
    });
    handle.on("click", () => pick(k === state.corner ? -1 : k));
    handle.on("dragstart", () => { begun = { k, corner }; state.corner = k; });
    handle.on("dragend", () => {
      if (begun) move(shape, k, snapped(shape, handle.getLatLng()));
      begun = null;
    });
    handle.on("keydown", (event) => keys(event.originalEvent, shape, k));
    handle.on("add", () => { handle.getElement().dataset.corner = String(k); });
    return handle;
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
    const handle = L.marker(map.layerPointToLatLng(at), {
      icon: handleIcon("handle-middle"), keyboard: true, autoPanOnFocus: false,
      title: `New corner after corner ${k + 1}`, alt: `New corner after corner ${k + 1}`,
    });
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

  // A tap on the map: the next corner while adding, the new place of a picked corner, else nothing.
  function tap(latlng) {
    const shape = chosen();
    if (!shape) return;
    if (state.adding) api.add(snapped(shape, latlng));
    else if (state.corner >= 0) {
      const k = state.corner;
      state.corner = -1;
      move(shape, k, snapped(shape, latlng));
    }
  }

  Object.assign(api, {
    paint,
    // Choose a shape to change; `adding` makes every tap a corner of it.
    choose(id, adding) {
      Object.assign(state, { id, corner: -1, adding: Boolean(adding) });
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
    isAdding: () => state.adding,
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
