// What is known of each lane: a base of the whole log, and a closer detail of where one looks.

// Least, greatest and mean of equal stretches [t0 + i * step, ...).
export function piece(told, bytes) {
  const all = new Float32Array(bytes.buffer, bytes.byteOffset, bytes.byteLength / 4);
  const n = told.n;
  return {
    t0: told.t0, step: told.step, n, end: told.t0 + n * told.step, samples: told.samples, doubted: told.doubted,
    low: all.subarray(0, n), high: all.subarray(n, 2 * n), mean: all.subarray(2 * n, 3 * n),
  };
}

// Whether a piece shows [t0, t1] as closely as so many columns can.
export function suffices(p, t0, t1, log, columns) {
  if (!p) return false;
  const covers = p.t0 <= Math.max(t0, log[0]) && p.end >= Math.min(t1, log[1]);
  return covers && (p.samples === 1 || p.step <= (1.01 * (t1 - t0)) / columns);
}

// Least, greatest and mean in each of `width` columns of [t0, t1]; NaN where nothing is known.
// A stretch that lies in two columns counts in both, so no spike is lost.
export function columnsOf(lane, t0, t1, width) {
  const out = { low: new Float32Array(width), high: new Float32Array(width), mean: new Float32Array(width), coarse: false };
  const dt = (t1 - t0) / width;
  const { base, detail } = lane;
  for (let c = 0; c < width; c++) {
    const a = t0 + c * dt;
    const b = a + dt;
    const p = detail && detail.t0 <= a && b <= detail.end ? detail : base;
    let low = NaN, high = NaN, sum = 0, count = 0;
    if (p && b > p.t0) {
      const first = Math.max(Math.floor((a - p.t0) / p.step), 0);
      const stop = Math.min(Math.max(Math.ceil((b - p.t0) / p.step), first + 1), p.n);
      for (let i = first; i < stop; i++) {
        const mean = p.mean[i];
        if (mean !== mean) continue;
        if (!(p.low[i] >= low)) low = p.low[i];
        if (!(p.high[i] <= high)) high = p.high[i];
        sum += mean;
        count++;
      }
      if (p.samples > 1 || dt > 1.001 * p.step) out.coarse = true;
    }
    out.low[c] = low;
    out.high[c] = high;
    out.mean[c] = count ? sum / count : NaN;
  }
  return out;
}

// What a lane draws at an instant: {mean, low, high, samples}, or null.
export function valueAt(lane, t) {
  for (const p of [lane.detail, lane.base]) {
    if (!p || t < p.t0 || t >= p.end) continue;
    const i = Math.floor((t - p.t0) / p.step);
    if (p.mean[i] !== p.mean[i]) return null;
    return { mean: p.mean[i], low: p.low[i], high: p.high[i], samples: p.samples };
  }
  return null;
}

// What tells most of all of [t0, t1].
const pieceOf = ({ base, detail }, t0, t1) => (detail && detail.t0 <= t0 && detail.end >= t1 ? detail : base);

// Mean and highest reading between two instants, or null. Stretches count by how much of them lies there.
export function summaryOf(lane, t0, t1) {
  const p = pieceOf(lane, t0, t1);
  if (!p) return null;
  let sum = 0, known = 0, high = -Infinity;
  const stop = Math.min(Math.ceil((t1 - p.t0) / p.step), p.n);
  for (let i = Math.max(Math.floor((t0 - p.t0) / p.step), 0); i < stop; i++) {
    const from = p.t0 + i * p.step;
    const inside = Math.min(from + p.step, t1) - Math.max(from, t0);
    if (!(inside > 0) || p.mean[i] !== p.mean[i]) continue;
    sum += p.mean[i] * inside;
    known += inside;
    high = Math.max(high, p.high[i]);
  }
  return known ? { mean: sum / known, high } : null;
}

// Readings in doubt between two instants: [from, to, watts].
export function doubtedIn(lane, t0, t1) {
  const p = pieceOf(lane, t0, t1);
  return p ? p.doubted.filter(([from, to]) => to > t0 && from < t1) : [];
}

// Means of circuits laid on one another, with what the mains have beyond them. What is fed in lies
// below zero, so that what is above, less what is below, is what the mains say.
export function stackOf(loads, mains, t0, t1, width) {
  const layers = loads.map((lane) => ({ lane, mean: columnsOf(lane, t0, t1, width).mean }));
  let supply = null;
  if (mains.length) {
    supply = new Float32Array(width);
    const total = new Float32Array(width);
    for (const { mean } of layers) for (let c = 0; c < width; c++) total[c] += mean[c] || 0;
    for (const lane of mains) columnsOf(lane, t0, t1, width).mean.forEach((watts, c) => (supply[c] += watts));
    layers.push({ lane: null, mean: supply.map((watts, c) => Math.max(watts - total[c], 0)) });
  }
  const above = new Float32Array(width);
  const below = new Float32Array(width);
  for (const layer of layers) {
    layer.from = layer.mean.map((watts, c) => (watts < 0 ? below[c] : above[c]));
    layer.to = layer.mean.map((watts, c) => (watts < 0 ? (below[c] += watts) : (above[c] += watts || 0)));
  }
  return { layers, supply, above, below };
}

const ROUND = [1, 1.5, 2, 3, 4, 5, 6, 8, 10];

// The least of some figures, times a power of ten, that is not below x.
function roundUp(x, figures) {
  const size = 10 ** Math.floor(Math.log10(x));
  return figures.find((r) => r * size >= x * 0.999) * size;
}

// Round limits of a scale that hold `low` and `high`, `least` apart or more.
export function roundLimits(low, high, least) {
  const width = Math.max(high - low, least);
  const up = (x) => roundUp(x, ROUND);
  if (low >= 0 && low < high / 2) return [0, up(Math.max(high, least))];
  // Noise below zero gets a little room and no tick of its own.
  if (low < 0 && high > 0 && -low < high / 50) return [-up(Math.max(high, least)) / 33, up(Math.max(high, least))];
  if (low < 0 && high > 0) return [-up(-low), up(Math.max(high, least + low))];
  const step = 10 ** Math.floor(Math.log10(width)) / 5;
  const room = (width - (high - low)) / 2; // what hardly changes lies in the middle
  return [Math.floor((low - room) / step) * step, Math.ceil((high + room) / step) * step];
}

// Round ticks in [low, high], at most about so many; two where there is any room, or no height tells.
export function valueTicks(low, high, most) {
  for (let wanted = Math.max(most, 1); ; wanted *= 1.3) {
    const step = roundUp((high - low) / wanted, [1, 2, 5, 10]);
    const found = [];
    for (let k = Math.ceil(low / step - 1e-9); k * step <= high + 1e-9 * step; k++) found.push(k * step);
    if (found.length > 1 || wanted > 10 * most || !(high > low)) return found;
  }
}

export function valueText(value, unit) {
  if (unit === "on") return `${Math.round(100 * value)} % on`;
  const size = Math.abs(value);
  const places = unit === "W" ? (size < 10 && size % 1 ? 1 : 0) : unit === "Hz" ? 2 : 1;
  return `${(Number(value.toFixed(places)) + 0).toLocaleString("en", { minimumFractionDigits: unit === "W" ? 0 : 1 })} ${unit}`;
}
