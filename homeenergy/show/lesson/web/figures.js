// Elements, numbers as a language writes them, and figures with fixed scales.
const make = (name, attributes = {}, ...inside) => {
  const one = Object.assign(document.createElement(name), attributes);
  one.append(...inside);
  return one;
};
const writer = mark => (value, digits) => (digits === undefined ? String(Number(value.toPrecision(6))) : value.toFixed(digits)).replace("-", "\u2212").replace(".", mark);
const termsOf = pairs => pairs.map(([name, text]) => make("div", {}, make("dt", { textContent: name }), make("dd", {}, text)));
// While a hand drags only the texts change that do, in the elements that are there.
function writeTerms(list, pairs) {
  const rows = [...list.children], same = rows.length === pairs.length && pairs.every(([name], k) => rows[k].firstChild.textContent === name);
  if (!same) return list.replaceChildren(...termsOf(pairs));
  pairs.forEach(([, text], k) => { const said = rows[k].lastChild.firstChild; if (said.data !== text) said.data = text; });
}

// Colours come from the page's style sheet, so that light, dark and paper each have theirs.
const charts = new Set();
const colours = new Map(); // of the theme of now; asking the style sheet at every stroke is slow
const colour = name => { if (!colours.has(name)) colours.set(name, getComputedStyle(document.documentElement).getPropertyValue(`--${name}`).trim()); return colours.get(name); };
const ROUND = [1, 1.2, 1.5, 2, 2.5, 3, 4, 5, 6, 8, 10];
function roundUp(value) {
  if (!value) return 0;
  const size = 10 ** Math.floor(Math.log10(Math.abs(value)));
  return Math.sign(value) * size * ROUND.find(one => one * size >= Math.abs(value) * 0.9999);
}

// What the lines of a chart mean: pairs of colour and text; a text stays on the line of its swatch.
function keyOf(box, pairs) {
  const spans = pairs.map(([name, text]) => make("span", { className: "meaning" }, make("span", { className: `swatch ${name}` }), ` ${text}`));
  box.append(make("p", { className: "key" }, ...spans));
}

// On paper the page has another width, of which the figures learn too late.
const PAPER_WIDTH = 640, paper = () => document.documentElement.classList.contains("paper");

// A chart in `box` that is drawn anew when its width or the theme changes. `spec.scales` are fixed ranges; a series names its scale.
function chart(box, spec) {
  const holder = { u: null, data: spec.data };
  const mark = number => spec.number(number);
  function build() {
    if (holder.u) holder.u.destroy();
    const ink = colour("ink"), line = colour("line"), font = "13px system-ui, sans-serif";
    const axes = spec.axes.map((axis, i) => ({ stroke: ink, font, labelFont: font, labelSize: 20, size: i ? 58 : 34, label: axis.label, scale: axis.scale, side: axis.side ?? (i ? 3 : 2),
      grid: { show: !axis.bare, stroke: line, width: 1 }, ticks: { stroke: line, width: 1, size: 4 }, values: (u, at) => at.map(one => mark(one)), incrs: axis.incrs }));
    const series = spec.series.map(one => ({ ...one, stroke: colour(one.colour), points: { show: Boolean(one.points) }, pxAlign: 0 }));
    const scales = Object.fromEntries(Object.entries(spec.scales).map(([name, range]) => [name, { time: false, auto: false, range: typeof range === "function" ? range : () => range }]));
    holder.u = new uPlot({ width: paper() ? PAPER_WIDTH : Math.max(240, box.clientWidth), height: spec.height, scales, axes, padding: spec.padding, series: [{}, ...series], legend: { show: false },
      cursor: { show: Boolean(spec.cursor), drag: { x: false, y: false } }, select: { show: false }, hooks: { draw: [u => spec.draw && spec.draw(u, holder.data)] } }, holder.data, box);
  }
  holder.set = (data, words) => { holder.data = data; if (words) box.setAttribute("aria-label", words); if (holder.u) holder.u.setData(data, true); };
  holder.build = build;
  box.setAttribute("role", "img");
  build();
  charts.add(holder);
  new ResizeObserver(() => { if (!paper() && box.clientWidth && Math.abs(holder.u.width - box.clientWidth) > 1) holder.u.setSize({ width: box.clientWidth, height: spec.height }); }).observe(box);
  return holder;
}
const rebuild = () => { colours.clear(); charts.forEach(one => one.build()); };
matchMedia("(prefers-color-scheme: dark)").addEventListener("change", rebuild);
for (const [when, on] of [["beforeprint", true], ["afterprint", false]]) addEventListener(when, () => { document.documentElement.classList.toggle("paper", on); rebuild(); });

const at = (u, scale, value) => u.valToPos(value, scale, true);
function stroke(u, name, { dash = [], width = 2 } = {}) {
  const ctx = u.ctx;
  ctx.strokeStyle = ctx.fillStyle = colour(name); ctx.lineWidth = width * devicePixelRatio; ctx.setLineDash(dash.map(one => one * devicePixelRatio));
  return ctx;
}
// Text that stays legible on lines: with a rim of the paper's colour.
function label(ctx, text, x, y) {
  ctx.font = `${13 * devicePixelRatio}px system-ui, sans-serif`; ctx.textAlign = "left"; ctx.textBaseline = "alphabetic";
  ctx.setLineDash([]); ctx.lineJoin = "round"; ctx.lineWidth = 5 * devicePixelRatio; ctx.strokeStyle = colour("paper"); ctx.strokeText(text, x, y);
  ctx.fillStyle = colour("ink"); ctx.fillText(text, x, y);
}
function dot(u, scale, x, y) {
  const ctx = stroke(u, "ink", { width: 1 });
  ctx.beginPath(); ctx.arc(at(u, "x", x), at(u, scale, y), 5 * devicePixelRatio, 0, 7); ctx.fill();
}
function line(ctx, ...points) { ctx.beginPath(); points.forEach(([x, y], k) => k ? ctx.lineTo(x, y) : ctx.moveTo(x, y)); ctx.stroke(); }

// Where the volts' fundamental rises through zero, where the amps' does, and how far that is.
function markLag(u, lag, cycle, text) {
  const { left, top, width } = u.bbox, from = at(u, "x", cycle), to = at(u, "x", cycle * (1 + lag / 360)), ctx = u.ctx, high = top + 16 * devicePixelRatio;
  ctx.save();
  stroke(u, "volts", { dash: [5, 4], width: 1.5 }); line(ctx, [from, top], [from, at(u, "V", 0)]);
  stroke(u, "amps", { width: 1.5 }); line(ctx, [to, top], [to, at(u, "V", 0)]);
  stroke(u, "ink", { width: 1.5 }); line(ctx, [from, high], [to, high]);
  const tip = Math.sign(to - from) * Math.min(6 * devicePixelRatio, Math.abs(to - from));
  if (tip) line(ctx, [to - tip, high - 4 * devicePixelRatio], [to, high], [to - tip, high + 4 * devicePixelRatio]);
  ctx.font = `${13 * devicePixelRatio}px system-ui, sans-serif`;
  label(ctx, text, Math.min(Math.max(from, to) + 6 * devicePixelRatio, left + width - ctx.measureText(text).width - 2), high + 4 * devicePixelRatio);
  ctx.restore();
}

// Stripes as one pattern: a line for each of them, through a clip, is slow.
const stripes = new Map();
function stripesOf(name) {
  const side = Math.round(8 * devicePixelRatio), key = `${side} ${colour(name)}`;
  if (!stripes.has(key)) {
    const tile = make("canvas", { width: side, height: side }), ctx = tile.getContext("2d");
    ctx.strokeStyle = colour(name); ctx.lineWidth = 1.5 * devicePixelRatio;
    for (const shift of [-side, 0, side]) line(ctx, [shift - side, 2 * side], [shift + 2 * side, -side]);
    stripes.set(key, ctx.createPattern(tile, "repeat"));
  }
  return stripes.get(key);
}

// Energy given back is striped; the mean of the power is a line with its number.
function markPower(u, [times, watts], mean, text) {
  const ctx = u.ctx, { left, width } = u.bbox, zero = at(u, "W", 0);
  ctx.save();
  ctx.beginPath(); ctx.moveTo(at(u, "x", times[0]), zero);
  times.forEach((t, k) => ctx.lineTo(at(u, "x", t), at(u, "W", Math.min(watts[k], 0))));
  ctx.lineTo(at(u, "x", times[times.length - 1]), zero); ctx.closePath();
  ctx.fillStyle = stripesOf("power"); ctx.fill();
  stroke(u, "line", { width: 1 }); line(ctx, [left, zero], [left + width, zero]);
  stroke(u, "ink", { dash: [2, 4], width: 2 }); const level = at(u, "W", mean); line(ctx, [left, level], [left + width, level]);
  label(ctx, text, left + 7, level - 6 * devicePixelRatio); ctx.restore();
}

// All corners of what the controls can be set to: the scales hold for the whole of it.
const corners = controls => controls.reduce((sets, one) => {
  const values = one.options.length ? one.options.map(([name]) => name) : [one.low, one.start, one.high];
  return sets.flatMap(set => values.map(value => ({ ...set, [one.name]: value })));
}, [{}]);

// Volts and amps in one frame, power below it; where a capacitor is chosen, current and watts against it.
function wavesFigure(box, step, edition, words, number) {
  const given = step.given, cycle = 1000 / edition.frequency_hz, every = 16;
  const extremes = corners(step.controls).map(set => bench(edition, given.load, { ...given, ...set }));
  const bound = (of, pick) => extremes.reduce((all, one) => of(one).reduce((a, b) => pick(a, b), all), 0);
  const most = name => roundUp(bound(one => one[name].map(Math.abs), Math.max));
  const powerOf = one => one.volts.map((v, k) => v * one.amps[k]);
  const low = roundUp(bound(powerOf, Math.min)), high = roundUp(bound(powerOf, Math.max) * 1.05), first = extremes[0];
  const times = Float64Array.from({ length: 2 * SAMPLES / every }, (_, k) => (k * every + first.mains.shift) / SAMPLES * cycle);
  const twice = values => Float64Array.from({ length: times.length }, (_, k) => values[k * every % SAMPLES]);
  keyOf(box, [["volts", words.volts], ["amps", words.amps]]);
  const boxes = (given.curve ? [0, 1, 2] : [0, 1]).map(() => box.appendChild(make("div")));
  let now = first;
  const lagText = () => {
    const lag = now.found.lag_deg, size = Math.abs(lag);
    return size < 0.05 ? words.in_step : `${lag > 0 ? words.lags : words.leads} ${number(size, 1)}°, ${number(size / 360 * cycle, 2)} ms`;
  };
  const x = { label: words.milliseconds, scale: "x" };
  const waves = chart(boxes[0], { height: 230, number, data: [[], [], []], scales: { x: [0, 2 * cycle], V: [-most("volts"), most("volts")], A: [-most("amps"), most("amps")] },
    axes: [x, { scale: "V", label: words.volts_axis }, { scale: "A", side: 1, label: words.amps_axis, bare: true }],
    series: [{ scale: "V", colour: "volts", width: 2, dash: [6, 4] }, { scale: "A", colour: "amps", width: 2.5 }],
    draw: u => { if (now.found.lag_deg !== undefined) markLag(u, now.found.lag_deg, cycle, lagText()); } });
  const power = chart(boxes[1], { height: 190, number, data: [[], []], scales: { x: [0, 2 * cycle], W: [low, high] }, padding: [null, 58, null, null], axes: [x, { scale: "W", label: words.power_axis }],
    series: [{ scale: "W", colour: "power", width: 2 }], draw: (u, data) => markPower(u, data, now.found.real_w, `${words.mean} ${number(now.found.real_w, 1)} W`) });
  let curve = null, micros = null, spot = null;
  if (given.curve) {
    const end = step.controls.find(one => one.name === "micro").high;
    micros = Float64Array.from({ length: 161 }, (_, k) => k / 160 * end);
    const amps = extremes.flatMap(one => { const f = currentAgainst(one.mains, one.alone); return [f.at(0), f.at(end * 1e-6)]; });
    const watts = Math.max(...extremes.map(one => one.found.real_w));
    curve = chart(boxes[2], { height: 200, number, data: [[], [], []], scales: { x: [0, end], A: [0, roundUp(Math.max(...amps))], W: [0, roundUp(watts * 1.15)] },
      axes: [{ label: words.capacitor_axis, scale: "x" }, { scale: "A", label: words.rms_axis }, { scale: "W", side: 1, label: words.mean_axis, bare: true }],
      series: [{ scale: "A", colour: "amps", width: 2.5 }, { scale: "W", colour: "power", width: 2, dash: [2, 3] }],
      draw: u => { if (spot) { dot(u, "A", spot.micro, spot.amps_a); dot(u, "W", spot.micro, spot.real_w); } } });
  }
  return set => {
    now = bench(edition, given.load, { ...given, ...set });
    const f = now.found;
    waves.set([times, twice(now.volts), twice(now.amps)], `${words.waves_say} ${number(f.volts_v, 1)} V, ${number(f.amps_a, 2)} A${f.lag_deg === undefined ? "" : `, ${lagText()}`}`);
    power.set([times, times.map((_, k) => now.volts[k * every % SAMPLES] * now.amps[k * every % SAMPLES])], `${words.power_says} ${number(f.real_w, 1)} W`);
    if (curve) {
      const against = currentAgainst(now.mains, now.alone);
      spot = { micro: set.micro, amps_a: f.amps_a, real_w: f.real_w };
      curve.set([micros, micros.map(one => against.at(one * 1e-6)), micros.map(() => f.real_w)], `${words.curve_says} ${number(set.micro, 1)} µF, ${number(f.amps_a, 3)} A, ${number(f.real_w, 1)} W`);
    }
    const read = [[words.rms_volts, f.volts_v, 1, "V"], [words.rms_amps, f.amps_a, 3, "A"], [words.apparent, f.apparent_va, 1, "VA"], [words.real, f.real_w, 1, "W"], [words.factor, f.power_factor, 3, ""]];
    return read.map(([name, value, digits, unit]) => [name, `${number(value, digits)} ${unit}`]);
  };
}
const FIGURES = { waves: wavesFigure };
