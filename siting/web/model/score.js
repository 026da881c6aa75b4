// The score by given weights, as siting/scoring/combine.py works it out. Pure arithmetic.

// `rules` holds `criteria` (name, group, weight), `method` and `attraction_share`.
export function startWeights(rules) {
  const weights = { attraction_share: rules.attraction_share };
  rules.criteria.forEach((c) => { weights[c.name] = c.weight; });
  return weights;
}

// One place. `of(name)` is the membership of a criterion there, undefined where it is not judged.
export function totalScore(of, weights, rules) {
  let sum = 0, weighed = 0, missed = 1, logs = 0, held = 0;
  for (const { name, group } of rules.criteria) {
    const m = of(name), w = weights[name];
    if (m === undefined || w === 0) continue;
    sum += w * m;
    weighed += w;
    if (group === "attractor") missed *= 1 - w * m;
    else { logs += w * Math.log(m); held += w; }
  }
  if (rules.method === "weighted mean") return weighed ? sum / weighed : NaN;
  const share = weights.attraction_share;
  const conditions = held ? Math.exp(logs / held) : 1;
  return Math.pow(1 - missed, share) * Math.pow(conditions, 1 - share);
}

export function spotScore(spot, weights, rules) {
  return totalScore((name) => spot.memberships[name], weights, rules);
}

// Order of the spots: score to nine places, then row, then column, as in the program.
export function ranked(spots, weights, rules) {
  return spots
    .map((spot) => ({ spot, score: spotScore(spot, weights, rules) }))
    .sort((a, b) => Math.round(b.score * 1e9) - Math.round(a.score * 1e9)
      || a.spot.tie[0] - b.spot.tie[0] || a.spot.tie[1] - b.spot.tie[1])
    .map(({ spot }) => spot);
}

// The moved weights as a piece of a protocol file.
export function protocolText(weights, rules) {
  const start = startWeights(rules), changed = [];
  const differs = (name) => Math.abs(start[name] - weights[name]) > 1e-9;
  if (differs("attraction_share")) {
    changed.push("[scoring]\nattraction_share = " + weights.attraction_share.toFixed(2) + "\n");
  }
  rules.criteria.filter(({ name }) => differs(name)).forEach(({ name, group }) => {
    changed.push("[" + group + "s." + name + "]\nweight = " + weights[name].toFixed(2) + "\n");
  });
  if (!changed.length) return "# The survey's own weights: nothing changed.\n";
  return "# Weights tried on the map page. What is not named stays as the survey has it.\n"
    + changed.join("\n");
}
