// The index by given ratios, as siting/scoring/combine.py works it out. Pure arithmetic.

// `rules` holds `criteria` (name, group, fact, ratio) and `second_share`.
export function startWeights(rules) {
  return Object.fromEntries(rules.criteria.map(({ name, ratio }) => [name, ratio]));
}

// What each criterion adds to the logarithm of the index at one place. `of(name)` is its membership
// there, undefined where it is not judged: that takes nothing away.
export function logParts(of, ratios, rules) {
  const parts = {}, facts = new Map();
  for (const { name, group, fact } of rules.criteria) {
    const m = of(name), w = Math.log(ratios[name]);
    if (m === undefined || w === 0) continue;
    if (group === "condition") parts[name] = w * (1 - m);
    else facts.set(fact, [...(facts.get(fact) || []), { name, worth: w * m }]);
  }
  facts.forEach((members) => shareOut(members, rules.second_share, parts));
  return parts;
}

// Of what speaks of one fact the strongest counts in full, the next a share, and the one that keeps
// animals away most in full.
function shareOut(members, share, parts) {
  const order = [...members].sort((a, b) => b.worth - a.worth);
  order.forEach(({ name, worth }, place) => {
    const last = place === order.length - 1 && worth < 0;
    const counts = Number.isNaN(worth) || place === 0 ? 1 : place === 1 ? share : 0;
    parts[name] = worth < 0 ? (last ? worth : 0) : counts * worth;
  });
}

// What a part (on the logarithm) makes of the index, "× 1.20". "× 1.00" alone would not say whether a
// thing is there and counts for nothing, counts for next to nothing, or is not near. `held` is 0..1.
export function timesWords(part, held, group) {
  if (Number.isNaN(part)) return "not known";
  const times = "× " + Math.exp(part).toFixed(2);
  if (times !== "× 1.00") return times;
  if (group === "condition") return held < 1 ? "hardly any loss" : "no loss";
  if (!(held > 0)) return "none near";
  return part === 0 ? "counted already" : "hardly counts";
}

// One place; 1 is plain ground.
export function totalScore(of, ratios, rules) {
  return Math.exp(Object.values(logParts(of, ratios, rules)).reduce((sum, part) => sum + part, 0));
}

export function spotScore(spot, ratios, rules) {
  return totalScore((name) => spot.memberships[name], ratios, rules);
}

// Order of the spots: index to nine places, then row, then column, as in the program.
export function ranked(spots, ratios, rules) {
  return spots
    .map((spot) => ({ spot, score: spotScore(spot, ratios, rules) }))
    .sort((a, b) => Math.round(b.score * 1e9) - Math.round(a.score * 1e9)
      || a.spot.tie[0] - b.spot.tie[0] || a.spot.tie[1] - b.spot.tie[1])
    .map(({ spot }) => spot);
}

// Where an index stands on the scale of colours, 0..1: even steps of its logarithm.
export function shadeOf(index, { palette_from: low, palette_to: high }) {
  return Math.min(1, Math.max(0, Math.log(index / low) / Math.log(high / low)));
}

// The moved ratios as a piece of a protocol file.
export function protocolText(ratios, rules) {
  const start = startWeights(rules);
  const changed = rules.criteria
    .filter(({ name }) => Math.abs(start[name] - ratios[name]) > 1e-9)
    .map(({ name, group }) => "[" + group + "s." + name + "]\nratio = " + ratios[name].toFixed(2) + "\n");
  if (!changed.length) return "# The survey's own ratios: nothing changed.\n";
  return "# Ratios tried on the map page. What is not named stays as the survey has it.\n"
    + "[scoring]\ntarget = \"" + rules.target + "\"\n\n" + changed.join("\n");
}
