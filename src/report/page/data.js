// What is in this file: the facts as JSON, planes and curves as base64 of little-endian numbers.

const facts = JSON.parse(byId("facts").textContent);
const columns = facts.columns, rows = facts.rows, pixels = columns * rows;

function bytes(id) {
  const text = atob(byId(id).textContent), out = new Uint8Array(text.length);
  for (let i = 0; i < text.length; i++) out[i] = text.charCodeAt(i);
  return out.buffer;
}

const planes = new Map();
function plane(name) {
  if (!planes.has(name)) planes.set(name, byId(`plane-${name}`) ? new Float32Array(bytes(`plane-${name}`)) : null);
  return planes.get(name);
}

const stateOf = new Uint8Array(bytes("plane-state"));
const flagWords = new Uint32Array(bytes("plane-flags")); // two halves for each pixel, the lower first
const STATE = Object.fromEntries(facts.states.map((s, i) => [s.name, i]));

function hasFlag(pixel, bit) {
  return (flagWords[2 * pixel + (bit >> 5)] >>> (bit & 31) & 1) === 1;
}

function flagsOf(pixel) {
  return facts.flags.filter((flag, bit) => hasFlag(pixel, bit));
}

// Pixels that statistics and histograms count.
function counts(pixel) {
  return stateOf[pixel] === STATE.accepted || stateOf[pixel] === STATE.doubtful;
}

// Each map is shown in one unit all over the page.
for (const map of facts.maps) {
  const typical = Math.max(...[map.q25, map.median, map.q75].map((v) => Math.abs(v ?? 0))) * map.to_si;
  const prefixed = map.prefixed = map.si_unit !== "1" && map.si_unit !== "rad";
  map.show = prefixed ? unitFor(map.si_unit, typical) : { text: prettyUnit(map.unit), size: map.to_si };
  map.factor = map.to_si / map.show.size; // number in the file -> number on the page
}

const curveAt = new Map(facts.curves.map((c, i) => [c.row * columns + c.column, i]));

// One curve in SI: for approach and retract z and force, for the fitted one model and use.
const loaded = new Map();
function loadCurve(index) {
  if (loaded.has(index)) return loaded.get(index);
  const about = facts.curves[index], numbers = new Float32Array(bytes(`curve-${index}`));
  let at = 0;
  const next = (n) => numbers.subarray(at, (at += n));
  const segments = about.segments.map((s) => ({ ...s, z: next(s.n), force: next(s.n) }));
  const n = segments[about.fitted].n, curve = { ...about, segments, model: next(n), used: next(n) };
  loaded.set(index, curve);
  return curve;
}

// Outer edges of pixels lie half way between their centres.
function edges(centres) {
  const n = centres.length, out = new Float64Array(n + 1);
  for (let i = 1; i < n; i++) out[i] = (centres[i - 1] + centres[i]) / 2;
  out[0] = n > 1 ? 2 * centres[0] - out[1] : centres[0] - 0.5;
  out[n] = n > 1 ? 2 * centres[n - 1] - out[n - 1] : centres[0] + 0.5;
  return out;
}

function loneEdges(centres, other) { // a single row is as high as a column is wide
  const out = edges(centres);
  if (centres.length > 1 || other.length < 2) return out;
  const half = (other[1] - other[0]) / 2;
  return Float64Array.of(centres[0] - half, centres[0] + half);
}

const xEdges = loneEdges(facts.x_um, facts.y_um), yEdges = loneEdges(facts.y_um, facts.x_um);

function findCell(edgesOf, value) {
  let low = 0, high = edgesOf.length - 2;
  while (low < high) {
    const middle = (low + high + 1) >> 1;
    if (edgesOf[middle] <= value) low = middle; else high = middle - 1;
  }
  return low;
}
