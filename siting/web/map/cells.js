// The page's data, and what is known of every cell.

const DATA = JSON.parse(document.getElementById("siting-data").textContent);
const UNKNOWN = 0xffff;
const HALF = 128;
const FINE = 25600;
const OUTSIDE = 1;

function bytesOf(base64) {
  const text = atob(base64);
  const bytes = new Uint8Array(text.length);
  for (let i = 0; i < text.length; i += 1) bytes[i] = text.charCodeAt(i);
  return bytes;
}

// RFC 1951, for browsers that cannot inflate by themselves.
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

function inflateHere(source, size) {
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

async function inflate(source, size) {
  let stream;
  try {
    stream = new DecompressionStream("deflate-raw");
  } catch (error) {
    return inflateHere(source, size);
  }
  const whole = new Response(new Blob([source]).stream().pipeThrough(stream));
  return new Uint8Array(await whole.arrayBuffer());
}

// A plane is what its left, upper and upper left neighbours do not foretell.
function unfold(bytes, start, rows, cols) {
  const n = rows * cols, out = new Uint16Array(n);
  for (let row = 0, k = 0; row < rows; row += 1) {
    for (let col = 0; col < cols; col += 1, k += 1) {
      const folded = (bytes[start + k] << 8) | bytes[start + n + k];
      const rest = folded & 1 ? -((folded + 1) >> 1) : folded >> 1;
      const left = col ? out[k - 1] : 0;
      const up = row ? out[k - cols] : 0;
      const corner = row && col ? out[k - cols - 1] : 0;
      out[k] = (rest + left + up - corner) & 0xffff;
    }
  }
  return out;
}

// Two bytes to a membership of 0..1; NaN where it is not known.
function decoded(code) {
  return code === UNKNOWN ? NaN : (code - HALF) / FINE;
}

// The same two bytes as the whole hundredths that are shown.
function shownHundredths(code) {
  return code === UNKNOWN ? NaN : code >> 8;
}

const CELLS = { ready: false, total: null, bits: null, parts: {} };

async function loadCells() {
  const { n_rows: rows, n_cols: cols, names, blob } = DATA.cells;
  const size = 2 * rows * cols * (names.length + 2);
  const bytes = await inflate(bytesOf(blob), size);
  if (bytes.length !== size) throw new Error("cell data damaged");
  const planes = [];
  for (let start = 0; start < size; start += 2 * rows * cols) {
    planes.push(unfold(bytes, start, rows, cols));
  }
  CELLS.total = planes[0];
  CELLS.bits = planes[1];
  names.forEach((name, i) => { CELLS.parts[name] = planes[i + 2]; });
  CELLS.ready = true;
}

// Index of the cell that holds a point of the grid, or -1.
function cellAt(easting, northing) {
  const { left, top, cell_size_m: size, n_rows: rows, n_cols: cols } = DATA.cells;
  const col = Math.floor((easting - left) / size), row = Math.floor((top - northing) / size);
  return row < 0 || col < 0 || row >= rows || col >= cols ? -1 : row * cols + col;
}

function cellCentre(index) {
  const { left, top, cell_size_m: size, n_cols: cols } = DATA.cells;
  const row = Math.floor(index / cols), col = index - row * cols;
  return [left + (col + 0.5) * size, top - (row + 0.5) * size];
}
