// Everything that does not change while the page is used, and the results of the chosen pixel.

function row(cells, tag = "td") {
  return make("tr", cells.map((c) => (c instanceof Node ? c : make(tag, String(c)))));
}

function number(text, tag = "td") {
  return make(tag, text, "number");
}

function showHead() {
  const about = facts.about, n = (name) => facts.states[STATE[name]].count;
  document.title = about.title || "maps";
  byId("title").textContent = about.title || "maps";
  byId("summary").textContent = `${columns} columns x ${rows} rows, ${n("accepted")} pixels accepted, ${n("doubtful")} doubtful, ` +
    `${n("rejected")} rejected, ${n("absent")} absent. Map file ${about.file}, from ${about.source || "a volume that it does not name"}.`;
  replace(byId("cautions"), ...facts.cautions.map((c) => make("li", c)));
}

function showStates() {
  byId("states").append(row([make("th", "state"), number("pixels", "th"), make("th", "meaning")]),
    ...facts.states.filter((s) => s.count).map((s) => row([s.name, number(String(s.count)), s.words])));
}

function flagBox(flag, bit) {
  const box = document.createElement("input"), label = document.createElement("label");
  box.type = "checkbox";
  box.id = `flag-${bit}`;
  box.addEventListener("change", () => toggleFlag(bit, box.checked));
  label.append(box, ` ${flag.name}`);
  return make("td", label);
}

function showFlags() {
  const head = () => row([make("th", "flag"), number("pixels", "th"), make("th", "effect"), make("th", "meaning")]);
  byId("flags").append(head());
  byId("flags-unset").append(head());
  facts.flags.forEach((flag, bit) => {
    const name = flag.count ? flagBox(flag, bit) : flag.name;
    byId(flag.count ? "flags" : "flags-unset").append(row([name, number(String(flag.count)), flag.effect, flag.words]));
  });
  byId("flags").hidden = facts.flags.every((f) => !f.count);
}

function showStatistics() {
  const table = byId("statistics"), shown = (map, v) => number(v === null ? "none" : show(v * map.factor));
  table.append(row([make("th", "map"), make("th", "unit"), number("pixels", "th"), number("2 %", "th"), number("25 %", "th"),
    number("median", "th"), number("75 %", "th"), number("98 %", "th")]));
  for (const map of facts.maps)
    table.append(row([map.words, map.show.text || "1", number(String(map.n)), shown(map, map.low), shown(map, map.q25),
      shown(map, map.median), shown(map, map.q75), shown(map, map.high)]));
}

function quantity(value, siUnit) {
  if (value === null) return "not known";
  if (siUnit === "rad") return `${show(value * 180 / Math.PI)}\u00b0`;
  const unit = unitFor(siUnit, Math.abs(value));
  return withUnit(show(value / unit.size), unit.text);
}

// Value and standard uncertainty in one unit.
function knownWords(known) {
  const u = known.standard_uncertainty, angle = known.unit === "rad";
  if (u === null) return quantity(known.value, known.unit);
  const unit = angle ? { text: "\u00b0", size: Math.PI / 180 } : unitFor(known.unit, Math.abs(known.value));
  return withUnit(`${show(known.value / unit.size)} \u00b1 ${show(u / unit.size, 2)}`, unit.text);
}

function budgetTable(name, result) {
  const map = facts.maps.find((m) => m.name === name), table = make("table", make("caption",
    `${map ? map.words : name}, ${quantity(result.value, result.unit)}: relative standard uncertainty ` +
    `${result.complete ? "" : "at least "}${percent(result.combined)}`));
  table.append(row([make("th", "input"), number("value", "th"), number("standard uncertainty", "th"), make("th", "known"),
    number("coefficient", "th"), number("contribution", "th"), number("share", "th")]));
  for (const input of result.inputs.filter((i) => i.coefficient !== 0))
    table.append(row([input.input.replaceAll("_", " "), number(quantity(input.value, input.unit)),
      number(input.standard_uncertainty === null ? "not stated" : quantity(input.standard_uncertainty, input.unit)), input.knowledge,
      number(show(input.coefficient, 3)), number(percent(input.contribution)), number(percent(input.share))]));
  const carlo = result.monte_carlo, words = carlo.draws === 0 ? "No Monte Carlo draws." :
    `Monte Carlo, ${carlo.draws} draws: 95 % between ${show(carlo.low, 3)} and ${show(carlo.high, 3)} times the value` +
    (carlo.differs ? "; not linear: trust these numbers, not the sum." : ".");
  return make("div", [table, make("p", words, "note")]);
}

function showUncertainty() {
  const budget = facts.uncertainty;
  byId("uncertainty-words").textContent = budget
    ? "From calibration, tip and sample values, common to all pixels: no part of the standard errors, and no statistics over pixels " +
      `makes it smaller. Found at one typical pixel (column ${budget.volume_column}, row ${budget.volume_row} of the volume); ` +
      `spring constant: ${budget.spring_constant_from}.` : "The map file has no uncertainty budget.";
  if (budget)
    for (const [name, result] of Object.entries(budget)) if (result && result.inputs) byId("uncertainty").append(budgetTable(name, result));
}

// A text of many lines' length is folded away, and still printed.
function longText(text) {
  if (text.length < 300) return text;
  return make("td", make("details", [make("summary", `${text.length} characters`), make("pre", text)]));
}

function showMade() {
  const fit = Object.entries(facts.fit).filter(([, v]) => v).map(([k, v]) => row([make("th", k), v]));
  for (const [name, known] of Object.entries(facts.calibration)) {
    fit.push(row([make("th", name.replaceAll("_", " ")), `${knownWords(known)}, from the ${known.origin}`]));
  }
  byId("fit").append(...fit);
  const run = Object.entries(facts.run).filter(([, v]) => v !== "" && v !== null);
  byId("run").append(...run.map(([k, v]) => row([make("th", k.replaceAll("_", " ")), longText(String(v))])));
  byId("recipe").textContent = facts.recipe || "(none: all keys had their defaults)";
  byId("lever").textContent = facts.lever_file;
  byId("lever-details").hidden = !facts.lever_file;
  byId("footer").textContent = `Made by cantle ${facts.program}. Plots: uPlot, MIT licence, \u00a9 2022 Leon Sorokin.`;
}

function showResults() {
  const pixel = state.row * columns + state.column, about = facts.states[stateOf[pixel]];
  byId("pixel-title").textContent = `Pixel: column ${state.column}, row ${state.row}`;
  byId("pixel-words").textContent = `x ${show(facts.x_um[state.column])} \u00b5m, y ${show(facts.y_um[state.row])} \u00b5m; ` +
    `${about.name}: ${about.words}.`;
  const flags = flagsOf(pixel);
  replace(byId("pixel-flags"), ...(flags.length ? [make("b", "Flags: "), flags.map((f) => `${f.name} (${f.words})`).join("; ")] : []));
  const body = byId("results").tBodies[0];
  replace(body, ...facts.maps.map((map, index) => {
    const value = plane(map.name)[pixel] * map.to_si, error = map.errors ? plane(`${map.name}_errors`)[pixel] * map.to_si : NaN;
    const unit = map.prefixed ? unitFor(map.si_unit, Math.max(Math.abs(value), error || 0)) : map.show;
    const cell = number(Number.isFinite(value) ? withUnit(showPair(value / unit.size, error / unit.size), unit.text) : "none");
    const line = row([make("th", map.words), cell]);
    line.dataset.map = map.name;
    line.className = index === state.map ? "shown" : "";
    return line;
  }));
}
