// How things drawn look, at the desk and on a sketch page alike.

const COLOURS = {
  parcel: "#7a2e00", feeders: "#8a1253", livestock: "#6b3590", trails: "#5c3310", crossings: "#5c3310",
  way_in: "#14513a", no_go: "#8a1253", buildings: "#222222", water: "#17518f", roads: "#3d3d3d",
};

// Path options of something drawn; a wrong shape is dashed, a chosen one is stronger.
export function pathStyle(shape, state) {
  const colour = COLOURS[shape.layer] || "#333333";
  return {
    color: colour, weight: state === "chosen" ? 4 : 2.5, fillColor: colour,
    fillOpacity: shape.kind === "point" ? 0.9 : 0.12, dashArray: state === "wrong" ? "4 6" : null,
    className: `drawn drawn-${shape.layer}`,
  };
}
