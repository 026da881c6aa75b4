import assert from "node:assert/strict";
import test from "node:test";
import { applyFit, latLon, mercator, projection, wrapped } from "../../siting/web/model/frame.js";

// Web Mercator of a known point: EPSG:3857's own example scaled, x = R * lon in radians.
test("mercator and back", () => {
  const [x, y] = mercator(60, 90);
  assert.ok(Math.abs(x - 6378137 * Math.PI / 2) < 1e-6);
  assert.ok(Math.abs(y - 6378137 * Math.log(2 + Math.sqrt(3))) < 1e-6);
  const [lat, lon] = latLon(x, y);
  assert.ok(Math.abs(lat - 60) < 1e-12 && Math.abs(lon - 90) < 1e-12);
});

test("longitudes are wrapped at 180 and nowhere else", () => {
  assert.deepEqual([180, -180, 190, -190, 179.5, 540].map(wrapped), [-180, -180, -170, 170, 179.5, -180]);
});

test("a fit of the second degree is the polynomial it names", () => {
  // Terms run 1, v, v2, u, uv, u2.
  const fit = { degree: 2, centre_in: [10, 20], scale_in: 2, centre_out: [100, 200], scale_out: 10,
    coefficients: [[1, 2, 3, 4, 5, 6], [0, 0, 0, 1, 0, 0]] };
  const u = (14 - 10) / 2, v = (22 - 20) / 2;
  assert.deepEqual(applyFit(fit, 14, 22),
    [100 + 10 * (1 + 2 * v + 3 * v * v + 4 * u + 5 * u * v + 6 * u * u), 200 + 10 * u]);
});

test("drawn steps are decimetres from the origin, downwards, each from the last", () => {
  const plain = { degree: 1, centre_in: [0, 0], scale_in: 1, centre_out: [0, 0], scale_out: 1,
    coefficients: [[0, 0, 1], [0, 1, 0]] };
  const { path, placed, metresOf } = projection({ to_grid: plain, to_mercator: plain }, [1000, 2000]);
  assert.deepEqual(path([10, 20, 5, 5]), [latLon(1001, 1998), latLon(1001.5, 1997.5)]);
  assert.deepEqual(placed(10, 20), latLon(1001, 1998));
  const [e, n] = metresOf(...latLon(1001, 1998));
  assert.ok(Math.hypot(e - 1001, n - 1998) < 1e-6);
});
