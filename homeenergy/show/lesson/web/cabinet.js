// Figures of the lesson on duty cycle.
const atRest = (value, words, number) => Number.isFinite(value) ? `${number(value / 60, 1)} min` : words.for_good;

// Temperature inside with the thermostat's limits, power below it; on request the duty cycle against the room.
function cabinetFigure(box, step, edition, words, number) {
  const HOURS = 6, PERIOD = 20, model = { ...edition.cabinet }, given = step.given, n = HOURS * 3600 / PERIOD;
  const times = Float64Array.from({ length: n }, (_, k) => k * PERIOD / 3600), [low, high] = bandOf(model);
  const boxes = given.line ? [0, 1, 2] : [0, 1];
  const [first, second, third] = boxes.map(() => box.appendChild(make("div")));
  let now = null;
  const x = { label: words.hours, scale: "x" };
  const inside = chart(first, { height: 200, number, data: [[], []], scales: { x: [0, HOURS], C: [0, 10] }, axes: [x, { scale: "C", label: words.inside_axis }],
    series: [{ scale: "C", colour: "volts", width: 2.5 }], draw: u => { if (now) shadeRuns(u, times, now.on); limits(u, low, words.switches_off); limits(u, high, words.switches_on); } });
  const power = chart(second, { height: 130, number, data: [[], []], scales: { x: [0, HOURS], W: [0, 150] }, axes: [x, { scale: "W", label: words.power_axis }],
    series: [{ scale: "W", colour: "power", width: 2 }] });
  const rooms = step.controls.find(one => one.name === "room");
  let line = null, spot = null;
  if (given.line) {
    const all = Float64Array.from({ length: 101 }, (_, k) => rooms.low + (rooms.high - rooms.low) * k / 100);
    line = chart(third, { height: 190, number, data: [all, all.map(one => 100 * dutyCycle(model, one).share)], scales: { x: [rooms.low, rooms.high], P: [0, 110] },
      axes: [{ label: words.room_axis, scale: "x" }, { scale: "P", label: words.duty_axis }], series: [{ scale: "P", colour: "amps", width: 2.5 }],
      draw: u => { if (spot) dot(u, "P", ...spot); } });
  }
  return set => {
    const room = set.room ?? given.room;
    if (set.leak !== undefined) model.leak_w_per_k = set.leak;
    now = runCabinet(model, room, HOURS, PERIOD);
    const duty = dutyCycle(model, room), says = `${number(room, 1)} °C, ${number(100 * duty.share, 1)} %`;
    inside.set([times, now.inside], `${words.inside_says} ${says}`);
    power.set([times, Float64Array.from(now.on, one => one * model.compressor_w)], `${words.runs_say} ${says}`);
    if (line) { spot = [room, 100 * duty.share]; line.set(line.data, `${words.line_says} ${says}`); }
    return [[words.room, `${number(room, 1)} °C (${number(room * 1.8 + 32, 0)} °F)`], [words.heat_in, `${number(duty.leak_w, 1)} W`], [words.duty, `${number(100 * duty.share, 1)} %`],
      [words.runs_for, atRest(duty.run_s, words, number)], [words.rests_for, atRest(duty.rest_s, words, number)], [words.a_day, `${number(duty.kwh, 3)} kWh`]];
  };
}
function shadeRuns(u, times, on) {
  const ctx = u.ctx, { top, height } = u.bbox;
  ctx.save(); ctx.globalAlpha = 0.16; ctx.fillStyle = colour("power");
  for (let k = 0; k < on.length; k++) if (on[k]) {
    const begin = k;
    while (k < on.length && on[k]) k++;
    const left = at(u, "x", times[begin]);
    ctx.fillRect(left, top, at(u, "x", times[Math.min(k, on.length - 1)]) - left, height);
  }
  ctx.restore();
}
function limits(u, level, text) {
  const ctx = u.ctx, { left, width } = u.bbox, y = at(u, "C", level);
  ctx.save(); stroke(u, "ink", { dash: [4, 4], width: 1 }); line(ctx, [left, y], [left + width, y]);
  label(ctx, text, left + 6, y + (level > 4 ? -5 : 15) * devicePixelRatio); ctx.restore();
}

// The same half day as loggers of different periods write it.
function periodsFigure(box, step, edition, words, number) {
  const { hours, room, inrush_w: inrush } = step.given, watts = logged(edition.cabinet, room, hours, inrush);
  const holder = box.appendChild(make("div"));
  const scales = { all: [0, 1200], small: [0, 150] };
  let range = scales.all;
  const drawn = chart(holder, { height: 230, number, data: [[], []], scales: { x: [0, hours], W: () => range }, axes: [{ label: words.hours, scale: "x" }, { scale: "W", label: words.power_axis }],
    series: [{ scale: "W", colour: "power", width: 1.5 }] });
  return set => {
    range = scales[set.scale];
    const samples = Number(set.period), means = meansOver(watts, samples), x = [], y = [];
    // Stairs; equal readings in a row are one.
    means.forEach((one, k) => { if (k && means[k - 1] === one && means[k + 1] === one) return; x.push(k * samples / 3600, (k + 1) * samples / 3600); y.push(one, one); });
    drawn.set([x, y], `${words.periods_say} ${number(means.reduce((a, b) => Math.max(a, b)), 1)} W`);
    return [[words.highest, `${number(means.reduce((a, b) => Math.max(a, b)), 1)} W`], [words.lowest, `${number(means.reduce((a, b) => Math.min(a, b)), 1)} W`], [words.readings, number(means.length, 0)],
      [words.energy, `${number(means.reduce((a, b) => a + b) * samples / 3600, 1)} Wh`]];
  };
}

// A year of an appliance: in use and at standby, against the hours of use.
function standbyFigure(box, step, edition, words, number) {
  const { use_w: use } = step.given, most = step.controls.find(one => one.name === "standby").high;
  const hours = Float64Array.from({ length: 97 }, (_, k) => k / 4);
  keyOf(box, [["volts", words.in_use], ["amps", words.at_standby]]);
  let spot = null;
  const drawn = chart(box.appendChild(make("div")), { height: 230, number, data: [[], [], []], scales: { x: [0, 24], E: [0, roundUp(most * 24 * 365 / 1000 * 1.5)] },
    axes: [{ label: words.use_axis, scale: "x" }, { scale: "E", label: words.year_axis }],
    series: [{ scale: "E", colour: "volts", width: 2, dash: [6, 4] }, { scale: "E", colour: "amps", width: 2.5 }],
    draw: u => { if (spot) for (const one of spot.kwh) dot(u, "E", spot.hours, one); } });
  return set => {
    const year = yearlyKwh(use, set.standby, set.hours);
    spot = { hours: set.hours, kwh: [year.use, year.standby] };
    drawn.set([hours, hours.map(one => yearlyKwh(use, set.standby, one).use), hours.map(one => yearlyKwh(use, set.standby, one).standby)],
      `${words.standby_says} ${number(year.use, 1)} kWh, ${number(year.standby, 1)} kWh`);
    return [[words.in_use, `${number(year.use, 1)} kWh`], [words.at_standby, `${number(year.standby, 1)} kWh`], [words.standby_cost, `${number(year.standby * edition.price_per_kwh, 2)} ${edition.currency}`]];
  };
}
Object.assign(FIGURES, { cabinet: cabinetFigure, periods: periodsFigure, standby: standbyFigure });
