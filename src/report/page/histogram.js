// The histogram over the range of colours; drawing over it highlights pixels in the map.

const BINS = 40;
let histogramPlot = null;

function binned() {
  const count = new Array(BINS).fill(0);
  let below = 0, above = 0, all = 0;
  for (let i = 0; i < pixels; i++) {
    const value = shownValue(i);
    if (!counts(i) || !Number.isFinite(value)) continue;
    const t = place(value);
    all++;
    if (value < state.low) below++;
    else if (value > state.high) above++;
    else count[Math.min(BINS - 1, Math.floor(t * BINS))]++;
  }
  return { count, below, above, all };
}

// Bars between their own edges; the library's bars are all of one width, which a log scale has not.
function paintBars(count) {
  return (u) => {
    const y0 = u.valToPos(0, "y", true);
    count.forEach((n, i) => {
      if (n === 0) return;
      const x0 = u.valToPos(valueAt(i / BINS), "x", true), x1 = u.valToPos(valueAt((i + 1) / BINS), "x", true);
      const y1 = u.valToPos(n, "y", true);
      u.ctx.fillStyle = `rgb(${colourOf((i + 0.5) / BINS)})`;
      u.ctx.fillRect(x0, y1, x1 - x0, y0 - y1);
      u.ctx.strokeStyle = "#555";
      u.ctx.lineWidth = 0.5 * devicePixelRatio;
      u.ctx.strokeRect(x0, y1, x1 - x0, y0 - y1);
    });
  };
}

function paintMedian(median) {
  return (u) => {
    if (!(median >= state.low && median <= state.high)) return;
    const x = u.valToPos(median, "x", true);
    u.ctx.strokeStyle = "#000";
    u.ctx.lineWidth = 1.5 * devicePixelRatio;
    u.ctx.beginPath();
    u.ctx.moveTo(x, u.bbox.top);
    u.ctx.lineTo(x, u.bbox.top + u.bbox.height);
    u.ctx.stroke();
  };
}

function selected(u) {
  if (u.select.width < 2) return setBrush(null);
  setBrush([u.posToVal(u.select.left, "x"), u.posToVal(u.select.left + u.select.width, "x")]);
}

function drawHistogram() {
  histogramPlot?.destroy();
  const { count, below, above, all } = binned(), unit = shownMap().show.text, sorted = sortedValues();
  const median = sorted.length ? quantile(sorted, 0.5) : NaN, most = Math.max(1, ...count);
  histogramPlot = new uPlot({ width: mapSize().width + 40, height: 170, padding: [ABOVE, RIGHT, 0, 0], legend: { show: false },
    cursor: { drag: { x: true, y: false, setScale: false }, y: false, points: { show: false } },
    scales: { x: valueScale(), y: { range: () => [0, most * 1.05] } },
    axes: [valueAxis(shownWords() + (unit ? ` (${unit})` : ""), { size: BELOW - 18, wanted: 7 }),
      axis("pixels", { size: LEFT - 18, splits: (u, i, low, high) => ticks(low, high, false, 4).filter(Number.isInteger),
        values: (u, splits) => splits.map(String) })],
    series: [{}, { paths: () => null, points: { show: false } }],
    hooks: { draw: [paintBars(count), paintMedian(median), paintFrame], setSelect: [selected] } },
  [[state.low, state.high], [0, most]], byId("histogram"));
  const outside = below + above ? `; ${below} below and ${above} above the range are not drawn` : "";
  byId("histogram-words").textContent = all
    ? `${all} accepted and doubtful pixels, median ${withUnit(show(median), unit)} (line)${outside}.` : "No pixel has a value.";
  showBrush();
}

// The highlighted range on the histogram and in words.
function showBrush() {
  const brush = state.brush, unit = shownMap().show.text;
  const set = (id, value) => {
    if (document.activeElement !== byId(id)) byId(id).value = value;
  };
  set("brush-low", brush ? show(brush[0], 5) : "");
  set("brush-high", brush ? show(brush[1], 5) : "");
  let n = 0;
  for (let i = 0; brush && i < pixels; i++) n += inBrush(i) ? 1 : 0;
  byId("brush-words").textContent = brush
    ? `${n} pixels between ${withUnit(show(brush[0]), unit)} and ${withUnit(show(brush[1]), unit)} are highlighted in the map.` : "";
  const u = histogramPlot, clip = (v) => Math.min(state.high, Math.max(state.low, v));
  const x0 = brush ? u.valToPos(clip(brush[0]), "x") : 0, x1 = brush ? u.valToPos(clip(brush[1]), "x") : 0;
  u.setSelect({ left: x0, top: 0, width: x1 - x0, height: brush ? u.over.clientHeight : 0 }, false);
}
