// Drawing of lanes with the calls of a canvas, so that a file of vectors is drawn by the same code.
import { doubtedIn } from "./lanes.js";

const WIDEST_PEAK = 8; // columns

// Colours by name, as the style sheet has them for the theme of an element.
export function themeOf(root) {
  const style = getComputedStyle(root);
  const colour = (name) => style.getPropertyValue(`--he-${name}`).trim();
  const names = ["text", "faint", "grid", "paper", "run", "rest"];
  return { ...Object.fromEntries(names.map((name) => [name, colour(name)])), lines: colour("lines").split(/\s+/) };
}

// A frame: {x, y, w, h} on the canvas, {t0, t1} in time, {low, high} in watts, {px} pixels for a line;
// with `snap`, heights are whole pixels, which is sharper and draws twice as fast.
export const yOf = (f, value) => {
  const y = f.y + f.h * (1 - (value - f.low) / (f.high - f.low));
  return f.snap ? Math.round(y) : y;
};
const xOf = (f, t) => f.x + (f.w * (t - f.t0)) / (f.t1 - f.t0);

// Stretches [from, to) of columns that are known; or, of those that are not.
function* stretches(values, known = true) {
  const n = values.length;
  for (let from = 0, to; from < n; from = to) {
    const here = values[from] === values[from];
    for (to = from + 1; to < n && (values[to] === values[to]) === here; ) to++;
    if (here === known) yield [from, to];
  }
}

// Steps through columns [from, to) at heights in pixels, forwards or backwards; `begun` goes on from
// where the path is. What does not change needs no point of its own.
function steps(ctx, f, heights, from, to, wide, { back = false, begun = false } = {}) {
  const n = to - from;
  let last = NaN;
  for (let k = 0; k < n; k++) {
    const c = back ? to - 1 - k : from + k;
    const y = heights[c];
    if (y !== last) {
      const x = f.x + (back ? c + 1 : c) * wide;
      if (last === last) ctx.lineTo(x, last);
      if (last !== last && !begun) ctx.moveTo(x, y);
      else ctx.lineTo(x, y);
      last = y;
    }
  }
  ctx.lineTo(f.x + (back ? from : to) * wide, last);
}

export function clipped(ctx, f, draw) {
  ctx.save();
  ctx.beginPath();
  ctx.rect(f.x, f.y, f.w, f.h);
  ctx.clip();
  draw();
  ctx.restore();
}

// Draw one lane: the mean as an area and a line, what lies between least and greatest, lone peaks.
export function drawLane(ctx, f, cols, colour, { area = true, faded = false, ink = null } = {}) {
  const { low, high, mean } = cols;
  const n = mean.length;
  const wide = f.w / n;
  const zero = yOf(f, Math.min(Math.max(0, f.low), f.high));
  const heights = mean.map((watts) => yOf(f, watts));
  // Neighbours touch, so that a step is an upright line; and a line is a pixel thick.
  const tops = high.map((watts, c) => yOf(f, c && low[c - 1] > watts ? low[c - 1] : watts));
  const bottoms = low.map((watts, c) => yOf(f, c && high[c - 1] < watts ? high[c - 1] : watts) + f.px);
  for (const [from, to] of stretches(mean)) {
    ctx.fillStyle = colour;
    if (area) {
      ctx.globalAlpha = faded ? 0.08 : 0.22;
      ctx.beginPath();
      ctx.moveTo(f.x + from * wide, zero);
      steps(ctx, f, heights, from, to, wide, { begun: true });
      ctx.lineTo(f.x + to * wide, zero);
      ctx.fill();
    }
    ctx.globalAlpha = faded ? 0.25 : cols.coarse ? 0.6 : 1;
    ctx.beginPath();
    steps(ctx, f, tops, from, to, wide);
    steps(ctx, f, bottoms, from, to, wide, { back: true, begun: true });
    ctx.fill();
    ctx.globalAlpha = faded ? 0.3 : 1;
    if (cols.coarse) drawPeaks(ctx, f, high, from, to, wide);
    if (cols.coarse && ink) {
      // Where an outline hides it, the mean is a line of its own.
      Object.assign(ctx, { strokeStyle: ink, lineWidth: f.px, globalAlpha: 0.65 });
      ctx.beginPath();
      steps(ctx, f, heights, from, to, wide);
      ctx.stroke();
    }
  }
  ctx.globalAlpha = 1;
}

// What stands out between its neighbours is drawn in full, two pixels wide or more. A stretch that lies
// in several columns is one peak.
function drawPeaks(ctx, f, high, from, to, wide) {
  const least = (f.high - f.low) / 12;
  const zero = yOf(f, Math.max(0, f.low));
  for (let c = from, end; c < to; c = end) {
    end = c + 1;
    while (end < to && high[end] === high[c]) end++;
    const around = Math.max(c > from ? high[c - 1] : 0, end < to ? high[end] : 0);
    if (high[c] - around <= least || end - c > WIDEST_PEAK) continue;
    const y = yOf(f, high[c]);
    ctx.fillRect(f.x + c * wide, y, Math.max((end - c) * wide, 2 * f.px), Math.max(zero - y, f.px));
  }
}

// Draw circuits on one another, and the mains as a line above them.
export function drawStack(ctx, f, { layers, supply }, colourOf) {
  const n = layers.length ? layers[0].mean.length : 0;
  const wide = f.w / n;
  for (const { lane, from, to } of layers) {
    ctx.fillStyle = colourOf(lane);
    ctx.globalAlpha = lane ? 0.8 : 0.45;
    ctx.beginPath();
    steps(ctx, f, to.map((watts) => yOf(f, watts)), 0, n, wide);
    steps(ctx, f, from.map((watts) => yOf(f, watts)), 0, n, wide, { back: true, begun: true });
    ctx.fill();
  }
  ctx.globalAlpha = 1;
  if (!supply) return;
  Object.assign(ctx, { strokeStyle: colourOf("mains"), lineWidth: f.px });
  const heights = supply.map((watts) => yOf(f, watts));
  for (const [from, to] of stretches(heights)) {
    ctx.beginPath();
    steps(ctx, f, heights, from, to, wide);
    ctx.stroke();
  }
}

// Shade runs: whole ones filled, those cut by a gap or an end of the log with a dashed frame.
export function drawRuns(ctx, f, runs, theme, chosen) {
  runs.forEach(([start, end, complete], number) => {
    if (end < f.t0 || start > f.t1) return;
    const x = xOf(f, start);
    const w = Math.max(xOf(f, end) - x, f.px);
    ctx.fillStyle = theme.run;
    ctx.globalAlpha = complete ? 0.18 : 0.07;
    ctx.fillRect(x, f.y, w, f.h);
    ctx.globalAlpha = 1;
    ctx.fillRect(x, f.y, w, 3 * f.px);
    ctx.strokeStyle = number === chosen ? theme.text : theme.run;
    ctx.lineWidth = number === chosen ? 2 * f.px : f.px;
    if (number === chosen || !complete) {
      ctx.setLineDash(complete ? [] : [4 * f.px, 3 * f.px]);
      ctx.strokeRect(x, f.y + f.px, w, f.h - 2 * f.px);
      ctx.setLineDash([]);
    }
  });
}

// Draw levels that decide what counts as a run, [watts, what it is], and where a run would be split.
export function drawLevels(ctx, f, levels, split, theme) {
  const colour = theme.lines[3];
  levels.forEach(([watts, text], k) => {
    if (watts < f.low || watts > f.high) return;
    const y = yOf(f, watts);
    Object.assign(ctx, { strokeStyle: colour, fillStyle: theme.text, lineWidth: 1.5 * f.px });
    ctx.setLineDash(k ? [6 * f.px, 3 * f.px] : [2 * f.px, 2 * f.px]);
    ctx.beginPath();
    ctx.moveTo(f.x, y);
    ctx.lineTo(f.x + f.w, y);
    ctx.stroke();
    // At either end, so that two levels near to each other can both be read.
    Object.assign(ctx, { font: `${11 * f.px}px sans-serif`, textAlign: k ? "left" : "right", textBaseline: "alphabetic" });
    ctx.fillText(text, k ? f.x + 4 * f.px : f.x + f.w - 4 * f.px, y - 4 * f.px);
  });
  if (split !== null && split > f.t0 && split < f.t1) {
    Object.assign(ctx, { strokeStyle: theme.text, lineWidth: 2 * f.px });
    ctx.setLineDash([5 * f.px, 3 * f.px]);
    ctx.beginPath();
    ctx.moveTo(xOf(f, split), f.y);
    ctx.lineTo(xOf(f, split), f.y + f.h);
    ctx.stroke();
  }
  ctx.setLineDash([]);
}

// Mark what is missing, what is in doubt, and where the clocks change.
export function drawMarks(ctx, f, lane, cols, theme, log, changes) {
  const { mean } = cols;
  const n = mean.length;
  ctx.strokeStyle = theme.faint;
  ctx.lineWidth = f.px;
  const gap = 6 * f.px;
  for (const [from, to] of stretches(mean, false)) {
    const left = Math.max(f.x + (f.w * from) / n, xOf(f, log[0]));
    const right = Math.min(f.x + (f.w * to) / n, xOf(f, log[1]));
    if (right <= left) continue;
    clipped(ctx, { ...f, x: left, w: right - left }, () => {
      ctx.globalAlpha = 0.45;
      ctx.beginPath();
      for (let x = Math.floor((left - f.h) / gap) * gap; x < right; x += gap) {
        ctx.moveTo(x, f.y + f.h);
        ctx.lineTo(x + f.h, f.y);
      }
      ctx.stroke();
    });
  }
  ctx.strokeStyle = theme.text;
  for (const [from, to, watts] of doubtedIn(lane, f.t0, f.t1)) {
    const x = xOf(f, from);
    const r = 3 * f.px;
    const y = Math.min(Math.max(yOf(f, watts), f.y + r + f.px), f.y + f.h - r);
    ctx.beginPath();
    ctx.moveTo(x - r, y - r);
    ctx.lineTo(x + r, y + r);
    ctx.moveTo(x + r, y - r);
    ctx.lineTo(x - r, y + r);
    ctx.stroke();
    ctx.setLineDash([f.px, 2 * f.px]);
    ctx.beginPath();
    ctx.moveTo(x, y);
    ctx.lineTo(xOf(f, to), y);
    ctx.stroke();
    ctx.setLineDash([]);
  }
  for (const { at } of changes) {
    if (at < f.t0 || at > f.t1) continue;
    ctx.setLineDash([5 * f.px, 2 * f.px, f.px, 2 * f.px]);
    ctx.beginPath();
    ctx.moveTo(xOf(f, at), f.y);
    ctx.lineTo(xOf(f, at), f.y + f.h);
    ctx.stroke();
    ctx.setLineDash([]);
  }
}

// Write ticks of time below a frame.
export function drawTimes(ctx, f, ticks, theme) {
  ctx.fillStyle = theme.text;
  ctx.strokeStyle = theme.faint;
  ctx.lineWidth = f.px;
  ctx.textAlign = "center";
  ctx.textBaseline = "top";
  let free = -Infinity;
  for (const { at, text, strong } of ticks) {
    const x = xOf(f, at);
    ctx.font = `${strong ? "bold " : ""}${11 * f.px}px sans-serif`;
    ctx.beginPath();
    ctx.moveTo(x, f.y);
    ctx.lineTo(x, f.y + 4 * f.px);
    ctx.stroke();
    const half = ctx.measureText(text).width / 2;
    if (x - half < free || x + half > f.x + f.w + 10 * f.px) continue;
    ctx.fillText(text, x, f.y + 6 * f.px);
    free = x + half + 4 * f.px;
  }
}

// A pen that takes what a canvas takes and writes an SVG.
export class SvgPen {
  constructor(width, height, ruler) {
    Object.assign(this, { width, height, ruler, parts: [], path: [], stack: [], open: 0, clips: 0 });
    Object.assign(this, { fillStyle: "#000", strokeStyle: "#000", lineWidth: 1, globalAlpha: 1, dash: [] });
    Object.assign(this, { font: "11px sans-serif", textAlign: "left", textBaseline: "alphabetic" });
  }
  static n = (x) => Number(x.toFixed(2));
  add(text) { this.parts.push(text); }
  save() {
    const { fillStyle, strokeStyle, lineWidth, globalAlpha, dash } = this;
    this.stack.push([this.open, { fillStyle, strokeStyle, lineWidth, globalAlpha, dash }]);
  }
  restore() {
    const [until, style] = this.stack.pop();
    for (; this.open > until; this.open--) this.add("</g>");
    Object.assign(this, style);
  }
  clip() {
    const id = `c${++this.clips}`;
    this.add(`<clipPath id="${id}"><path d="${this.path.join("")}"/></clipPath><g clip-path="url(#${id})">`);
    this.open++;
  }
  beginPath() { this.path = []; }
  moveTo(x, y) { this.path.push(`M${SvgPen.n(x)} ${SvgPen.n(y)}`); }
  lineTo(x, y) { this.path.push(`L${SvgPen.n(x)} ${SvgPen.n(y)}`); }
  rect(x, y, w, h) { this.path.push(`M${SvgPen.n(x)} ${SvgPen.n(y)}h${SvgPen.n(w)}v${SvgPen.n(h)}h${SvgPen.n(-w)}z`); }
  fill() { this.add(`<path d="${this.path.join("")}" fill="${this.fillStyle}" fill-opacity="${this.globalAlpha}"/>`); }
  stroke() {
    const dash = this.dash.length ? ` stroke-dasharray="${this.dash}"` : "";
    this.add(`<path d="${this.path.join("")}" fill="none" stroke="${this.strokeStyle}" stroke-opacity="${this.globalAlpha}" stroke-width="${this.lineWidth}"${dash}/>`);
  }
  fillRect(x, y, w, h) { this.beginPath(); this.rect(x, y, w, h); this.fill(); }
  strokeRect(x, y, w, h) { this.beginPath(); this.rect(x, y, w, h); this.stroke(); }
  setLineDash(dash) { this.dash = dash; }
  measureText(text) { this.ruler.font = this.font; return this.ruler.measureText(text); }
  fillText(text, x, y) {
    const anchor = { left: "start", center: "middle", right: "end" }[this.textAlign];
    const shift = { top: "0.8em", middle: "0.35em" }[this.textBaseline] ?? "0";
    const [, bold, size] = /^(bold )?([\d.]+)px/.exec(this.font);
    const safe = text.replace(/&/g, "&amp;").replace(/</g, "&lt;");
    this.add(`<text x="${SvgPen.n(x)}" y="${SvgPen.n(y)}" dy="${shift}" text-anchor="${anchor}" font-family="sans-serif" font-size="${size}"${bold ? ' font-weight="bold"' : ""} fill="${this.fillStyle}">${safe}</text>`);
  }
  text() {
    return `<svg xmlns="http://www.w3.org/2000/svg" width="${this.width}" height="${this.height}" viewBox="0 0 ${this.width} ${this.height}">${this.parts.join("\n")}</svg>\n`;
  }
}
