// The colour scale, and what of the map is shown: one object that everything on the page follows.

const state = { map: 0, errors: false, log: false, low: 0, high: 1, column: 0, row: 0, flags: new Set(), brush: null, dots: true,
  over: "z" };

function shownMap() {
  return facts.maps[state.map];
}

function showsErrors() {
  return state.errors && shownMap().errors;
}

// Numbers of the map on the screen, in its unit on the page.
function shownValue(pixel) {
  const map = shownMap(), from = plane(showsErrors() ? `${map.name}_errors` : map.name);
  return from[pixel] * map.factor;
}

function shownWords() {
  return (showsErrors() ? "standard error of " : "") + shownMap().words;
}

function sortedValues() {
  const out = [];
  for (let i = 0; i < pixels; i++) if (counts(i) && Number.isFinite(shownValue(i))) out.push(shownValue(i));
  return Float64Array.from(out).sort();
}

function quantile(sorted, share) {
  const at = share * (sorted.length - 1), i = Math.floor(at);
  return sorted[i] + (at - i) * ((sorted[i + 1] ?? sorted[i]) - sorted[i]);
}

// 2nd to 98th percentile, as in the program's figures.
function resetRange() {
  let values = sortedValues();
  if (state.log) {
    values = values.filter((v) => v > 0);
    if (values.length === 0) state.log = false, values = sortedValues();
  }
  if (values.length === 0) values = Float64Array.of(state.log ? 1 : 0, state.log ? 10 : 1);
  state.low = quantile(values, 0.02);
  state.high = quantile(values, 0.98);
  if (!(state.high > state.low)) {
    const room = Math.abs(state.low) * 0.05 || 1;
    state.low -= room;
    state.high += room;
  }
}

// 0 at the lower end of the range, 1 at the upper; NaN where there is no place.
function place(value) {
  if (!state.log) return (value - state.low) / (state.high - state.low);
  return value > 0 ? Math.log(value / state.low) / Math.log(state.high / state.low) : -Infinity;
}

function valueAt(t) {
  return state.log ? state.low * (state.high / state.low) ** t : state.low + t * (state.high - state.low);
}

const palette = facts.colours.map.map((c) => [1, 3, 5].map((i) => parseInt(c.slice(i, i + 2), 16)));
const REJECTED = [1, 3, 5].map((i) => parseInt(facts.colours.rejected.slice(i, i + 2), 16));
const EMPTY = [1, 3, 5].map((i) => parseInt(facts.colours.empty.slice(i, i + 2), 16));

function colourOf(t) {
  return palette[Math.round(Math.min(1, Math.max(0, t)) * (palette.length - 1))];
}

function pixelColour(pixel) {
  if (stateOf[pixel] === STATE.rejected) return REJECTED;
  const value = shownValue(pixel);
  return stateOf[pixel] === STATE.absent || !Number.isFinite(value) ? EMPTY : colourOf(place(value));
}

function inBrush(pixel) {
  if (!state.brush) return false;
  const value = shownValue(pixel);
  return counts(pixel) && value >= state.brush[0] && value <= state.brush[1];
}

function isHatched(pixel) {
  for (const bit of state.flags) if (hasFlag(pixel, bit)) return true;
  return false;
}
