// Shapes that are not taken in yet, shown on the map in dashes.

const LOOK = { pane: "known", className: "preview", interactive: false };

// `preview(shapes)` shows them in place of those before; an empty list takes them away.
export function previewOn(map) {
  const layer = L.layerGroup().addTo(map);
  return (shapes) => {
    layer.clearLayers();
    shapes.forEach(({ kind, corners }) => {
      const places = corners.map(([lon, lat]) => [lat, lon]);
      if (kind === "point") L.circleMarker(places[0], { ...LOOK, radius: 7 }).addTo(layer);
      else L[kind === "area" ? "polygon" : "polyline"](places, LOOK).addTo(layer);
    });
    const all = shapes.flatMap(({ corners }) => corners.map(([lon, lat]) => [lat, lon]));
    if (all.length) map.fitBounds(L.latLngBounds(all).pad(0.25), { maxZoom: 17 });
  };
}
