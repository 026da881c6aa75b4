import assert from "node:assert/strict";
import test from "node:test";
import { hull } from "../../siting/web/model/hull.js";

test("the hull of a square with points inside and on its sides is the square", () => {
  const points = [[1, 1], [0, 0], [2, 0], [1, 0], [2, 2], [0, 2], [0, 1], [1.5, 0.5]];
  assert.deepEqual(hull(points), [[0, 0], [2, 0], [2, 2], [0, 2]]);
});

test("every point lies inside or on the hull", () => {
  const points = Array.from({ length: 200 }, (_, i) => [Math.sin(i * 7.3) * i, Math.cos(i * 3.1) * i]);
  const corners = hull(points);
  points.forEach(([x, y]) => corners.forEach(([ax, ay], i) => {
    const [bx, by] = corners[(i + 1) % corners.length];
    assert.ok((bx - ax) * (y - ay) - (by - ay) * (x - ax) >= -1e-9);
  }));
});

test("two points are their own hull", () => assert.deepEqual(hull([[1, 2], [0, 0]]), [[0, 0], [1, 2]]));
