// Formulas of the lessons. Each is the library's own, written once more for a page without it;
// tests/browser/test_lesson_pages.py compares them over the whole range of each control.
const SAMPLES = 4096; // of one cycle, as the library's rectifier has
const DIODE_V = 0.9, LEAST_RAIL_V = 10, SETTLING_CYCLES = 60, SOURCE_OHM = 1;
const FIFTH_RAD = Math.PI; // a fifth harmonic that flattens the crests
const ROOT2 = Math.sqrt(2);

// Sine and cosine of an order over one cycle, reckoned once: a figure moves at every frame.
const tables = new Map();
function tableOf(order, shift) {
  const key = `${order} ${shift}`;
  if (!tables.has(key)) tables.set(key, [Math.sin, Math.cos].map(f => Float64Array.from({ length: SAMPLES }, (_, k) => f(2 * Math.PI * order * (k + shift) / SAMPLES))));
  return tables.get(key);
}
// One cycle of a sum of sines: each part of the mains times a complex admittance of its order.
function wave(mains, admittance) {
  const total = new Float64Array(SAMPLES);
  for (const [order, rms, angle] of mains.parts) {
    const [re, im] = admittance(order), size = ROOT2 * rms * Math.hypot(re, im), turned = angle + Math.atan2(im, re);
    const [sine, cosine] = tableOf(order, mains.shift), a = size * Math.cos(turned), b = size * Math.sin(turned);
    for (let k = 0; k < SAMPLES; k++) total[k] += a * sine[k] + b * cosine[k];
  }
  return total;
}

function mainsOf(edition, { fifth = 0, shift = 0 } = {}) {
  const parts = [[1, edition.volts_v, 0]];
  if (fifth) parts.push([5, fifth * edition.volts_v, FIFTH_RAD]);
  return { parts, shift, omega: 2 * Math.PI * edition.frequency_hz };
}
const heater = (mains, ohm) => wave(mains, () => [1 / ohm, 0]);
const capacitor = (mains, farad) => wave(mains, order => [0, order * mains.omega * farad]);
const motor = (mains, ohm, henry) => wave(mains, order => {
  const x = order * mains.omega * henry, square = ohm * ohm + x * x;
  return [ohm / square, -x / square];
});
function dimmer(mains, ohm, degrees) {
  const volts = wave(mains, () => [1, 0]);
  return volts.map((v, k) => (2 * (k + mains.shift) / SAMPLES) % 1 >= degrees / 180 ? v / ohm : 0);
}

const lagging = (mains, amps, degrees) => wave({ ...mains, parts: [[1, amps, -degrees * Math.PI / 180]] }, () => [1, 0]);

// A bridge rectifier with a smoothing capacitor and a load of constant power, walked to its steady state.
let lastRectifier = {};
function rectifier(mains, watts, farad) {
  const key = JSON.stringify([mains, watts, farad]);
  if (lastRectifier.key !== key) lastRectifier = { key, amps: walkRectifier(mains, watts, farad) };
  return lastRectifier.amps;
}
function walkRectifier(mains, watts, farad) {
  const volts = wave(mains, () => [1, 0]), step = 2 * Math.PI / mains.omega / SAMPLES, amps = new Float64Array(SAMPLES);
  let rail = Math.max(...volts) - 2 * DIODE_V;
  for (let cycle = 0; cycle < SETTLING_CYCLES; cycle++) {
    const before = rail;
    for (let k = 0; k < SAMPLES; k++) {
      const flow = Math.max(Math.abs(volts[k]) - 2 * DIODE_V - rail, 0) / (SOURCE_OHM + step / farad);
      rail += step * (flow - watts / Math.max(rail, LEAST_RAIL_V)) / farad;
      amps[k] = Math.sign(volts[k]) * flow;
    }
    if (Math.abs(rail - before) < 1e-7 * Math.max(rail, 1)) break;
  }
  return amps;
}

function meanOf(a, b) {
  let sum = 0;
  for (let k = 0; k < a.length; k++) sum += a[k] * b[k];
  return sum / a.length;
}
const plus = (a, b) => a.map((one, k) => one + b[k]);

// Volts, amps and powers of one cycle, after IEEE Std 1459; the lag is that of the fundamental.
function measure(volts, amps) {
  const v = Math.sqrt(meanOf(volts, volts)), a = Math.sqrt(meanOf(amps, amps)), w = meanOf(volts, amps);
  const [sine, cosine] = tableOf(1, 0), re = meanOf(amps, sine), im = meanOf(amps, cosine), ref = meanOf(volts, sine), imf = meanOf(volts, cosine);
  const turned = (Math.atan2(imf, ref) - Math.atan2(im, re)) * 180 / Math.PI;
  return { volts_v: v, amps_a: a, real_w: w, apparent_va: v * a, power_factor: a ? w / (v * a) : 1, lag_deg: a ? turned - 360 * Math.round(turned / 360) : 0 };
}
// A resistor behind a dimmer, in closed form: exact at every angle.
function dimmerPowers(edition, ohm, degrees) {
  const cut = degrees * Math.PI / 180, share = 1 - cut / Math.PI + Math.sin(2 * cut) / (2 * Math.PI);
  const v = edition.volts_v, a = v / ohm * Math.sqrt(share);
  return { volts_v: v, amps_a: a, real_w: v * v / ohm * share, apparent_va: v * a, power_factor: Math.sqrt(share) };
}
// The current against the capacitor is the root of a parabola: the mean square of i + C g.
function currentAgainst(mains, amps) {
  const each = capacitor(mains, 1), square = meanOf(amps, amps), cross = meanOf(amps, each), own = meanOf(each, each);
  return { at: farad => Math.sqrt(Math.max(0, square + 2 * farad * cross + farad * farad * own)), least: -cross / own };
}

// Loads of the lesson on power factor: what a step's controls, in its units, make of its mains.
function bench(edition, load, set) {
  const mains = mainsOf(edition, { fifth: (set.fifth || 0) / 100, shift: load === "dimmer" ? 0.5 : 0 });
  const volts = wave(mains, () => [1, 0]), kind = load === "chosen" ? set.load : load;
  const henry = set.milli === undefined ? edition.motor_h : set.milli / 1000;
  const runs = () => motor(mains, edition.motor_ohm, henry);
  const supply = () => rectifier(mains, edition.supply_w, edition.supply_farad);
  const alone = { heater: () => heater(mains, set.ohm), motor: runs, supply, both: () => plus(runs(), supply()),
    dimmer: () => dimmer(mains, edition.lamp_ohm, set.cut), lagging: () => lagging(mains, set.amps, set.lag) }[kind]();
  const amps = set.micro ? plus(alone, capacitor(mains, set.micro * 1e-6)) : alone;
  const found = kind === "dimmer" ? dimmerPowers(edition, edition.lamp_ohm, set.cut) : measure(volts, amps);
  return { mains, volts, alone, amps, found };
}

// A refrigerator under a thermostat: C dT/dt = leak (room - T) - cooling, solved exactly within a sample.
const dropOf = model => model.compressor_w * model.cooling_per_w / model.leak_w_per_k;
const bandOf = model => [model.set_c - model.band_k / 2, model.set_c + model.band_k / 2];
function runCabinet(model, room, hours, period) {
  const n = Math.round(hours * 3600 / period), inside = new Float64Array(n), on = new Uint8Array(n), drop = dropOf(model);
  const decay = Math.exp(-period / 3600 * model.leak_w_per_k / model.heat_capacity_wh_per_k), [low, high] = bandOf(model);
  let t = high, running = true;
  for (let k = 0; k < n; k++) {
    running = running ? t > low : t >= high;
    inside[k] = t; on[k] = running ? 1 : 0;
    const goal = running ? room - drop : room;
    t = goal + (t - goal) * decay;
  }
  return { inside, on };
}
// Heat that leaks in over heat that can be moved, and how long a run and a rest last, in closed form.
function dutyCycle(model, room) {
  const share = Math.min(Math.max(model.leak_w_per_k * (room - model.set_c) / (model.compressor_w * model.cooling_per_w), 0), 1);
  const hours = model.heat_capacity_wh_per_k / model.leak_w_per_k, [low, high] = bandOf(model), goal = room - dropOf(model);
  return { share, kwh: model.compressor_w * share * 24 / 1000, leak_w: model.leak_w_per_k * (room - model.set_c),
    run_s: goal < low ? 3600 * hours * Math.log((high - goal) / (low - goal)) : Infinity, rest_s: room > high ? 3600 * hours * Math.log((room - low) / (room - high)) : Infinity };
}
// Its power as a logger of one reading a second sees it, with the inrush of a motor, and means over longer periods.
function logged(model, room, hours, inrush) {
  const { on } = runCabinet(model, room, hours, 1);
  return Float64Array.from(on, (one, k) => one ? (k && !on[k - 1] || !k ? inrush : model.compressor_w) : 0);
}
const meansOver = (watts, samples) => Float64Array.from({ length: Math.floor(watts.length / samples) }, (_, k) => {
  let sum = 0;
  for (let i = k * samples; i < (k + 1) * samples; i++) sum += watts[i];
  return sum / samples;
});
const yearlyKwh = (watts, standby, hours) => ({ use: watts * hours * 365 / 1000, standby: standby * (24 - hours) * 365 / 1000 });

// Ampere's law: a clamp senses the sum of all currents through its window, each with its direction and its passes.
function conductorsOf(edition, which, set) {
  if (which === "cable") return [
    { label: "line", amps: set.amps, lag: 0, forward: true, inside: set.through !== "neutral" },
    { label: "neutral", amps: set.amps, lag: 0, forward: false, inside: set.through !== "line" }];
  const amps = edition.between_a, lag = -(180 - edition.leg_angle_deg) / 2;
  return [{ label: "L1", amps, lag, forward: true, inside: set.through !== "other" },
    { label: "L2", amps, lag, forward: set.through === "turned", inside: set.through !== "one" }];
}
const phasorOf = one => { const size = (one.forward ? 1 : -1) * (one.passes || 1) * one.amps, angle = -one.lag * Math.PI / 180; return [size * Math.cos(angle), size * Math.sin(angle)]; };
function clampReads(edition, conductors, multiplier = 1) {
  const [re, im] = conductors.filter(one => one.inside).map(phasorOf).reduce(([a, b], [c, d]) => [a + c, b + d], [0, 0]);
  return { reads_a: Math.hypot(re, im), reads_w: edition.volts_v * re * multiplier, angle: Math.atan2(im, re) };
}
