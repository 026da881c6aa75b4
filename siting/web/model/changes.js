// What is new in a list of places, beside the list before it. No page, no map.

const named = (spot) => spot.name || `the old spot ${spot.rank}`;

function listed(words) {
  return words.length < 2 ? words.join("") : `${words.slice(0, -1).join(", ")} and ${words.at(-1)}`;
}

// Sentences; places keep their spot_id from run to run. None where there was no list before.
export function changes(before, after) {
  if (!before || !before.length || !after.length) return [];
  const [old, now] = [before, after].map((list) => new Set(list.map((spot) => spot.spot_id)));
  const fresh = after.filter((spot) => !old.has(spot.spot_id)).map((spot) => String(spot.rank));
  const gone = before.filter((spot) => !now.has(spot.spot_id)).map(named);
  const said = [];
  if (before[0].spot_id !== after[0].spot_id) {
    const was = before.find((spot) => spot.spot_id === after[0].spot_id);
    said.push(was ? `Spot 1 was spot ${was.rank} before.` : "Spot 1 is a new place.");
  }
  const others = fresh.filter((rank) => rank !== "1");
  if (others.length) said.push(`New: ${others.length > 1 ? "spots" : "spot"} ${listed(others)}.`);
  if (gone.length) said.push(`No longer listed: ${listed(gone)}.`);
  if (said.length) return said;
  const order = after.map((spot) => before.findIndex((one) => one.spot_id === spot.spot_id));
  return [order.every((place, k) => place === k) ? "The same places as before, in the same order."
    : "The same places as before, in another order."];
}
