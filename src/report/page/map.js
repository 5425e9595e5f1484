// The map and its colour bar: axes by the library, pixels painted between them.

const LEFT = 58, BELOW = 46, ABOVE = 10, RIGHT = 14;
let mapPlot = null, barPlot = null;

function axis(label, extra) {
  return { label, labelSize: 18, labelFont: "13px sans-serif", font: "12px sans-serif", labelGap: 0, stroke: "#1a1a1a",
    ticks: { stroke: "#888", size: 5 }, grid: { show: false }, ...extra };
}

// Which pixel each point of the canvas shows, by column and by row.
function lookUp(edgesOf, n, upwards) {
  const low = edgesOf[0], high = edgesOf[edgesOf.length - 1], out = new Int32Array(n);
  for (let i = 0; i < n; i++) {
    const part = (i + 0.5) / n;
    out[i] = findCell(edgesOf, low + (upwards ? 1 - part : part) * (high - low));
  }
  return out;
}

let kept = null; // the colours of the last picture: while only the chosen pixel changes they stay

function pixelColours() {
  if (kept) return kept;
  const out = kept = new Uint8ClampedArray(3 * pixels), dim = state.brush || state.flags.size;
  for (let i = 0; i < pixels; i++) {
    const colour = pixelColour(i), strong = !dim || inBrush(i) || isHatched(i);
    for (let c = 0; c < 3; c++) out[3 * i + c] = strong ? colour[c] : 255 - (255 - colour[c]) * 0.3;
  }
  return out;
}

// Flags are a hatch of black and white: it is seen on every colour and by every reader.
function hatch(x, y, stripe) {
  const at = (x + y) % (4 * stripe);
  return at < stripe ? 0 : at >= 2 * stripe && at < 3 * stripe ? 255 : -1;
}

function paintPixels(u) {
  const left = Math.round(u.bbox.left), top = Math.round(u.bbox.top), w = Math.round(u.bbox.width), h = Math.round(u.bbox.height);
  const image = u.ctx.createImageData(w, h), across = lookUp(xEdges, w, false), down = lookUp(yEdges, h, true);
  const colours = pixelColours(), stripe = Math.max(1, Math.min(4, Math.round(w / columns / 6)));
  const hatched = new Uint8Array(pixels);
  if (state.flags.size) for (let i = 0; i < pixels; i++) hatched[i] = isHatched(i) ? 1 : 0;
  for (let y = 0, to = 0; y < h; y++)
    for (let x = 0; x < w; x++, to += 4) {
      const pixel = down[y] * columns + across[x], level = hatched[pixel] ? hatch(x, y, stripe) : -1;
      for (let c = 0; c < 3; c++) image.data[to + c] = level < 0 ? colours[3 * pixel + c] : level;
      image.data[to + 3] = 255;
    }
  u.ctx.putImageData(image, left, top);
}

function paintMarks(u) {
  const ctx = u.ctx, x = (v) => u.valToPos(v, "x", true), y = (v) => u.valToPos(v, "y", true), ratio = devicePixelRatio;
  ctx.save();
  if (state.dots)
    for (const c of facts.curves) {
      ctx.beginPath();
      ctx.arc(x(facts.x_um[c.column]), y(facts.y_um[c.row]), 2.6 * ratio, 0, 2 * Math.PI);
      ctx.fillStyle = "#fff";
      ctx.strokeStyle = "#000";
      ctx.lineWidth = 1.1 * ratio;
      ctx.fill();
      ctx.stroke();
    }
  let x0 = x(xEdges[state.column]), x1 = x(xEdges[state.column + 1]), y0 = y(yEdges[state.row + 1]), y1 = y(yEdges[state.row]);
  const least = 8 * ratio; // a frame that is found on the finest map
  if (x1 - x0 < least) [x0, x1] = [(x0 + x1 - least) / 2, (x0 + x1 + least) / 2];
  if (y1 - y0 < least) [y0, y1] = [(y0 + y1 - least) / 2, (y0 + y1 + least) / 2];
  for (const [colour, width] of [["#fff", 5], ["#000", 2]]) {
    ctx.strokeStyle = colour;
    ctx.lineWidth = width * ratio;
    ctx.strokeRect(x0, y0, x1 - x0, y1 - y0);
  }
  ctx.restore();
}

function paintFrame(u) {
  u.ctx.strokeStyle = "#888";
  u.ctx.lineWidth = devicePixelRatio;
  u.ctx.strokeRect(u.bbox.left, u.bbox.top, u.bbox.width, u.bbox.height);
}

function mapSize() {
  const wide = xEdges[columns] - xEdges[0], high = yEdges[rows] - yEdges[0];
  const room = Math.max(200, Math.min(520, byId("map-panel").clientWidth - LEFT - RIGHT - 100));
  const scale = Math.min(room / wide, 520 / high);
  return { width: Math.max(60, wide * scale) + LEFT + RIGHT, height: Math.max(24, high * scale) + ABOVE + BELOW };
}

function drawMap() {
  mapPlot?.destroy();
  const range = (e) => () => [e[0], e[e.length - 1]];
  const splits = (e) => (u, i, low, high) => ticks(low, high, false, e === xEdges ? 6 : Math.max(2, u.bbox.height / 140));
  mapPlot = new uPlot({ ...mapSize(), padding: [ABOVE, RIGHT, 0, 0], legend: { show: false },
    cursor: { drag: { x: false, y: false, setScale: false }, x: false, y: false, points: { show: false } },
    scales: { x: { time: false, range: range(xEdges) }, y: { range: range(yEdges) } },
    axes: [axis("x (\u00b5m)", { size: BELOW - 18, splits: splits(xEdges) }),
      axis("y (\u00b5m)", { size: LEFT - 18, splits: splits(yEdges) })],
    series: [{}, { show: true, paths: () => null, points: { show: false } }],
    hooks: { draw: [paintPixels, paintMarks, paintFrame] } }, [[xEdges[0], xEdges[columns]], [yEdges[0], yEdges[rows]]], byId("map"));
  mapPlot.over.addEventListener("click", (event) => {
    const box = mapPlot.over.getBoundingClientRect();
    choosePixel(findCell(xEdges, mapPlot.posToVal(event.clientX - box.left, "x")),
      findCell(yEdges, mapPlot.posToVal(event.clientY - box.top, "y")));
    byId("map").focus({ preventScroll: true });
  });
}

function paintBar(u) {
  const n = Math.round(u.bbox.height), left = Math.round(u.bbox.left), top = Math.round(u.bbox.top);
  for (let i = 0; i < n; i++) {
    u.ctx.fillStyle = `rgb(${colourOf(1 - (i + 0.5) / n)})`;
    u.ctx.fillRect(left, top + i, Math.round(u.bbox.width), 1);
  }
}

function valueScale() {
  return { time: false, distr: state.log ? 3 : 1, range: () => [state.low, state.high] };
}

function valueAxis(words, extra) {
  return axis(words, { splits: (u, i, low, high) => ticks(low, high, state.log, extra.wanted),
    filter: (u, splits) => splits, values: (u, splits) => splits.map((v) => show(v, 6)), ...extra });
}

function drawBar() {
  barPlot?.destroy();
  const unit = shownMap().show.text, height = mapSize().height;
  barPlot = new uPlot({ width: 82, height, padding: [ABOVE, 0, BELOW, 8], legend: { show: false }, cursor: { show: false },
    scales: { x: { time: false, range: () => [0, 1] }, y: valueScale() },
    axes: [{ show: false }, valueAxis(unit || " ", { side: 1, size: 42, wanted: Math.max(2, height / 60) })],
    series: [{}, { paths: () => null, points: { show: false } }], hooks: { draw: [paintBar, paintFrame] } },
  [[0, 1], [state.low, state.high]], byId("bar"));
}
