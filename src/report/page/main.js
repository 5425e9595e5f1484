// What happens when: one function for each wish of the reader, each redraws what depends on it.

function redrawMap(same) {
  if (!same) kept = null;
  mapPlot.redraw(false, false);
}

function drawLegend() {
  const box = (colour, words) => key(colour, words, "box"), n = (name) => facts.states[STATE[name]].count;
  replace(byId("legend"), ...(n("rejected") ? [box(facts.colours.rejected, `rejected (${n("rejected")})`)] : []),
    box(facts.colours.empty, "no value"), ...(facts.curves.length ? [key("#fff", "curve in this report", "dot")] : []),
    ...(state.flags.size ? [`hatched: ${[...state.flags].map((bit) => facts.flags[bit].name).join(", ")}`] : []));
}

function drawValues() {
  kept = null;
  drawMap();
  drawBar();
  drawHistogram();
  const map = shownMap(), unit = map.show.text;
  byId("map").setAttribute("aria-label", `${shownWords()}, ${columns} by ${rows} pixels; arrow keys choose a pixel`);
  byId("map-title").textContent = `Map: ${shownWords()}${unit ? ` (${unit})` : ""}`;
  byId("definition").textContent = map.definition;
  byId("range-unit").textContent = byId("brush-unit").textContent = unit ? `(${unit})` : "";
  byId("range-low").value = show(state.low, 5);
  byId("range-high").value = show(state.high, 5);
  byId("scale-log").checked = state.log;
  byId("scale-linear").checked = !state.log;
  byId("show-errors").disabled = !map.errors;
  byId("show-errors").checked = showsErrors();
  drawLegend();
}

function chooseMap(index) {
  state.map = index;
  state.log = shownMap().scale === "log";
  state.brush = null;
  byId("map-choice").value = String(index);
  resetRange();
  drawValues();
  showResults();
}

function chooseErrors(wanted) {
  state.errors = wanted;
  state.brush = null;
  resetRange();
  drawValues();
}

function chooseScale(log) {
  state.log = log;
  if (!log || state.low <= 0) resetRange();
  drawValues();
}

// A number as people write it; NaN for what is none.
function typed(id) {
  const text = byId(id).value.trim().replace(",", ".").replace("\u2212", "-"), value = text === "" ? NaN : Number(text);
  byId(id).setAttribute("aria-invalid", String(text !== "" && !Number.isFinite(value)));
  return value;
}

function chooseRange() {
  const low = typed("range-low"), high = typed("range-high"), good = low < high && (!state.log || low > 0);
  for (const id of ["range-low", "range-high"]) byId(id).setAttribute("aria-invalid", String(!good));
  if (!good) return;
  state.low = low;
  state.high = high;
  drawValues();
}

function setBrush(range) {
  state.brush = range;
  showBrush();
  redrawMap();
}

function typeBrush() {
  let low = typed("brush-low"), high = typed("brush-high");
  if (byId("brush-low").value.trim() === "") low = -Infinity;
  if (byId("brush-high").value.trim() === "") high = Infinity;
  if (low === -Infinity && high === Infinity) setBrush(null);
  else if (low <= high) setBrush([low, high]);
}

function toggleFlag(bit, wanted) {
  if (wanted) state.flags.add(bit); else state.flags.delete(bit);
  drawLegend();
  redrawMap();
}

function choosePixel(column, row) {
  state.column = Math.min(columns - 1, Math.max(0, column));
  state.row = Math.min(rows - 1, Math.max(0, row));
  redrawMap(true);
  showCurve();
  showResults();
  markList();
}

// --- the list of curves: one stop of the Tab key, arrow keys inside ---

function listed() {
  return facts.curves.map((c, i) => [c, i]).filter(([c]) => c.reasons.some((r) => facts.reasons[r].name !== "spread"));
}

function listWords(curve) {
  return curve.reasons.filter((r) => facts.reasons[r].name !== "spread").map((r) => {
    const name = facts.reasons[r].name;
    if (name === "flag") return curve.flags.map((bit) => facts.flags[bit].name.replaceAll("_", " ")).join(", ");
    return name === "asked" ? `${curve.column}, ${curve.row}` : name.replaceAll("_", " ");
  }).join(" + ");
}

function markList() {
  let any = false;
  for (const button of byId("curve-list").children) {
    const here = Number(button.dataset.column) === state.column && Number(button.dataset.row) === state.row;
    button.setAttribute("aria-pressed", String(here));
    button.tabIndex = here ? 0 : -1;
    any = any || here;
  }
  if (!any && byId("curve-list").firstElementChild) byId("curve-list").firstElementChild.tabIndex = 0;
}

function makeList() {
  const list = byId("curve-list");
  for (const [curve] of listed()) {
    const button = make("button", listWords(curve));
    button.type = "button";
    button.title = reasonWords(curve);
    button.dataset.column = curve.column;
    button.dataset.row = curve.row;
    button.addEventListener("click", () => choosePixel(curve.column, curve.row));
    list.append(button);
  }
  list.addEventListener("keydown", (event) => {
    const step = { ArrowRight: 1, ArrowDown: 1, ArrowLeft: -1, ArrowUp: -1 }[event.key], all = [...list.children];
    if (!step) return;
    event.preventDefault();
    const next = all[(all.indexOf(document.activeElement) + step + all.length) % all.length];
    next.focus();
    next.click();
  });
}

// --- keys on the map ---

function stepCurve(step) {
  const places = [...curveAt.keys()].sort((a, b) => a - b), here = state.row * columns + state.column;
  if (places.length === 0) return;
  const next = step > 0 ? places.find((p) => p > here) ?? places[0] : places.findLast((p) => p < here) ?? places[places.length - 1];
  choosePixel(next % columns, Math.floor(next / columns));
}

function mapKey(event) {
  if (event.ctrlKey || event.altKey || event.metaKey) return;
  const far = event.shiftKey ? 10 : 1, { column, row } = state;
  const go = { ArrowLeft: () => choosePixel(column - far, row), ArrowRight: () => choosePixel(column + far, row),
    ArrowUp: () => choosePixel(column, row + far), ArrowDown: () => choosePixel(column, row - far),
    PageUp: () => choosePixel(column, row + 10), PageDown: () => choosePixel(column, row - 10),
    Home: () => choosePixel(0, row), End: () => choosePixel(columns - 1, row),
    n: () => stepCurve(1), N: () => stepCurve(1), p: () => stepCurve(-1), P: () => stepCurve(-1) }[event.key];
  if (!go) return;
  event.preventDefault();
  go();
}

function wire() {
  const on = (id, event, act) => byId(id).addEventListener(event, act);
  on("map-choice", "change", () => chooseMap(Number(byId("map-choice").value)));
  on("show-errors", "change", () => chooseErrors(byId("show-errors").checked));
  on("scale-linear", "change", () => chooseScale(false));
  on("scale-log", "change", () => chooseScale(true));
  on("range-low", "change", chooseRange);
  on("range-high", "change", chooseRange);
  on("range-reset", "click", () => { resetRange(); drawValues(); });
  on("show-dots", "change", () => { state.dots = byId("show-dots").checked; redrawMap(); });
  on("brush-low", "change", typeBrush);
  on("brush-high", "change", typeBrush);
  on("brush-clear", "click", () => { byId("brush-low").value = byId("brush-high").value = ""; setBrush(null); });
  on("map", "keydown", mapKey);
  for (const over of ["z", "separation"]) on(`over-${over}`, "change", () => { state.over = over; showCurve(); });
  let wide = innerWidth;
  addEventListener("resize", () => {
    if (innerWidth === wide) return;
    wide = innerWidth;
    drawValues();
    showCurve();
  });
  let closed = [];
  addEventListener("beforeprint", () => {
    closed = [...document.querySelectorAll("details:not([open])")];
    for (const d of closed) d.open = true;
  });
  addEventListener("afterprint", () => { for (const d of closed) d.open = false; });
}

function start() {
  facts.maps.forEach((map, i) => {
    const option = make("option", map.words);
    option.value = String(i);
    byId("map-choice").append(option);
  });
  showHead();
  showStates();
  showFlags();
  showStatistics();
  showUncertainty();
  showMade();
  makeList();
  wire();
  const first = facts.curves[0];
  if (first) state.column = first.column, state.row = first.row;
  chooseMap(0);
  showCurve();
  markList();
}

try {
  start();
} catch (error) {
  byId("failure").hidden = false;
  byId("failure").textContent = `This page could not be drawn: ${error.message}`;
  throw error;
}

// For the browser's console: numbers as they are in the map file.
window.report = { facts, state, choosePixel, value: (name, column, row) => plane(name)[row * columns + column],
  curve: () => { const i = curveAt.get(state.row * columns + state.column); return i === undefined ? null : loadCurve(i); } };
