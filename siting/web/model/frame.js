// The ways between degrees, the map's plane (Web Mercator) and the metres of the grid.

const EARTH_RADIUS_M = 6378137;

export function mercator(lat, lon) {
  return [
    EARTH_RADIUS_M * lon * Math.PI / 180,
    EARTH_RADIUS_M * Math.log(Math.tan(Math.PI / 4 + lat * Math.PI / 360)),
  ];
}

export function latLon(x, y) {
  return [
    (2 * Math.atan(Math.exp(y / EARTH_RADIUS_M)) - Math.PI / 2) * 180 / Math.PI,
    x / EARTH_RADIUS_M * 180 / Math.PI,
  ];
}

// A polynomial in two variables, fitted by Python (siting/report/shared/frame.py).
export function applyFit(fit, first, second) {
  const u = (first - fit.centre_in[0]) / fit.scale_in;
  const v = (second - fit.centre_in[1]) / fit.scale_in;
  let k = 0, a = 0, b = 0;
  for (let i = 0, ui = 1; i <= fit.degree; i += 1, ui *= u) {
    for (let j = 0, vj = 1; j <= fit.degree - i; j += 1, vj *= v, k += 1) {
      a += fit.coefficients[0][k] * ui * vj;
      b += fit.coefficients[1][k] * ui * vj;
    }
  }
  return [fit.centre_out[0] + fit.scale_out * a, fit.centre_out[1] + fit.scale_out * b];
}

// Longitudes go on past the 180th meridian on the map; in words and files they do not.
export function wrapped(lon) {
  return lon >= -180 && lon < 180 ? lon : ((lon + 180) % 360 + 360) % 360 - 180;
}

// Between a page's degrees, grid metres, and drawn steps (decimetres from the origin, y down).
export function projection(frame, origin) {
  const metresOf = (lat, lon) => applyFit(frame.to_grid, ...mercator(lat, lon));
  const degreesOf = (easting, northing) =>
    latLon(...applyFit(frame.to_mercator, easting, northing));
  const placed = (x, y) => degreesOf(origin[0] + x / 10, origin[1] - y / 10);
  // A flat list of differences as [lat, lon] pairs.
  const path = (flat) => {
    const out = [];
    let x = 0, y = 0;
    for (let i = 0; i < flat.length; i += 2) {
      x += flat[i];
      y += flat[i + 1];
      out.push(placed(x, y));
    }
    return out;
  };
  return { metresOf, degreesOf, placed, path };
}
