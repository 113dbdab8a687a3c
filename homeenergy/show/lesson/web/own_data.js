// A class's own log: a CSV of a plug-in meter, read and reckoned in the page; nothing of it leaves.
const SEPARATORS = [";", "\t", ","];
function cellsOf(line, separator) {
  const mark = separator === "\t" ? "\\t" : separator, cells = [];
  for (const found of line.matchAll(new RegExp(`(?:"((?:[^"]|"")*)"|([^${mark}]*))(${mark}|$)`, "g"))) {
    cells.push((found[1] !== undefined ? found[1].replace(/""/g, '"') : found[2]).trim());
    if (!found[3]) break;
  }
  return cells;
}
// Seconds of an instant as it is written; the zone does not matter, as only differences are used.
function secondsIn(text, dayFirst) {
  if (/^\d{9,10}(\.\d+)?$/.test(text)) return Number(text);
  if (/^\d{12,13}$/.test(text)) return Number(text) / 1000;
  let found = /^(\d{4})[-/.](\d{1,2})[-/.](\d{1,2})(?:[T ](\d{1,2}):(\d{2})(?::(\d{2})(?:[.,]\d+)?)?)?\s*(Z|[+-]\d{2}:?\d{2})?$/.exec(text);
  let y, m, d, rest;
  if (found) { [, y, m, d, ...rest] = found; }
  else {
    found = /^(\d{1,2})[./-](\d{1,2})[./-](\d{2,4})(?:,?[T ]+(\d{1,2}):(\d{2})(?::(\d{2}))?\s*([AP]M)?)?$/i.exec(text);
    if (!found) return NaN;
    [, d, m, y, ...rest] = found;
    if (!dayFirst) [d, m] = [m, d];
    if (y < 100) y = Number(y) + 2000;
  }
  if (m > 12 || d > 31) return NaN;
  let hour = Number(rest[0] || 0);
  if (/[AP]M/i.test(rest[3] || "")) hour = hour % 12 + (/P/i.test(rest[3]) ? 12 : 0);
  const offset = /^([+-])(\d{2}):?(\d{2})$/.exec(rest[3] || ""), shift = offset ? (offset[1] === "-" ? -1 : 1) * (Number(offset[2]) * 60 + Number(offset[3])) * 60 : 0;
  return Date.UTC(y, m - 1, d, hour, Number(rest[1] || 0), Number(rest[2] || 0)) / 1000 - shift;
}

// What a heading says that its column holds, in the words that the library knows; `by` is watts of its unit.
function headOf(name, heads) {
  let parts = name.split(/[\s_.,;:/|()[\]{}<>-]+/).filter(Boolean);
  const camel = text => text.replace(/(\p{Ll})(?=\p{Lu})/gu, "$1 ").split(" ");
  if (parts.length === 1 && !(parts[0].toLowerCase() in heads.units)) {
    // "powerkW" is power in kW; of other words a k may be the last letter, as in "deskW".
    const [, before, kilo] = /^(.*)(kWh?)$/.exec(parts[0]) || ["", "", ""], word = camel(before).pop().toLowerCase();
    parts = word in heads.words ? [before, kilo].flatMap((text, k) => k ? text : camel(text)) : camel(parts[0]);
  }
  const lower = parts.map(part => part.toLowerCase()), [quantity, unit] = heads.units[lower[lower.length - 1]] || [];
  const lastOf = texts => texts.map(text => heads.words[text]).filter(Boolean).pop();
  const said = lastOf(lower.map((part, k) => `${lower[k - 1]} ${part}`)) || lastOf(lower);
  // A heading such as "apparent power [W]" contradicts itself: the word counts.
  return { holds: quantity === "power" && ["apparent", "reactive", "factor"].includes(said) ? said : quantity || said, by: unit === "kW" ? 1000 : 1 };
}
// The decimal mark of a column: one that no mark of thousands can be, or that stands in every number.
function decimalOf(cells, mark) {
  const numbers = cells.map(cell => cell.replace(/[^\d.,+-]/g, "")).filter(cell => /\d/.test(cell)), last = cell => (/[.,](?=[^.,]*$)/.exec(cell) || [""])[0];
  const sure = numbers.find(cell => last(cell) && !THOUSANDS.test(cell) && cell.split(last(cell)).length === 2);
  if (sure) return last(sure);
  const all = new Set(numbers.map(cell => cell.replace(/[^.,]/g, "")));
  return all.size === 1 && [...all][0].length === 1 ? [...all][0] : mark;
}
function wattsIn(cell, mark, by) {
  const [, text, unit] = /^(.*?)\s*(k?W)?$/i.exec(cell);
  return numberIn(text, mark) * (unit ? (unit.length > 1 ? 1000 : 1) : by);
}

// Columns, guessed: the separator that gives most cells, the first column of instants, and of numbers the one that is named as power.
function readTable(text, { dayFirst, mark, heads }) {
  const lines = text.replace(/^\ufeff/, "").split(/\r\n|\n|\r/).filter(line => line.trim());
  const sample = lines.slice(-20);
  const separator = SEPARATORS.map(one => [sample.reduce((n, line) => n + cellsOf(line, one).length, 0), one]).sort((a, b) => b[0] - a[0])[0][1];
  const rows = lines.map(line => cellsOf(line, separator));
  const firsts = rows.map(row => row.map(cell => /^(\d{1,2})[./-](\d{1,2})[./-]\d{2,4}/.exec(cell)).find(Boolean)).filter(Boolean);
  const order = firsts.some(one => one[1] > 12) ? true : firsts.some(one => one[2] > 12) ? false : dayFirst;
  const instant = cell => !Number.isNaN(secondsIn(cell || "", order));
  // Sums and blanks may follow the last reading.
  const last = rows.slice(-20).filter(row => row.some(instant)).pop();
  if (!last) return { problem: "no_time" };
  // Date and time of day may be in two columns.
  const clock = last.map((cell, k) => k > 0 && /^\d{1,2}:\d{2}(:\d{2})?( ?[AP]M)?$/i.test(cell));
  const joined = row => row.map((cell, k) => clock[k + 1] ? `${cell} ${row[k + 1] || ""}` : cell).filter((_, k) => !clock[k]);
  const wide = rows.map(joined), end = joined(last), time = end.findIndex(instant);
  const begin = wide.findIndex(row => instant(row[time]));
  const head = begin > 0 ? wide[begin - 1] : end.map((_, k) => String(k + 1)), data = wide.slice(begin);
  if (separator === "," && head.length > 1 && end.length > head.length && end[end.length - 1]) return { problem: "ragged" };
  // The newest reading may come first.
  if (secondsIn(data[0][time], order) > secondsIn(end[time], order)) data.reverse();
  const columns = end.map((_, k) => ({ k, name: head[k] || String(k + 1), ...headOf(head[k] || "", heads), decimal: decimalOf(data.map(row => row[k] || ""), separator === "," ? "." : mark) }))
    .filter(one => one.k !== time && (!one.holds || one.holds === "power") && data.some(row => !Number.isNaN(wattsIn(row[one.k] || "", one.decimal, 1))));
  if (!columns.length) return { problem: "no_power" };
  const named = columns.find(one => one.holds) || columns[0];
  const values = k => {
    const at = [], watts = [], { decimal, by } = columns.find(one => one.k === k);
    let dropped = 0;
    for (const row of data) {
      const t = secondsIn(row[time] || "", order), w = wattsIn(row[k] || "", decimal, by);
      if (Number.isNaN(t) || Number.isNaN(w) || at.length && t <= at[at.length - 1]) { dropped++; continue; }
      at.push(t); watts.push(w);
    }
    return { at, watts, dropped };
  };
  return { columns, chosen: named.k, values };
}

// The level that separates rest from running: Otsu 1979, weighed by time, on 256 steps of power.
function otsu(watts, seconds) {
  const low = watts.reduce((a, b) => Math.min(a, b)), high = watts.reduce((a, b) => Math.max(a, b)), bins = new Float64Array(256), width = (high - low) / 256 || 1;
  watts.forEach((w, k) => { bins[Math.min(255, Math.floor((w - low) / width))] += seconds[k]; });
  const all = bins.reduce((a, b) => a + b), mean = bins.reduce((sum, n, k) => sum + n * k, 0);
  let below = 0, sum = 0, best = [-1, 0, 0];
  for (let k = 0; k < 255; k++) {
    below += bins[k]; sum += bins[k] * k;
    if (!below || below === all) continue;
    const between = below * (all - below) * (sum / below - (mean - sum) / (all - below)) ** 2;
    // Several levels may separate as well: take the middle of them.
    if (between > best[0] * (1 + 1e-12)) best = [between, k, k]; else if (between >= best[0] * (1 - 1e-12)) best[2] = k;
  }
  return low + width * ((best[1] + best[2]) / 2 + 1);
}
const GAP_TIMES = 5; // a pause of more than so many usual periods is a gap, and not counted
function reckon({ at, watts }, level) {
  const steps = at.slice(1).map((t, k) => t - at[k]), usual = [...steps].sort((a, b) => a - b)[steps.length >> 1];
  const seconds = [...steps, usual].map(one => one > GAP_TIMES * usual ? usual : one), covered = seconds.reduce((a, b) => a + b, 0);
  const gaps = steps.filter(one => one > GAP_TIMES * usual).length, threshold = level ?? otsu(watts, seconds);
  let wh = 0, running = 0, resting_wh = 0, runs = 0;
  watts.forEach((w, k) => {
    const part = w * seconds[k] / 3600;
    wh += part;
    if (w > threshold) { running += seconds[k]; if (k && watts[k - 1] <= threshold) runs++; } else resting_wh += part;
  });
  // The median at rest: readings that hold a bit of a run, at its edges, do not count.
  const rest = watts.map((w, k) => [w, seconds[k]]).filter(([w]) => w <= threshold).sort((a, b) => a[0] - b[0]);
  let passed = 0;
  const middle = rest.find(([, s]) => (passed += s) >= (covered - running) / 2);
  return { kwh: wh / 1000, hours: covered / 3600, kwh_per_day: wh / 1000 / covered * 86400, share: running / covered, standby_w: middle ? middle[0] : 0,
    running_w: running ? (wh - resting_wh) / running * 3600 : 0, runs, usual_s: usual, gaps, threshold };
}

function showOwnData(data) {
  const { words, mark, heads } = data, by = id => document.getElementById(id);
  const number = writer(mark);
  let table = null, series = null, level = null, drawn = null, predicted = null;
  const show = () => {
    if (!series) return;
    const found = reckon(series, level ?? undefined), price = Number(by("price").value) || 0;
    by("level").value = found.threshold.toFixed(1);
    const origin = series.at[0], every = Math.max(1, Math.floor(series.at.length / 4000)), x = [], y = [];
    // Of each stretch its least and greatest reading: no peak is lost.
    for (let k = 0; k < series.at.length; k += every) {
      const part = series.watts.slice(k, k + every);
      for (const w of every > 1 ? [Math.min(...part), Math.max(...part)] : part) { x.push((series.at[k] - origin) / 3600); y.push(w); }
    }
    const high = roundUp(Math.max(1, y.reduce((a, b) => Math.max(a, b))));
    by("figure").replaceChildren();
    charts.clear();
    drawn = chart(by("figure").appendChild(make("div")), { height: 260, number, data: [x, y], scales: { x: [0, x[x.length - 1] || 1], W: [Math.min(0, y.reduce((a, b) => Math.min(a, b))), high] },
      axes: [{ label: words.hours, scale: "x" }, { scale: "W", label: words.power_axis }], series: [{ scale: "W", colour: "power", width: 1.5 }],
      draw: u => { const ctx = u.ctx, { left, width } = u.bbox, at_level = at(u, "W", found.threshold); ctx.save(); stroke(u, "ink", { dash: [5, 4], width: 1.5 }); line(ctx, [left, at_level], [left + width, at_level]); label(ctx, words.level, left + 6, at_level - 6 * devicePixelRatio); ctx.restore(); } });
    const says = [[words.duration, `${number(found.hours, 1)} h`], [words.energy, `${number(found.kwh, 3)} kWh`], [words.a_day, `${number(found.kwh_per_day, 3)} kWh`], [words.duty_seen, `${number(100 * found.share, 1)} %`], [words.runs, number(found.runs, 0)],
      [words.running, `${number(found.running_w, 1)} W`], [words.resting, `${number(found.standby_w, 2)} W`], [words.cost_seen, `${number(found.kwh * price, 2)} ${data.edition.currency}`], [words.cost_year, `${number(found.kwh_per_day * 365 * price, 2)} ${data.edition.currency}`]];
    drawn.set([x, y], `${words.log_says} ${says.map(one => one.join(" ")).join("; ")}`);
    by("read").replaceChildren(...termsOf(says));
    by("about").textContent = words.about_log.replace("%1", () => series.at.length).replace("%2", () => number(found.usual_s)).replace("%3", () => found.gaps).replace("%4", () => series.dropped);
    by("compared").textContent = `${words.predicted} ${predicted}. ${words.measured} ${number(found.kwh_per_day, 3)} kWh.`;
    window.lesson.found = found;
  };
  const take = text => {
    table = readTable(text, { dayFirst: data.edition.name !== "120", mark, heads });
    by("problem").textContent = table.problem ? words[table.problem] : "";
    by("results").hidden = true;
    series = level = null;
    if (table.problem) return;
    by("column").replaceChildren(...table.columns.map(one => make("option", { value: one.k, textContent: one.name, selected: one.k === table.chosen })));
    pick(table.chosen);
  };
  const pick = k => {
    series = table.values(k); level = null;
    if (series.at.length < 3) { by("problem").textContent = words.too_few; series = null; return; }
    if (predicted !== null) { by("results").hidden = false; show(); } else by("problem").textContent = words.predict_first;
  };
  const read = file => file && file.text().then(take);
  by("file").onchange = () => read(by("file").files[0]);
  const zone = by("zone");
  for (const kind of ["dragover", "drop"]) addEventListener(kind, event => event.preventDefault());
  zone.ondragover = () => zone.classList.add("over");
  zone.ondragleave = () => zone.classList.remove("over");
  zone.ondrop = event => { zone.classList.remove("over"); read(event.dataTransfer.files[0]); };
  by("example").onclick = () => {
    const watts = meansOver(logged(data.edition.cabinet, 22, 24, 1000), 60);
    take(["time;power W", ...Array.from(watts, (w, k) => `${1790000000 + 60 * k};${(w + 1.2).toFixed(1).replace(".", mark)}`)].join("\n"));
  };
  by("column").onchange = () => pick(Number(by("column").value));
  by("level").onchange = () => { level = by("level").valueAsNumber; if (Number.isNaN(level)) level = null; show(); };
  by("price").oninput = show;
  by("predict").onsubmit = event => {
    event.preventDefault();
    const text = by("guess").value.trim(), got = parse(text, mark);
    if (got.problem || got.of !== "Wh") return void (by("guessed").textContent = words.kwh_wanted);
    predicted = text; by("guessed").textContent = words.predicted_noted; by("problem").textContent = "";
    if (series) { by("results").hidden = false; show(); }
  };
  by("print").onclick = () => print();
  window.lesson = { take, read: (text, options) => { const t = readTable(text, { dayFirst: true, mark, heads, ...options }); return t.problem ? t : { ...reckon(t.values(t.chosen)), chosen: t.columns.find(one => one.k === t.chosen).name, ...t.values(t.chosen) }; } };
}
