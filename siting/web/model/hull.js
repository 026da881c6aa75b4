// The convex hull of points [x, y], counter-clockwise, by Andrew's monotone chain (1979).

export function hull(points) {
  const sorted = points.slice().sort((a, b) => a[0] - b[0] || a[1] - b[1]);
  if (sorted.length < 3) return sorted;
  const half = (list) => {
    const out = [];
    list.forEach((point) => {
      while (out.length > 1 && turn(out[out.length - 2], out[out.length - 1], point) <= 0) out.pop();
      out.push(point);
    });
    return out.slice(0, -1);
  };
  return [...half(sorted), ...half(sorted.reverse())];
}

function turn(a, b, c) {
  return (b[0] - a[0]) * (c[1] - a[1]) - (b[1] - a[1]) * (c[0] - a[0]);
}
