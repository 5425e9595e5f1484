// Numbers, units and elements. Text from files goes into the page as text content only.

const PREFIXES = [["T", 1e12], ["G", 1e9], ["M", 1e6], ["k", 1e3], ["", 1], ["m", 1e-3], ["\u00b5", 1e-6], ["n", 1e-9],
  ["p", 1e-12], ["f", 1e-15], ["a", 1e-18]];

function prettyUnit(unit) {
  return unit === "1" ? "" : unit.replace(/m2\b/, "m\u00b2").replace(/^u(?=[A-Z]|m)/, "\u00b5");
}

// The prefix of m2 is squared.
function prefixFor(magnitude, siUnit) {
  if (!(magnitude > 0)) return ["", 1];
  const power = Number(/^[A-Za-z]+([23])/.exec(siUnit)?.[1] ?? 1);
  const [prefix, size] = PREFIXES.find((p) => magnitude >= 0.9995 * p[1] ** power) || PREFIXES[PREFIXES.length - 1];
  return [prefix, size ** power];
}

// A unit to show values of a magnitude (SI) in: its text, and what an SI value is divided by.
function unitFor(siUnit, magnitude) {
  if (siUnit === "1") return { text: "", size: 1 };
  const [prefix, size] = prefixFor(magnitude, siUnit);
  return { text: prefix + prettyUnit(siUnit), size };
}

function show(value, digits = 4) {
  if (value === null || !Number.isFinite(value)) return "not known";
  const size = Math.abs(value);
  if (size !== 0 && (size >= 1e6 || size < 1e-4)) return value.toExponential(digits - 1);
  return String(Number(value.toPrecision(digits)));
}

// Value and standard error, the error with two digits and the value as far as the error goes.
function showPair(value, error) {
  if (!Number.isFinite(value)) return "none";
  if (!(error > 0) || !Number.isFinite(error)) return show(value);
  const size = Math.max(Math.abs(value), error);
  if (size >= 1e6 || size < 1e-4) return `${value.toExponential(3)} \u00b1 ${error.toExponential(1)}`;
  const decimals = Math.min(9, Math.max(0, 1 - Math.floor(Math.log10(error))));
  return `${value.toFixed(decimals)} \u00b1 ${error.toFixed(decimals)}`;
}

function withUnit(text, unit) {
  return unit ? `${text} ${unit}` : text;
}

function percent(share) {
  return share === null ? "not known" : `${show(100 * share, 3)} %`;
}

function byId(id) {
  return document.getElementById(id);
}

// An element with text or children.
function make(tag, content, className) {
  const element = document.createElement(tag);
  if (className) element.className = className;
  for (const part of [].concat(content ?? [])) element.append(part);
  return element;
}

function replace(element, ...content) {
  element.replaceChildren(...content);
}

// Round numbers between low and high: about `wanted` of them, or the 1-2-5 of each decade.
function ticks(low, high, log, wanted) {
  const out = [];
  if (log && high / low > 8) {
    const many = Math.log10(high / low) > 2.5;
    for (let e = Math.floor(Math.log10(low)); e <= Math.log10(high); e++)
      for (const m of many ? [1] : [1, 2, 5]) {
        const v = Number(`${m}e${e}`);
        if (v >= low * (1 - 1e-9) && v <= high * (1 + 1e-9)) out.push(v);
      }
    return out;
  }
  const rough = (high - low) / wanted, power = 10 ** Math.floor(Math.log10(rough));
  const step = power * [1, 2, 5, 10].find((m) => m * power >= rough * 0.999);
  for (let i = Math.ceil(low / step - 1e-9); i * step <= high + 1e-9 * step; i++) out.push(Number((i * step).toPrecision(12)));
  return out;
}
