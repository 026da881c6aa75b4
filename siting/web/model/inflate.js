// Reading deflated bytes.
//
// Browsers do it themselves ("deflate-raw": Chrome and Edge 103, Firefox 113, Safari 16.4). Telephones
// that stay at iOS 15 or 16.0 to 16.3 do not, nor do Firefox ESR 102 and WPE WebKit 2.38, and a
// volunteer's old telephone is a common case: for them the reader below stands in, RFC 1951 in 70
// lines. Drop it when none of them is met any more.

const LENGTH_BASE = [3, 4, 5, 6, 7, 8, 9, 10, 11, 13, 15, 17, 19, 23, 27, 31, 35, 43, 51, 59, 67,
  83, 99, 115, 131, 163, 195, 227, 258];
const LENGTH_EXTRA = [0, 0, 0, 0, 0, 0, 0, 0, 1, 1, 1, 1, 2, 2, 2, 2, 3, 3, 3, 3, 4, 4, 4, 4, 5, 5,
  5, 5, 0];
const DISTANCE_BASE = [1, 2, 3, 4, 5, 7, 9, 13, 17, 25, 33, 49, 65, 97, 129, 193, 257, 385, 513,
  769, 1025, 1537, 2049, 3073, 4097, 6145, 8193, 12289, 16385, 24577];
const LENGTHS_ORDER = [16, 17, 18, 0, 8, 7, 9, 6, 10, 5, 11, 4, 12, 3, 13, 2, 14, 1, 15];

function codeTable(lengths) {
  const count = new Uint16Array(16);
  const symbols = [];
  lengths.forEach((length) => { if (length) count[length] += 1; });
  for (let bits = 1; bits < 16; bits += 1) {
    lengths.forEach((length, symbol) => { if (length === bits) symbols.push(symbol); });
  }
  return { count, symbols };
}

export function inflateHere(source, size) {
  const out = new Uint8Array(size);
  let at = 0, bit = 0, held = 0, filled = 0;

  function bits(n) {
    while (bit < n) { held |= source[at++] << bit; bit += 8; }
    const value = held & ((1 << n) - 1);
    held >>>= n;
    bit -= n;
    return value;
  }
  function symbol(table) {
    let code = 0, first = 0, index = 0;
    for (let length = 1; length < 16; length += 1) {
      code |= bits(1);
      const count = table.count[length];
      if (code - count < first) return table.symbols[index + code - first];
      index += count;
      first = (first + count) << 1;
      code <<= 1;
    }
    throw new Error("cell data damaged");
  }
  function ownTables() {
    const nLiteral = bits(5) + 257, nDistance = bits(5) + 1, nLengths = bits(4) + 4;
    const meta = new Array(19).fill(0);
    for (let i = 0; i < nLengths; i += 1) meta[LENGTHS_ORDER[i]] = bits(3);
    const table = codeTable(meta), lengths = [];
    while (lengths.length < nLiteral + nDistance) {
      const value = symbol(table);
      if (value < 16) { lengths.push(value); continue; }
      const same = value === 16 ? lengths[lengths.length - 1] : 0;
      let times = value === 16 ? 3 + bits(2) : value === 17 ? 3 + bits(3) : 11 + bits(7);
      while (times-- > 0) lengths.push(same);
    }
    return [codeTable(lengths.slice(0, nLiteral)), codeTable(lengths.slice(nLiteral))];
  }
  function fixedTables() {
    const lengths = [];
    for (let i = 0; i < 288; i += 1) lengths.push(i < 144 ? 8 : i < 256 ? 9 : i < 280 ? 7 : 8);
    return [codeTable(lengths), codeTable(new Array(30).fill(5))];
  }
  function stored() {
    held = 0;
    bit = 0;
    const length = source[at] | (source[at + 1] << 8);
    at += 4;
    out.set(source.subarray(at, at + length), filled);
    at += length;
    filled += length;
  }
  function coded(literals, distances) {
    for (;;) {
      const value = symbol(literals);
      if (value === 256) return;
      if (value < 256) { out[filled++] = value; continue; }
      let length = LENGTH_BASE[value - 257] + bits(LENGTH_EXTRA[value - 257]);
      const far = symbol(distances);
      const back = DISTANCE_BASE[far] + bits(far < 4 ? 0 : (far >> 1) - 1);
      while (length-- > 0) { out[filled] = out[filled - back]; filled += 1; }
    }
  }
  for (let last = 0; !last;) {
    last = bits(1);
    const kind = bits(2);
    if (kind === 0) stored();
    else if (kind === 1) coded.apply(null, fixedTables());
    else coded.apply(null, ownTables());
  }
  return out;
}

export async function inflate(source, size) {
  let stream;
  try {
    stream = new DecompressionStream("deflate-raw");
  } catch (error) {
    return inflateHere(source, size);
  }
  const whole = new Response(new Blob([source]).stream().pipeThrough(stream));
  return new Uint8Array(await whole.arrayBuffer());
}
