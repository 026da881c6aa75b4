// The spot to begin with, as words/spot/doubt.py has it: a spot that asks nothing first comes
// before one whose trail nobody knows, or whose reasons were worked out, where the trials put the
// two in reach of each other.

// `spots` in order, the best first; `among` is how many the trials asked about; `unranked` False
// leaves out whether they can be ranked. Gives the spot, `alike` (how many of the first nothing
// tells apart, 0 for fewer than two), `sure` (whether some of those have an open question and the
// spot has none), and `passed`, the first spot, where another goes before it.
export function beginAt(spots, { among, unranked = true }) {
  const alike = unranked ? countAlike(spots, among) : 0, [first] = spots;
  const sure = spots.find((spot) => !spot.doubt && inTie(spot, first));
  // Where all that cannot be ranked have an open question, one without that may be as good goes first.
  if (alike > 1 && !(sure && spots.slice(0, alike).every((spot) => spot.doubt))) {
    const all = spots.slice(0, alike), free = all.filter((spot) => !spot.doubt);
    const pool = free.length ? free : all;
    return { spot: nearest(pool), alike, sure: pool.length < all.length, passed: null };
  }
  const other = first.doubt ? sure : undefined;
  return { spot: other || first, alike: 0, sure: false, passed: other ? first : null };
}

// Whether the trials put the first spot as low as this one.
function inTie(spot, first) {
  return first.low === null ? spot.tenths === first.tenths : spot.index >= first.low;
}

// How many of the first spots nothing tells apart: toss-ups of those that the trials asked about or
// of one index, or plain ground of one index.
function countAlike(spots, among) {
  const same = (spot) => spot.tenths === spots[0].tenths;
  const alike = (spot) => (spot.plain ? same(spot)
    : spot.sure === "toss-up" && (same(spot) || spot.n <= among));
  const end = spots.findIndex((spot) => !alike(spot));
  return end < 0 ? spots.length : end;
}

// The one with the shortest walk; the first where no walk is known.
export function nearest(spots) {
  const minutes = ({ walk }) => (walk ? walk.there_min : Infinity);
  return spots.reduce((best, spot) => (minutes(spot) < minutes(best) ? spot : best));
}
