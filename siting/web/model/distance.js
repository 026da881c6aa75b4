// Distances from a place to what is drawn, in the drawn steps (decimetres).

// Everything in `layers` with its distance, nearest first. `only` names one layer, null takes all.
export function featuresNear(layers, [x, y], only = null) {
  const found = [];
  layers.forEach(({ key, short, features }) => {
    if (only && key !== only) return;
    features.forEach(({ shapes, text }) => {
      const steps = Math.min(...shapes.map((shape) => shapeDistance(shape, x, y)));
      found.push({ label: short, text, metres: steps / 10 });
    });
  });
  return found.sort((a, b) => a.metres - b.metres);
}

// A shape is ["P", [[x, y]]], or ["L" or "A", rings of differences]; inside an area it is 0 away.
export function shapeDistance([kind, rings], x, y) {
  if (kind === "P") return Math.hypot(rings[0][0] - x, rings[0][1] - y);
  let least = Infinity, inside = false;
  rings.forEach((ring) => {
    let ax = ring[0], ay = ring[1];
    for (let i = 2; i < ring.length; i += 2) {
      const bx = ax + ring[i], by = ay + ring[i + 1];
      least = Math.min(least, segmentDistance(ax, ay, bx, by, x, y));
      if ((ay > y) !== (by > y) && x < (bx - ax) * (y - ay) / (by - ay) + ax) inside = !inside;
      ax = bx;
      ay = by;
    }
  });
  return kind === "A" && inside ? 0 : least;
}

function segmentDistance(ax, ay, bx, by, x, y) {
  const dx = bx - ax, dy = by - ay, squared = dx * dx + dy * dy;
  const t = squared ? Math.max(0, Math.min(1, ((x - ax) * dx + (y - ay) * dy) / squared)) : 0;
  return Math.hypot(ax + t * dx - x, ay + t * dy - y);
}
