// Typed answers: a number as people write it, with its unit, held against the answer and known slips.
const UNITS = { W: ["W", 1], kW: ["W", 1e3], mW: ["W", 1e-3], VA: ["VA", 1], kVA: ["VA", 1e3], var: ["var", 1], kvar: ["var", 1e3],
  A: ["A", 1], mA: ["A", 1e-3], V: ["V", 1], kV: ["V", 1e3], mV: ["V", 1e-3], Ω: ["Ω", 1], ohm: ["Ω", 1], F: ["F", 1], mF: ["F", 1e-3], µF: ["F", 1e-6], uF: ["F", 1e-6], nF: ["F", 1e-9],
  Wh: ["Wh", 1], kWh: ["Wh", 1e3], h: ["s", 3600], min: ["s", 60], s: ["s", 1], ms: ["s", 1e-3], "°": ["°", 1], deg: ["°", 1], "°C": ["°C", 1], C: ["°C", 1], "°F": ["°C", null],
  "": ["1", 1], "1": ["1", 1], "%": ["1", 0.01], turns: ["1", 1], USD: ["money", 1], "$": ["money", 1], EUR: ["money", 1], "€": ["money", 1] };

const THOUSANDS = /^[+-]?[1-9]\d{0,2}([.,]\d{3})+$/;
// Both marks: the last is the decimal one. One mark: the language's own, or that of thousands before three digits.
function numberIn(text, mark) {
  let t = text.replace(/[\s\u00a0\u202f']/g, "").replace("\u2212", "-");
  const comma = t.lastIndexOf(","), dot = t.lastIndexOf(".");
  if (comma >= 0 && dot >= 0) t = comma > dot ? t.replace(/\./g, "").replace(",", ".") : t.replace(/,/g, "");
  else if (comma >= 0 || dot >= 0) {
    const used = comma >= 0 ? "," : ".", parts = t.split(used), thousands = used !== mark && THOUSANDS.test(t);
    if (parts.length > 2 && !thousands) return NaN;
    t = thousands ? parts.join("") : parts.join(".");
  }
  return /^[+-]?(\d+\.?\d*|\.\d+)(e[+-]?\d+)?$/i.test(t) ? Number(t) : NaN;
}

function parse(text, mark) {
  const found = /^\s*[$€]?\s*([+\-\u2212]?[\d.,][\d.,\s\u00a0\u202f']*(?:e[+-]?\d+)?)\s*(.*?)\s*$/i.exec(text);
  const value = found ? numberIn(found[1], mark) : NaN;
  if (Number.isNaN(value)) return { problem: "number" };
  const said = /^\s*[$€]/.test(text) ? text.trim()[0] : found[2].replace("μ", "µ");
  const name = said in UNITS ? said : Object.keys(UNITS).find(unit => unit.toLowerCase() === said.toLowerCase() && unit.toLowerCase()[0] !== "m");
  if (name === undefined) return { problem: "unknown", said };
  const [of, factor] = UNITS[name];
  return { value: factor === null ? (value - 32) / 1.8 : value * factor, of, bare: said === "" };
}

const near = (value, target, within) => Math.abs(value - target) <= within * Math.abs(target) + 1e-9;

// What to say to a typed answer: { verdict: right | slip | off | again, says }.
function check(question, text, words, mark) {
  const got = parse(text, mark), [of, factor] = UNITS[question.unit] || [question.unit, 1];
  if (got.problem === "number") return { verdict: "again", says: words.no_number };
  if (got.problem === "unknown") return { verdict: "again", says: words.no_unit.replace("%s", () => got.said) };
  if (got.bare && of !== "1") return { verdict: "again", says: words.unit_missing };
  if (got.of !== of) {
    const pair = [got.of, of].sort().join(" ");
    return { verdict: "again", says: pair === "VA W" ? words.not_the_same : words.other_quantity };
  }
  const target = question.answer * factor;
  if (near(got.value, target, question.within)) return { verdict: "right", says: words.right, value: got.value };
  const slip = question.slips.find(one => near(got.value, one.value * factor, question.within));
  if (slip) return { verdict: "slip", says: slip.says, value: got.value };
  const times = got.value / target, powers = Math.round(Math.log10(times));
  if (Math.abs(powers) >= 3 && near(got.value, target * 10 ** powers, question.within)) return { verdict: "slip", says: words.prefix, value: got.value };
  if (target && near(got.value, -target, question.within)) return { verdict: "slip", says: words.sign, value: got.value };
  return { verdict: "off", says: got.value > target ? words.too_much : words.too_little, value: got.value };
}
