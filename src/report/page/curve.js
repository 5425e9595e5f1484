// The chosen pixel's curve: force and residuals by the library, in its mode of free points.

const APPROACH = facts.colours.series[1], RETRACT = facts.colours.series[2], BASELINE = facts.colours.series[3],
  CONTACT = facts.colours.series[4];
const SEGMENT_COLOURS = [APPROACH, RETRACT];
let forcePlot = null, residualPlot = null;

// Points and lines in device pixels; NaN breaks a line.
function paintPoints(colour, size) {
  return (u, index) => {
    const [xs, ys] = u.data[index], seen = xs.reduce((n, x) => n + Number.isFinite(x), 0);
    const side = (seen < 150 ? 1.8 : 1) * size * devicePixelRatio; // a few points are drawn larger
    u.ctx.fillStyle = colour;
    for (let i = 0; i < xs.length; i++) {
      if (!Number.isFinite(xs[i]) || !Number.isFinite(ys[i])) continue;
      u.ctx.fillRect(u.valToPos(xs[i], "x", true) - side / 2, u.valToPos(ys[i], "y", true) - side / 2, side, side);
    }
    return null;
  };
}

function paintLine(colour, width, dash) {
  return (u, index) => {
    const [xs, ys] = u.data[index];
    u.ctx.save();
    u.ctx.strokeStyle = colour;
    u.ctx.lineWidth = width * devicePixelRatio;
    u.ctx.setLineDash((dash || []).map((d) => d * devicePixelRatio));
    u.ctx.beginPath();
    let open = false;
    for (let i = 0; i < xs.length; i++) {
      const good = Number.isFinite(xs[i]) && Number.isFinite(ys[i]);
      if (good) u.ctx[open ? "lineTo" : "moveTo"](u.valToPos(xs[i], "x", true), u.valToPos(ys[i], "y", true));
      open = good;
    }
    u.ctx.stroke();
    u.ctx.restore();
    return null;
  };
}

function paintMark(colour) {
  return (u, index) => {
    const [[x], [y]] = u.data[index], ctx = u.ctx;
    ctx.beginPath();
    ctx.arc(u.valToPos(x, "x", true), u.valToPos(y, "y", true), 5 * devicePixelRatio, 0, 2 * Math.PI);
    ctx.fillStyle = colour;
    ctx.strokeStyle = "#000";
    ctx.lineWidth = devicePixelRatio;
    ctx.fill();
    ctx.stroke();
    return null;
  };
}

function extent(arrays) {
  let low = Infinity, high = -Infinity;
  for (const values of arrays) for (const v of values) if (Number.isFinite(v)) low = Math.min(low, v), high = Math.max(high, v);
  if (!(high > low)) return Number.isFinite(low) ? [low - 1, low + 1] : [0, 1];
  const room = 0.04 * (high - low);
  return [low - room, high + room];
}

function scatter(target, height, labels, lines) {
  const facets = [{ scale: "x", auto: true }, { scale: "y", auto: true }];
  const range = (k) => (u, low, high) => (Number.isFinite(low) && high > low && u.zoomed ? [low, high] : extent(lines.map((l) => l.data[k])));
  return new uPlot({ mode: 2, width: Math.max(280, Math.min(660, byId("pixel-panel").clientWidth - 4)), height, padding: [ABOVE, RIGHT, 0, 0],
    legend: { show: false }, cursor: { drag: { x: true, y: true, uni: 20 }, x: false, y: false, points: { show: false } },
    scales: { x: { time: false, auto: false, range: range(0) }, y: { auto: false, range: range(1) } },
    axes: [axis(labels[0], { size: BELOW - 18, grid: { show: true, stroke: "#eee" } }),
      axis(labels[1], { size: LEFT - 18, grid: { show: true, stroke: "#eee" } })],
    series: [null, ...lines.map((l) => ({ facets, paths: l.paint }))],
    hooks: { drawAxes: [paintFrame], setSelect: [(u) => { u.zoomed = u.select.width > 0; }] } },
  [null, ...lines.map((l) => l.data)], target);
}

const scaled = (values, size, zero = 0) => Float64Array.from(values, (v) => (v - zero) / size);

// Tip-sample separation, zero at the contact point: how the bend is larger than the way beyond it.
function separation(curve, z, force) {
  const zero = curve.contact_point_m ?? Math.max(...z);
  return Float64Array.from(z, (v, i) => force[i] / curve.spring_n_per_m - (v - zero));
}

// On a long ramp the contact would be a corner, so separation ends at twice the depth, or after the last pull.
function farthest(curve, apart) {
  let nearest = 0, pulling = 0;
  curve.segments.forEach((s, k) => {
    const noise = s.noise_m * curve.spring_n_per_m;
    apart[k].forEach((d, i) => {
      nearest = Math.min(nearest, d);
      if (s.force[i] < -4 * noise) pulling = Math.max(pulling, d);
    });
  });
  return nearest < 0 ? Math.max(-2 * nearest, 1.3 * pulling) : Infinity;
}

function forceLines(curve, xUnit, forceUnit) {
  const lines = [], over = state.over === "separation";
  const apart = curve.segments.map((s) => separation(curve, s.z, s.force)), far = over ? farthest(curve, apart) : Infinity;
  const x = (k, values) => scaled((over ? values : curve.segments[k].z).map((v) => (over && v > far ? NaN : v)), xUnit.size);
  for (const k of [1, 0]) {
    const s = curve.segments[k];
    if (s.n) lines.push({ data: [x(k, apart[k]), scaled(s.force, forceUnit.size)], paint: paintPoints(SEGMENT_COLOURS[k], 2) });
  }
  const fitted = curve.segments[curve.fitted];
  if (curve.has_fit && curve.contact_point_m !== null) {
    lines.push({ data: [x(curve.fitted, separation(curve, fitted.z, curve.model)), scaled(curve.model, forceUnit.size)],
      paint: paintLine("#000", 1.8) });
  }
  if (!over && fitted.n && fitted.baseline_end !== null)
    lines.push({ data: [scaled([fitted.z[0], fitted.baseline_end], xUnit.size), [0, 0]], paint: paintLine(BASELINE, 2.2, [7, 5]) });
  if (curve.contact_point_m !== null)
    lines.push({ data: [[over ? 0 : curve.contact_point_m / xUnit.size], [0]], paint: paintMark(CONTACT) });
  return lines;
}

// In units of the noise: a fit that describes the curve scatters by one everywhere.
function residuals(curve) {
  const s = curve.segments[curve.fitted], noise = s.noise_m * curve.spring_n_per_m;
  return Float64Array.from(s.force, (f, i) => (curve.used[i] && noise > 0 ? (f - curve.model[i]) / noise : NaN));
}

function drawCurve(curve) {
  const all = curve.segments.flatMap((s) => [...s.z]), length = all.length ? (Math.max(...all) - Math.min(...all)) / 3 : 1;
  const peak = Math.max(1e-15, ...curve.segments.flatMap((s) => [...s.force]).map(Math.abs).filter(Number.isFinite));
  const xUnit = unitFor("m", length), forceUnit = unitFor("N", peak), fitted = curve.segments[curve.fitted];
  const words = state.over === "z" ? "piezo displacement Z" : "tip-sample separation";
  forcePlot = scatter(byId("force"), 330, [`${words} (${xUnit.text})`, `force (${forceUnit.text})`],
    forceLines(curve, xUnit, forceUnit));
  if (!curve.has_fit || !fitted.n) return;
  const z = scaled(fitted.z, xUnit.size), ends = [z[0], z[z.length - 1]];
  residualPlot = scatter(byId("residual"), 180, [`piezo displacement Z (${xUnit.text})`, "residual / noise"],
    [{ data: [z, residuals(curve)], paint: paintPoints(SEGMENT_COLOURS[curve.fitted], 2) },
      { data: [ends, [0, 0]], paint: paintLine("#000", 1, [6, 4]) }]);
}

function key(colour, words, kind) {
  const mark = make("span", "", `swatch ${kind}`);
  mark.style.setProperty(kind === "line" ? "border-top-color" : "background-color", colour);
  return make("span", [mark, words], "key");
}

function nearestCurve(column, row) {
  let best = null, least = Infinity;
  for (const c of facts.curves) {
    const far = Math.hypot(facts.x_um[c.column] - facts.x_um[column], facts.y_um[c.row] - facts.y_um[row]);
    if (far < least) least = far, best = c;
  }
  return best;
}

function noCurve(column, row) {
  const parts = [], near = nearestCurve(column, row);
  if (stateOf[row * columns + column] === STATE.absent) parts.push("No curve was taken here.");
  else if (!near) parts.push("There are no curves in this report.");
  else {
    const go = make("button", `column ${near.column}, row ${near.row}`);
    go.type = "button";
    go.addEventListener("click", () => choosePixel(near.column, near.row));
    parts.push("The curve of this pixel is not in this report. The nearest one that is: ", go,
      make("p", `To see it: cantle curve MAPS.h5 ${column} ${row}; to have it in here: cantle report MAPS.h5 --pixel ${column},${row}`,
        "note"));
  }
  return make("div", parts, "empty");
}

function reasonWords(curve) {
  return curve.reasons.map((r) => facts.reasons[r].name === "flag"
    ? curve.flags.map((bit) => `stands for the flag ${facts.flags[bit].name}`).join("; ") : facts.reasons[r].words).join("; ");
}

function showCurve() {
  forcePlot?.destroy();
  residualPlot?.destroy();
  forcePlot = residualPlot = null;
  replace(byId("force"));
  const index = curveAt.get(state.row * columns + state.column), there = index !== undefined;
  byId("abscissa").hidden = byId("curve-key").hidden = byId("residual").hidden = !there;
  byId("curve-why").textContent = there ? `This curve is here because: ${reasonWords(facts.curves[index])}.` : "";
  if (!there) return replace(byId("force"), noCurve(state.column, state.row));
  const curve = loadCurve(index), thin = curve.segments.find((s) => s.step > 1);
  drawCurve(curve);
  replace(byId("curve-key"), key(APPROACH, "approach", "dot"), key(RETRACT, "retract", "dot"), key("#000", "fitted curve", "line"),
    key(BASELINE, "baseline", "line"), key(CONTACT, "contact point", "dot"),
    thin ? `one in ${thin.step} samples is drawn; ` : "", curve.has_fit ? "" : "no fit; ", "draw a box to enlarge, double click for all");
}
