// Figures of the lesson on clamps.
const SVG = "http://www.w3.org/2000/svg";
const SHORT = { line: "L", neutral: "N", L1: "L1", L2: "L2" };
function draw(parent, name, attributes, text) {
  const one = parent.appendChild(document.createElementNS(SVG, name));
  for (const [key, value] of Object.entries(attributes)) one.setAttribute(key, value);
  if (text !== undefined) one.textContent = text;
  return one;
}

// The clamp seen along the wires: a dot comes towards you, a cross goes away. Those that go past it are outside the ring.
function drawClamp(svg, conductors) {
  svg.replaceChildren();
  draw(svg, "circle", { cx: 110, cy: 70, r: 52, class: "ring" });
  draw(svg, "line", { x1: 110, y1: 118, x2: 110, y2: 136, class: "lead" });
  const inside = conductors.filter(one => one.inside), outside = conductors.filter(one => !one.inside);
  const put = (one, x) => {
    draw(svg, "circle", { cx: x, cy: 70, r: 13, class: "wire" });
    if (one.forward) draw(svg, "circle", { cx: x, cy: 70, r: 4, class: "tip" });
    else { draw(svg, "line", { x1: x - 8, y1: 62, x2: x + 8, y2: 78, class: "tail" }); draw(svg, "line", { x1: x - 8, y1: 78, x2: x + 8, y2: 62, class: "tail" }); }
    draw(svg, "text", { x, y: 102, "text-anchor": "middle" }, SHORT[one.label]);
  };
  inside.forEach((one, k) => put(one, 110 + (k - (inside.length - 1) / 2) * 46));
  outside.forEach((one, k) => put(one, 210 + k * 60));
}

function clampFigure(box, step, edition, words, number) {
  const which = step.given.case, cycle = 1000 / edition.frequency_hz, svg = box.appendChild(document.createElementNS(SVG, "svg"));
  svg.setAttribute("viewBox", "0 0 300 140"); svg.setAttribute("class", "clamp"); svg.setAttribute("role", "img");
  const names = conductorsOf(edition, which, corners(step.controls)[0]).map(one => one.label), styles = ["volts", "power"];
  keyOf(box, [...names.map((name, k) => [styles[k], `${SHORT[name] === name ? "" : `${SHORT[name]}: `}${words.conductors[name]}`]), ["amps", words.sum]]);
  const all = corners(step.controls).map(set => conductorsOf(edition, which, set)), most = Math.max(...all.map(one => Math.max(clampReads(edition, one).reads_a, ...one.map(c => c.amps))));
  const times = Float64Array.from({ length: 257 }, (_, k) => k / 128 * cycle), high = roundUp(1.05 * ROOT2 * most);
  const sine = (size, angle) => times.map(t => ROOT2 * size * Math.sin(2 * Math.PI * t / cycle + angle));
  const drawn = chart(box.appendChild(make("div")), { height: 220, number, data: [[], [], [], []], scales: { x: [0, 2 * cycle], A: [-high, high] },
    axes: [{ label: words.milliseconds, scale: "x" }, { scale: "A", label: words.amps_axis }],
    series: [{ scale: "A", colour: "volts", width: 2, dash: [6, 4] }, { scale: "A", colour: "power", width: 2, dash: [2, 3] }, { scale: "A", colour: "amps", width: 3 }] });
  return set => {
    const conductors = conductorsOf(edition, which, set), found = clampReads(edition, conductors, set.multiplier);
    drawClamp(svg, conductors);
    const each = conductors.map(one => { const [re, im] = phasorOf(one); return one.inside ? sine(Math.hypot(re, im), Math.atan2(im, re)) : Array.from(times, () => null); });
    const reads = [`${number(found.reads_a, 2)} A`, `${number(found.reads_w, 0)} W`];
    svg.setAttribute("aria-label", `${words.clamp_round} ${conductors.filter(one => one.inside).map(one => words.conductors[one.label]).join(", ")}`);
    drawn.set([times, ...each, sine(found.reads_a, found.angle)], `${words.clamp_says} ${reads.join(", ")}`);
    const truth = which === "cable" ? edition.volts_v * set.amps : edition.between_legs_v * edition.between_a;
    return [[words.clamp_reads, reads[0]], [words.logger_shows, reads[1]], [words.load_draws, `${number(truth, 0)} W`]];
  };
}

// What the clamp reads against the load's current, and the rating beyond which it cannot be trusted.
function turnsFigure(box, step, edition, words, number) {
  const { rating } = step.given, end = step.controls.find(one => one.name === "amps").high, all = Float64Array.from({ length: 51 }, (_, k) => k / 50 * end);
  let spot = null;
  const drawn = chart(box.appendChild(make("div")), { height: 240, number, data: [[], []], scales: { x: [0, end], A: [0, 100] },
    axes: [{ label: words.load_axis, scale: "x" }, { scale: "A", label: words.reading_axis }], series: [{ scale: "A", colour: "amps", width: 2.5 }],
    draw: u => {
      const ctx = u.ctx, { left, top, width } = u.bbox, y = at(u, "A", rating);
      ctx.save(); ctx.globalAlpha = 0.15; ctx.fillStyle = colour("amps"); ctx.fillRect(left, top, width, y - top); ctx.restore();
      ctx.save(); stroke(u, "ink", { dash: [5, 4], width: 1.5 }); line(ctx, [left, y], [left + width, y]); const short = `${words.rating} ${number(rating, 0)} A`, whole = `${short}: ${words.beyond}`;
      ctx.font = `${13 * devicePixelRatio}px system-ui, sans-serif`;
      label(ctx, ctx.measureText(whole).width < width - 12 ? whole : short, left + 6, y - 6 * devicePixelRatio); ctx.restore();
      if (spot && spot[1] <= 100) dot(u, "A", ...spot);
    } });
  return set => {
    const sensed = clampReads(edition, [{ amps: set.amps, lag: 0, forward: true, passes: set.turns, inside: true }]).reads_a, over = sensed > rating;
    spot = [set.amps, sensed];
    const reads = over ? words.too_large : `${number(sensed, 1)} A`;
    drawn.set([all, Array.from(all, one => one * set.turns > 100 ? null : one * set.turns)], `${words.turns_say} ${number(sensed, 1)} A`);
    return [[words.through_window, `${number(sensed, 1)} A`], [words.clamp_reads, reads]];
  };
}

// One start of a pump on three clamps, all on one scale of watts, with two marks to read at.
function pumpFigure(box, step, edition, words, number) {
  const names = ["well_pump", "mains_l1", "mains_l2"], log = edition.pump, seconds = Float64Array.from(log.well_pump, (_, k) => k);
  keyOf(box, names.map((name, k) => [["amps", "volts", "power"][k], words.clamps[name]]));
  let marks = null, range = [0, 5000];
  const stairs = values => Float64Array.from({ length: 2 * values.length }, (_, k) => values[k >> 1]);
  const data = [Float64Array.from({ length: 2 * seconds.length }, (_, k) => (k + 1) >> 1), ...names.map(name => stairs(log[name]))];
  const drawn = chart(box.appendChild(make("div")), { height: 320, number, data, scales: { x: [0, seconds.length], W: () => range },
    axes: [{ label: words.seconds, scale: "x" }, { scale: "W", label: words.power_axis }],
    series: [{ scale: "W", colour: "amps", width: 2.5 }, { scale: "W", colour: "volts", width: 2, dash: [6, 4] }, { scale: "W", colour: "power", width: 2, dash: [2, 3] }],
    draw: u => { if (!marks) return; const ctx = u.ctx, { top, height } = u.bbox;
      marks.forEach((mark, k) => { stroke(u, "ink", { dash: [4, 3], width: 1.5 }); const x = at(u, "x", mark + 0.5); line(ctx, [x, top], [x, top + height]); label(ctx, String(k + 1), x + 4, top + 14 * devicePixelRatio); }); } });
  return set => {
    marks = [set.before, set.after];
    range = [0, set.scale === "all" ? 5000 : 2000];
    const told = name => marks.map(mark => `${number(log[name][mark], 0)} W`).join(" | ");
    drawn.set(data, `${words.pump_says} ${names.map(name => `${words.clamps[name]} ${told(name)}`).join("; ")}`);
    return [[words.marks, marks.map(mark => `${mark} s`).join(" | ")], ...names.map(name => [words.clamps[name], told(name)])];
  };
}
Object.assign(FIGURES, { clamp: clampFigure, turns: turnsFigure, pump: pumpFigure });
