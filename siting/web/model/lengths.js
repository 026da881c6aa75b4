// Numbers as a reader meets them, worded as Python words them (siting/lengths.py).

const FEET_PER_M = 1 / 0.3048;
const ACRES_PER_HA = 2.4710538;
const MILE_M = 1609.344;
const WINDS = ["north", "north-east", "east", "south-east", "south", "south-west", "west",
  "north-west"];

// A measured length: tenths below 10 m, whole metres above.
export function lengthWords(metres) {
  const shown = metres >= 10 ? Math.round(metres) : Math.round(metres * 10) / 10;
  return shown + " m (" + Math.round(shown * FEET_PER_M) + " ft)";
}

// A length no more exact than a person can use it.
export function aboutWords(metres) {
  if (metres >= 1000) {
    const km = Math.round(metres / 100) / 10;
    return km.toFixed(1) + " km (" + (km * 1000 / MILE_M).toFixed(1) + " mi)";
  }
  if (metres < 50) return lengthWords(Math.round(metres));
  const tens = 10 * Math.round(metres / 10);
  return tens + " m (" + 10 * Math.round(tens * FEET_PER_M / 10) + " ft)";
}

// A distance to something on the map, which is exact to `exact` metres and no better.
export function coarseWords(metres, exact) {
  if (metres <= exact) return "close by (within " + aboutWords(exact) + ")";
  const step = exact >= 10 ? 10 : 5;
  return "about " + aboutWords(step * Math.round(metres / step));
}

// An area as Python words it.
export function areaWords(hectares) {
  if (hectares < 0.05) {
    const metres2 = Math.max(100 * Math.round(hectares * 100), 100);
    return metres2 + " m² (" + 100 * Math.round(metres2 * FEET_PER_M ** 2 / 100) + " sq ft)";
  }
  const tenth = Math.round(hectares * 10) / 10, acres = tenth * ACRES_PER_HA;
  const shown = acres < 0.95 ? acres.toFixed(1) : Math.round(acres).toLocaleString("en");
  return tenth.toLocaleString("en") + " ha (" + shown + (shown === "1" ? " acre)" : " acres)");
}

export function windOf(degrees) {
  return WINDS[Math.round(((degrees % 360) + 360) % 360 / 45) % 8];
}

export function minuteWords(value) {
  const whole = Math.max(1, Math.ceil(value));
  return whole + (whole === 1 ? " minute" : " minutes");
}

// Whole hundredths, halves to even, as Python rounds.
export function hundredths(value) {
  const scaled = value * 100, low = Math.floor(scaled);
  if (scaled - low !== 0.5) return Math.round(scaled);
  return low % 2 === 0 ? low : low + 1;
}

// An index in whole tenths, halves to even, as Python rounds.
export function tenths(index) {
  const scaled = index * 10, low = Math.floor(scaled);
  if (scaled - low !== 0.5) return Math.round(scaled);
  return low % 2 === 0 ? low : low + 1;
}

// Tenths as they are shown: one decimal, from 10 on whole.
export function indexWords(inTenths) {
  return inTenths < 100 ? (inTenths / 10).toFixed(1) : String(Math.floor((inTenths + 5) / 10));
}

export function capital(text) {
  return text.charAt(0).toUpperCase() + text.slice(1);
}
