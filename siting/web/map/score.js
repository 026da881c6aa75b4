// The arithmetic: the score, and the ways between the map's plane and the grid's metres.

const EARTH_RADIUS_M = 6378137;

function mercator(lat, lon) {
  return [
    EARTH_RADIUS_M * lon * Math.PI / 180,
    EARTH_RADIUS_M * Math.log(Math.tan(Math.PI / 4 + lat * Math.PI / 360)),
  ];
}

function latLon(x, y) {
  return [
    (2 * Math.atan(Math.exp(y / EARTH_RADIUS_M)) - Math.PI / 2) * 180 / Math.PI,
    x / EARTH_RADIUS_M * 180 / Math.PI,
  ];
}

function applyFit(fit, first, second) {
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

// Easting and northing on the grid of a place in degrees, and back.
function metresOf(lat, lon) {
  const [x, y] = mercator(lat, lon);
  return applyFit(DATA.frame.to_grid, x, y);
}

function degreesOf(easting, northing) {
  const [x, y] = applyFit(DATA.frame.to_mercator, easting, northing);
  return latLon(x, y);
}

// Longitudes go on past the 180th meridian on the map; in words and files they do not.
function wrapped(lon) {
  return lon >= -180 && lon < 180 ? lon : ((lon + 180) % 360 + 360) % 360 - 180;
}

// A flat list of decimetre differences as [lat, lon] pairs.
function path(flat) {
  const out = [];
  let x = 0, y = 0;
  for (let i = 0; i < flat.length; i += 2) {
    x += flat[i];
    y += flat[i + 1];
    out.push(placed(x, y));
  }
  return out;
}

function placed(x, y) {
  return degreesOf(DATA.origin[0] + x / 10, DATA.origin[1] - y / 10);
}

const ATTRACTORS = DATA.criteria.filter((c) => c.group === "attractor");
const CONDITIONS = DATA.criteria.filter((c) => c.group === "condition");
const PLAIN_MEAN = DATA.scoring.method === "weighted mean";

function startWeights() {
  const weights = { attraction_share: DATA.scoring.attraction_share };
  DATA.criteria.forEach((c) => { weights[c.name] = c.weight; });
  return weights;
}

// One place. `of(name)` is the membership of a criterion there, undefined where it is not judged.
function totalScore(of, weights) {
  let sum = 0, weighed = 0, missed = 1, logs = 0, held = 0;
  for (const { name, group } of DATA.criteria) {
    const m = of(name), w = weights[name];
    if (m === undefined || w === 0) continue;
    sum += w * m;
    weighed += w;
    if (group === "attractor") missed *= 1 - w * m;
    else { logs += w * Math.log(m); held += w; }
  }
  if (PLAIN_MEAN) return weighed ? sum / weighed : NaN;
  const share = weights.attraction_share;
  const conditions = held ? Math.exp(logs / held) : 1;
  return Math.pow(1 - missed, share) * Math.pow(conditions, 1 - share);
}

function spotScore(spot, weights) {
  return totalScore((name) => spot.memberships[name], weights);
}

function cellScore(index, weights) {
  return totalScore((name) => {
    const plane = CELLS.parts[name];
    return plane ? decoded(plane[index]) : undefined;
  }, weights);
}

// Whole hundredths, halves to even, as the program rounds.
function hundredths(value) {
  const scaled = value * 100, low = Math.floor(scaled);
  if (scaled - low !== 0.5) return Math.round(scaled);
  return low % 2 === 0 ? low : low + 1;
}

// Order of the spots: score to nine places, then row, then column, as in the program.
function ranking(weights) {
  return DATA.spots
    .map((spot) => ({ spot, score: spotScore(spot, weights) }))
    .sort((a, b) => Math.round(b.score * 1e9) - Math.round(a.score * 1e9)
      || a.spot.tie[0] - b.spot.tie[0] || a.spot.tie[1] - b.spot.tie[1]);
}

function feet(metres) {
  return Math.round(metres / 0.3048);
}

function lengthWords(metres) {
  const shown = metres >= 10 ? Math.round(metres) : Math.round(metres * 10) / 10;
  return shown + " m (" + feet(shown) + " ft)";
}

// A length no more exact than a person can use it, worded as in the program's other files.
function aboutWords(metres) {
  if (metres >= 1000) {
    const km = Math.round(metres / 100) / 10;
    return km.toFixed(1) + " km (" + (km * 1000 / 1609.344).toFixed(1) + " mi)";
  }
  if (metres < 50) return lengthWords(Math.round(metres));
  const tens = 10 * Math.round(metres / 10);
  return tens + " m (" + 10 * Math.round(tens / 3.048) + " ft)";
}

function capital(text) {
  return text.charAt(0).toUpperCase() + text.slice(1);
}

const WINDS = ["north", "north-east", "east", "south-east", "south", "south-west", "west",
  "north-west"];

function windOf(degrees) {
  return WINDS[Math.round(((degrees % 360) + 360) % 360 / 45) % 8];
}
