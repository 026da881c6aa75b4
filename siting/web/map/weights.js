// Move the weights: list, numbers and colours follow at once, by the program's own arithmetic.

function buildWeights() {
  const home = byId("weight-sliders");
  [["What draws animals", ATTRACTORS], ["What must hold", CONDITIONS]].forEach(([title, parts]) => {
    home.append(node("fieldset", {}, node("legend", {}, title), parts.map(slider)));
  });
  if (!PLAIN_MEAN) {
    home.append(node("fieldset", {}, node("legend", {}, "Balance"), slider({
      name: "attraction_share", label: "Share of what draws animals", most: 1,
      weight: DATA.scoring.attraction_share,
      says: "The rest goes to what must hold.",
    })));
  }
  byId("weights-reset").addEventListener("click", resetWeights);
  byId("weights-copy").addEventListener("click", copyWeights);
  byId("weights-save").addEventListener("click", () =>
    saveFile("weights.toml", "text/plain", weightsText()));
  showWeights();
}

function slider({ name, label, says, most, weight }) {
  const input = node("input", { type: "range", id: "weight-" + name, min: 0, max: most,
    step: 0.05, value: weight, "aria-describedby": "says-" + name,
    oninput: (event) => moveWeight(name, Number(event.target.value)) });
  return node("div", { class: "slider" },
    node("label", { for: "weight-" + name }, label),
    node("output", { id: "out-" + name, for: "weight-" + name }, weight.toFixed(2)),
    input, node("p", { class: "small", id: "says-" + name }, says));
}

let repaintWaiting = 0;

function moveWeight(name, value) {
  STATE.weights[name] = value;
  const start = startWeights();
  STATE.moved = Object.keys(start).some((key) => Math.abs(start[key] - STATE.weights[key]) > 1e-9);
  showWeights();
  window.clearTimeout(repaintWaiting);
  repaintWaiting = window.setTimeout(repaint, 60);
}

// Colours and the asked place follow when the hand rests: they take a moment on a phone.
function repaint() {
  if (!CELLS.ready) return;
  if (STATE.moved) paintScores(STATE.weights);
  else showScores(null);
  if (ASKED.place) {
    const answer = answerAt(...metresOf(ASKED.place.lat, ASKED.place.lng));
    showAnswer(answer, ASKED.place);
    drawAnswer(answer, ASKED.place);
  }
}

function resetWeights() {
  Object.assign(STATE.weights, startWeights());
  STATE.moved = false;
  Object.entries(STATE.weights).forEach(([name, value]) => {
    const input = byId("weight-" + name);
    if (input) input.value = value;
  });
  showWeights();
  repaint();
}

function showWeights() {
  Object.entries(STATE.weights).forEach(([name, value]) => {
    const out = byId("out-" + name), own = startWeights()[name];
    if (!out) return;
    out.textContent = value.toFixed(2)
      + (Math.abs(value - own) > 1e-9 ? " (survey " + own.toFixed(2) + ")" : "");
  });
  const order = STATE.moved ? ranking(STATE.weights).map(({ spot }) => spot.n)
    : DATA.spots.map((spot) => spot.n);
  order.forEach((n, i) => {
    byId("spot-list").append(byId("item-" + n));
    byId("points-" + n).textContent = String(pointsOf(spotOf(n)));
    byId("place-" + n).textContent = STATE.moved && i + 1 !== n
      ? "with your weights: place " + (i + 1) : "";
  });
  byId("order-line").textContent = orderWords(order);
  byId("order-line-spots").textContent = STATE.moved ? orderWords(order) : "";
  byId("weights-text").value = weightsText();
  byId("weights-flag").hidden = !STATE.moved;
  nameMarkers();
  showFirst();
  if (STATE.selected !== null && !byId("card-" + STATE.selected).hidden) {
    fillCard(spotOf(STATE.selected));
  }
}

function orderWords(order) {
  if (!STATE.moved) return "These are the survey's own weights.";
  const moves = order.map((n, i) => ({ n, up: n - (i + 1), to: i + 1 }))
    .filter(({ up }) => up !== 0);
  if (!moves.length) return "The order of the spots stays the same.";
  const told = moves.sort((a, b) => Math.abs(b.up) - Math.abs(a.up) || a.n - b.n).slice(0, 3)
    .map(({ n, up, to }) => "spot " + n + (up > 0 ? " rises to place " : " falls to place ") + to);
  return "First is now spot " + order[0] + ". " + moves.length + " of " + order.length
    + " spots change place: " + told.join(", ") + (moves.length > 3 ? ", and others." : ".");
}

// The moved weights as a piece of a protocol file.
function weightsText() {
  const start = startWeights(), changed = [];
  if (!STATE.moved) return "# The survey's own weights: nothing changed.\n";
  DATA.criteria.forEach(({ name, group: kind }) => {
    if (Math.abs(start[name] - STATE.weights[name]) < 1e-9) return;
    changed.push("[" + kind + "s." + name + "]\nweight = " + STATE.weights[name].toFixed(2) + "\n");
  });
  if (Math.abs(start.attraction_share - STATE.weights.attraction_share) > 1e-9) {
    changed.unshift("[scoring]\nattraction_share = " + STATE.weights.attraction_share.toFixed(2)
      + "\n");
  }
  return "# Weights tried on the map page. What is not named stays as the survey has it.\n"
    + changed.join("\n");
}

async function copyWeights() {
  const box = byId("weights-text"), said = byId("weights-said");
  try {
    await navigator.clipboard.writeText(box.value);
    said.textContent = "Copied.";
  } catch (error) {
    box.focus();
    box.select();
    said.textContent = "The text is marked: copy it with your device's own copy command.";
  }
}

// A viewer that cannot save would put the file in place of this page: there the text is to be copied.
function saveFile(name, type, text) {
  if (!("download" in HTMLAnchorElement.prototype)) {
    byId("visits-plain").open = true;
    return;
  }
  const url = URL.createObjectURL(new Blob([text], { type: type + ";charset=utf-8" }));
  const link = node("a", { href: url, download: name });
  document.body.append(link);
  link.click();
  link.remove();
  window.setTimeout(() => URL.revokeObjectURL(url), 10000);
}
