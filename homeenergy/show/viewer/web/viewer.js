// The viewer: what is looked at, the lanes that show it, and what is asked of the kernel.
import { asked } from "./link.js";
import { makeClock, lengthText } from "./clock.js";
import { columnsOf, piece, roundLimits, stackOf, suffices, valueAt, valueText, valueTicks } from "./lanes.js";
import { clipped, drawLane, drawLevels, drawMarks, drawRuns, drawStack, drawTimes, themeOf } from "./draw.js";
import { listenTo } from "./hand.js";
import { build, element, fillList, showCard, showLegend, showTable, wordsOf } from "./parts.js";
import { followNow } from "./now.js";
import { saveAs, savePicture } from "./save.js";

export const LEFT = 62; // pixels for the watts
export const RIGHT = 10;
const ASK_AFTER_MS = 70;
const STILL_AFTER_MS = 120;
const BUSY_AFTER_MS = 2000;
const REMEMBERED = 50;
const MOVING_COLUMNS = 16000; // of all lanes in a frame: sixteen on a wide screen
const BASE_POINTS = 1500; // stretches of the whole log
const MOST_READ = 14; // circuits named at the pointer
const MARGIN = 0.03; // of the log, that may be seen before and after it
const LEAST_SAMPLES = 10;
const LEAST_W = 50; // so that the noise of a clamp does not fill a lane

export class Viewer {
  constructor(root, link) {
    Object.assign(this, { root, link, lanes: new Map(), shown: [], panes: [], earlier: [], runs: new Map() });
    Object.assign(this, { arrange: "lanes", drag: "moves", wheel: true, showRuns: false, moving: false, dirty: false });
    Object.assign(this, { pointer: null, selection: null, chosen: null, hand: null, bright: null, solo: null, undo: 0 });
    Object.assign(this, { limits: new Map(), colours: new Map(), levels: [], split: null, asking: false, timer: 0, still: 0, latency: [], frames: 0 });
    this.parts = build(root, this);
    this.seen = new IntersectionObserver((entries) => {
      for (const { target, isIntersecting } of entries) {
        const pane = this.panes.find((one) => one.el === target);
        if (pane) pane.visible = isIntersecting;
      }
      this.look();
    }, { rootMargin: "60px" });
    this.sizes = new ResizeObserver(() => this.resize());
    this.media = matchMedia("(prefers-color-scheme: dark)");
    this.retheme = () => {
      const before = this.dark;
      this.applyTheme();
      if (this.dark !== before && this.view) (fillList(this), this.arrangePanes());
    };
    this.media.addEventListener("change", this.retheme);
    this.body = new MutationObserver(this.retheme);
    this.body.observe(document.body, { attributes: true });
    this.applyTheme();
  }

  // Ask for what there is, and show it.
  async open() {
    const { said, buffers } = await asked(this.link, { kind: "open" });
    this.about = said;
    this.log = said.log;
    this.applyTheme(); // colours are known once the element is part of the page
    this.clock = makeClock(said.clock);
    said.lanes.forEach((lane, number) => this.lanes.set(lane.name, { ...lane, number, base: null, detail: null }));
    this.take(said.base, buffers, "base");
    this.view = this.within(...said.view);
    this.shown = said.shown.filter((name) => this.lanes.has(name));
    this.hand = this.shown[0] ?? null;
    listenTo(this);
    fillList(this);
    if (said.about) this.beginAbout(said.about);
    this.sizes.observe(this.parts.stage);
    this.arrangePanes();
    this.sayShown();
    if (!said.about) followNow(this);
  }

  // Part of a panel about one circuit: no list, runs shown, and each in step with the other.
  beginAbout(about) {
    this.root.dataset.about = about.lane;
    this.showRuns = this.parts.runs.checked = true;
    this.link.listen?.((said) => this.told(said));
    this.told(about);
  }

  // What the kernel tells unasked: where to look, or runs found anew and what decides about them.
  told(said) {
    if (said.kind === "look") return this.go(said.t0, said.t1);
    this.runs.set(said.lane, said.runs);
    Object.assign(this, { levels: said.levels, split: said.split });
    this.chosen = said.chosen === null ? null : { lane: said.lane, number: said.chosen, at: null };
    if (this.panes.length) this.parts.said.textContent = wordsOf(this);
    this.redraw();
  }

  destroy() {
    this.seen.disconnect();
    this.sizes.disconnect();
    this.body.disconnect();
    this.media.removeEventListener("change", this.retheme);
    for (const pane of this.panes) pane.u?.destroy();
    clearTimeout(this.timer);
    clearTimeout(this.still);
    this.gone = true;
  }

  applyTheme() {
    const lab = document.body.dataset.jpThemeLight;
    this.dark = lab ? lab === "false" : this.media.matches;
    this.root.dataset.theme = this.dark ? "dark" : "light";
    this.theme = themeOf(this.root);
  }

  colour(name) {
    const lines = this.theme.lines;
    return this.colours.get(name) ?? lines[this.lanes.get(name).number % lines.length];
  }

  // ---- where one looks

  get width() {
    return Math.max(this.parts.stage.clientWidth - LEFT - RIGHT, 50);
  }

  within(t0, t1) {
    const log = this.log[1] - this.log[0];
    const finest = Math.min(...[...this.lanes.values()].map((lane) => lane.period ?? Infinity), log);
    const least = LEAST_SAMPLES * finest;
    const width = Math.min(Math.max(t1 - t0, least), Math.max(log * (1 + 2 * MARGIN), least));
    if (t1 - t0 < least) t0 = (t0 + t1 - width) / 2;
    const low = this.log[0] - log * MARGIN;
    const high = Math.max(this.log[1] + log * MARGIN - width, low);
    t0 = Math.min(Math.max(t0, low), high);
    return [t0, t0 + width];
  }

  // Look elsewhere. `remember` keeps where one looked, to come back to.
  go(t0, t1, { remember = true } = {}) {
    if (remember) this.remember();
    this.view = this.within(t0, t1);
    this.moved();
  }

  remember() {
    const last = this.earlier.at(-1);
    if (last && last.view[0] === this.view[0] && last.view[1] === this.view[1] && last.limits.size === this.limits.size) return;
    this.earlier = [...this.earlier.slice(1 - REMEMBERED), { view: this.view, limits: new Map(this.limits) }];
  }

  moved() {
    this.moving = true;
    clearTimeout(this.still);
    this.still = setTimeout(() => ((this.moving = false), this.redraw(), this.settled()), STILL_AFTER_MS);
    this.look();
  }

  settled() {
    this.parts.said.textContent = wordsOf(this);
    if (this.about.about) this.attempt(() => asked(this.link, { kind: "seen", t0: this.view[0], t1: this.view[1] }));
    const share = (100 * (this.view[1] - this.view[0])) / (this.log[1] - this.log[0]);
    this.parts.strip.setAttribute("aria-label", `The whole log, ${this.clock.span(...this.log)}; in view ${Number(Math.min(share, 100).toPrecision(2))} % of it`);
  }

  zoom(times, at = (this.view[0] + this.view[1]) / 2, options) {
    const [a, b] = this.view;
    const finest = this.within(at, at);
    const width = Math.max((b - a) / times, finest[1] - finest[0]);
    const t0 = at - ((at - a) / (b - a)) * width;
    this.go(t0, t0 + width, options);
  }

  pan(share, options) {
    const by = (this.view[1] - this.view[0]) * share;
    this.go(this.view[0] + by, this.view[1] + by, options);
  }

  whole() {
    this.remember();
    this.limits.clear();
    this.go(...this.log, { remember: false });
    this.readAnew().then((grown) => grown && !this.gone && this.go(...this.log, { remember: false }));
  }

  back() {
    const last = this.earlier.pop();
    if (!last) return this.say("there is no earlier view");
    this.limits = last.limits;
    this.go(...last.view, { remember: false });
  }

  // ---- what is shown

  choose(names) {
    this.shown = [...this.lanes.keys()].filter((name) => names.includes(name));
    if (!this.shown.includes(this.hand)) this.hand = this.shown[0] ?? null;
    this.solo = null;
    fillList(this);
    this.sayShown();
    this.arrangePanes();
    if (this.selection) this.select(...this.selection);
  }

  sayShown() {
    const { house, remarks } = this.about;
    this.say([`${house}: ${this.shown.length} of ${this.lanes.size} lanes shown`, ...(remarks ?? [])].join(". "));
  }

  // Show one lane alone; once more shows those of before.
  only(name) {
    const before = this.solo?.name === name ? this.solo.before : null;
    const kept = this.solo?.before ?? this.shown;
    this.choose(before ?? [name]);
    if (!before) this.solo = { name, before: kept };
    fillList(this);
  }

  get inLanes() {
    return this.arrange === "lanes" || this.arrange === "same";
  }

  hasReadings(name) {
    return this.lanes.get(name).kwh !== null || !this.isPower(name);
  }

  // Loads of a circuit that several share.
  loadsOf(name) {
    return [...this.lanes.values()].filter((lane) => lane.of === name && this.hasReadings(lane.name));
  }

  // Loads of the circuits that are shown.
  get beneath() {
    return this.shown.flatMap((name) => this.loadsOf(name).map((lane) => lane.name));
  }

  // Lanes that may be laid on one another: each circuit that is shared gives way to its loads.
  apart(names) {
    const loads = (name) => this.loadsOf(name).map((lane) => lane.name);
    return [...new Set(names.flatMap((name) => (loads(name).length ? loads(name) : name)))];
  }

  // Whether readings are there that have not come yet.
  isAwaited(name) {
    return !this.lanes.get(name).base && this.hasReadings(name);
  }

  isPower(name) {
    return this.lanes.get(name).power;
  }

  arrangePanes() {
    for (const pane of this.panes) {
      this.seen.unobserve(pane.el);
      pane.u?.destroy();
    }
    const watts = this.shown.filter((name) => this.isPower(name));
    const power = this.arrange === "stack" ? this.apart(watts) : watts;
    const groups = this.shown.map((name) => [name]);
    const together = !this.inLanes;
    const all = together && power.length ? [power, ...groups.filter(([name]) => !this.isPower(name))] : groups;
    this.panes = all.map((names) => this.makePane(names, together && this.isPower(names[0])));
    this.parts.lanes.replaceChildren(...this.panes.map((pane) => pane.el));
    if (!all.length) this.parts.lanes.append(element("p", { class: "he-empty", text: "No circuit is chosen. Tick some in the list." }));
    for (const pane of this.panes) this.seen.observe(pane.el);
    showLegend(this);
    if (this.showRuns) this.findRuns();
    this.needBase();
    this.settled();
    this.look();
  }

  makePane(names, together) {
    const n = this.shown.length;
    const height = together || this.about.about ? (together ? 340 : 230) : Math.min(Math.max(Math.floor(540 / n), 46), 130);
    const stacked = together && this.arrange === "stack";
    const title = together ? (stacked ? "Circuits on one another, mean power" : "Circuits on one scale") : this.lanes.get(names[0]).label;
    const value = element("span", { class: "he-value" });
    const label = element("div", { class: "he-label" });
    if (!together) label.append(element("i", { class: "he-swatch", style: `background:${this.colour(names[0])}` }));
    label.append(element("span", { text: title }));
    const loads = together ? [] : this.loadsOf(names[0]);
    for (const lane of loads) label.append(" ", element("i", { class: "he-swatch", style: `background:${this.colour(lane.name)}` }), lane.label);
    if (loads.some((lane) => !lane.told)) label.append(" (a guess: they cannot be told from each other)");
    label.append(value);
    const el = element("div", { class: "he-pane", style: `height:${height}px` });
    el.append(label);
    return { el, names, height, stacked, together, loads, value, visible: false, u: null, range: [0, 1], ticks: [] };
  }

  // Charts are made when they come into sight.
  chartOf(pane) {
    if (pane.u) return pane.u;
    const faint = () => this.theme.faint;
    const grid = { stroke: () => this.theme.grid, width: 1 };
    const font = "11px sans-serif";
    pane.u = new uPlot(
      {
        width: this.parts.stage.clientWidth, height: pane.height, padding: [5, RIGHT, 8, 0],
        legend: { show: false }, cursor: { show: false }, select: { show: false },
        scales: { x: { time: false }, y: { auto: false } },
        axes: [
          { size: 0, gap: 0, ticks: { show: false }, grid, stroke: faint, splits: () => this.timeTicks.map((tick) => tick.at), values: (u, at) => at.map(() => "") },
          { size: LEFT, gap: 4, ticks: { show: false }, grid, stroke: () => this.theme.text, font, splits: () => pane.ticks, values: (u, at) => at.map((watts) => valueText(watts, pane.unit)) },
        ],
        series: [{}, { paths: () => null, points: { show: false } }],
        hooks: { draw: [(u) => this.drawPane(u.ctx, pane, this.frameOf(u, pane))] },
      },
      [[0, 1], [0, 1]],
      pane.el,
    );
    return pane.u;
  }

  frameOf(u, pane) {
    const { left, top, width, height } = u.bbox;
    return { x: left, y: top, w: width, h: height, t0: this.view[0], t1: this.view[1], low: pane.range[0], high: pane.range[1], px: devicePixelRatio, snap: true };
  }

  resize() {
    const width = this.parts.stage.clientWidth;
    if (width < 60 || width === this.lastWidth) return;
    this.lastWidth = width;
    if (!this.theme.text) (this.applyTheme(), fillList(this), this.arrangePanes());
    for (const pane of this.panes) pane.u?.setSize({ width, height: pane.height });
    this.redraw();
    this.look();
  }

  // ---- drawing, once a frame

  redraw() {
    if (this.dirty || this.gone) return;
    this.dirty = true;
    requestAnimationFrame(() => {
      this.dirty = false;
      if (!this.gone && this.view) this.draw();
    });
  }

  // Columns of a lane. While one moves, many lanes have fewer and wider ones, which draw sooner.
  get columns() {
    if (!this.moving) return Math.round(this.width * devicePixelRatio);
    const share = MOVING_COLUMNS / (this.width * this.panes.filter((pane) => pane.visible).length);
    return Math.round(this.width * Math.min(Math.max(share, 0.5), 1));
  }

  draw() {
    this.frames++;
    const [t0, t1] = this.view;
    this.timeTicks = this.clock.ticks(t0, t1, this.width / 75);
    const columns = this.columns;
    const measured = this.arrange === "same" ? this.panes : this.panes.filter((pane) => pane.visible);
    for (const pane of measured) this.measure(pane, columns);
    if (this.arrange === "same") this.shareScale();
    for (const pane of this.panes) {
      if (!pane.visible) continue;
      pane.ticks = valueTicks(...pane.range, pane.height / 32);
      const u = this.chartOf(pane);
      u.batch(() => {
        u.setScale("x", { min: t0, max: t1 });
        u.setScale("y", { min: pane.range[0], max: pane.range[1] });
        u.redraw(false);
      });
    }
    this.drawAxis(this.parts.axis, t0, t1);
    this.drawStrip();
    this.drawPointer();
    this.parts.when.textContent = this.clock.span(t0, t1);
    if (document.activeElement !== this.parts.day) this.parts.day.value = this.clock.isoDay((t0 + t1) / 2);
  }

  // Columns of a pane and the limits of its scale.
  measure(pane, columns) {
    const [t0, t1] = this.view;
    const lanes = pane.names.map((name) => this.lanes.get(name));
    pane.unit = lanes[0].unit;
    let low = Infinity, high = -Infinity;
    const widen = (values) => {
      for (const value of values) {
        if (value < low) low = value;
        if (value > high) high = value;
      }
    };
    if (pane.stacked) {
      const loads = lanes.filter((lane) => lane.role !== "mains");
      pane.stack = stackOf(loads, this.mains, t0, t1, columns);
      widen(pane.stack.above);
      widen(pane.stack.below);
      widen(pane.stack.supply ?? []);
    } else {
      pane.columns = lanes.map((lane) => columnsOf(lane, t0, t1, columns));
      pane.stack = pane.loads.length ? stackOf(pane.loads, [], t0, t1, columns) : null;
      for (const { low: l, high: h } of pane.columns) {
        widen(l);
        widen(h);
      }
    }
    const fixed = this.limits.get(pane.names.join());
    if (low > high) [low, high] = [0, 0];
    if (pane.unit === "W") low = Math.min(low, 0);
    pane.extent = [low, high];
    pane.range = fixed ?? roundLimits(low, high, pane.unit === "W" ? LEAST_W : 1);
  }

  shareScale() {
    const power = this.panes.filter((pane) => pane.unit === "W");
    const low = Math.min(...power.map((pane) => pane.extent[0]), 0);
    const high = Math.max(...power.map((pane) => pane.extent[1]), 0);
    for (const pane of power) pane.range = roundLimits(low, high, LEAST_W);
  }

  get mains() {
    return [...this.lanes.values()].filter((lane) => lane.role === "mains" && this.hasReadings(lane.name));
  }

  drawPane(ctx, pane, f) {
    const { theme, clock, log } = this;
    clipped(ctx, f, () => {
      if (pane.stacked) {
        drawStack(ctx, f, pane.stack, (lane) => (lane === "mains" ? theme.text : lane ? this.colour(lane.name) : theme.rest));
        if (this.mains.length) drawMarks(ctx, f, { base: null }, { mean: pane.stack.supply }, theme, log, clock.changes);
        return;
      }
      pane.names.forEach((name, k) => {
        if (this.showRuns && !pane.together) drawRuns(ctx, f, this.runs.get(name) ?? [], theme, this.chosen?.lane === name ? this.chosen.number : -1);
        if (pane.stack) drawStack(ctx, f, pane.stack, (lane) => this.colour(lane.name));
        const faded = pane.stack || (pane.together && this.bright !== null && this.bright !== name);
        const area = !pane.together && !pane.stack && pane.unit === "W";
        drawLane(ctx, f, pane.columns[k], this.colour(name), { area, faded, ink: pane.together || this.moving ? null : theme.text });
        if (this.levels.length && !pane.together) drawLevels(ctx, f, this.levels, this.split, theme);
        if (!pane.together || k === 0) drawMarks(ctx, f, this.lanes.get(name), pane.columns[k], theme, log, clock.changes);
      });
    });
  }

  drawAxis(canvas, t0, t1) {
    const ctx = this.sized(canvas);
    const px = devicePixelRatio;
    drawTimes(ctx, { x: LEFT * px, y: 0, w: this.width * px, t0, t1, px }, this.timeTicks, this.theme);
  }

  sized(canvas) {
    const px = devicePixelRatio;
    const [w, h] = [Math.round(canvas.clientWidth * px), Math.round(canvas.clientHeight * px)];
    if (canvas.width !== w || canvas.height !== h) [canvas.width, canvas.height] = [w, h];
    const ctx = canvas.getContext("2d");
    ctx.clearRect(0, 0, w, h);
    return ctx;
  }

  // The whole log in small, drawn anew only when what it shows has changed, and the window in it.
  drawStrip() {
    const { strip, window: box } = this.parts;
    const names = this.apart(this.shown.filter((name) => this.isPower(name))).filter((name) => this.lanes.get(name).base);
    const key = [strip.clientWidth, this.dark, devicePixelRatio, this.log, ...names.map((name) => this.lanes.get(name).base.t0 + name)].join();
    if (key !== this.stripKey) {
      this.stripKey = key;
      const ctx = this.sized(strip);
      const px = devicePixelRatio;
      const columns = Math.round(this.width);
      const loads = names.map((name) => ({ base: this.lanes.get(name).base })).filter((_, k) => this.lanes.get(names[k]).role !== "mains");
      const { above: total } = stackOf(loads.length ? loads : names.map((name) => this.lanes.get(name)), [], ...this.log, columns);
      const f = { x: LEFT * px, y: 2 * px, w: this.width * px, h: strip.height - 4 * px, t0: this.log[0], t1: this.log[1], low: 0, high: Math.max(...total, LEAST_W), px };
      drawLane(ctx, f, { low: total.map(() => 0), high: total, mean: total, coarse: true }, this.theme.faint);
    }
    const [a, b] = [this.stripX(this.view[0]), this.stripX(this.view[1])];
    box.style.left = `${Math.max(a, LEFT)}px`;
    box.style.width = `${Math.max(Math.min(b, LEFT + this.width) - Math.max(a, LEFT), 3)}px`;
  }

  stripX(t) {
    return LEFT + (this.width * (t - this.log[0])) / (this.log[1] - this.log[0]);
  }

  xOf(t) {
    return LEFT + (this.width * (t - this.view[0])) / (this.view[1] - this.view[0]);
  }

  timeAt(x) {
    return this.view[0] + ((x - LEFT) / this.width) * (this.view[1] - this.view[0]);
  }

  // ---- the pointer and what is selected

  drawPointer() {
    const { cross, reading, mark } = this.parts;
    const t = this.pointer;
    const inView = t !== null && t >= this.view[0] && t <= this.view[1];
    cross.hidden = reading.hidden = !inView;
    const values = new Map(this.shown.map((name) => [name, inView ? valueAt(this.lanes.get(name), t) : null]));
    for (const pane of this.panes) if (!pane.together) pane.value.textContent = inView ? this.valueWords(pane.names[0], values.get(pane.names[0]), this.width < 420) : "";
    for (const [name, out] of this.parts.values) out.textContent = inView && values.has(name) ? this.valueWords(name, values.get(name), true) : "";
    if (inView) {
      const x = this.xOf(t);
      cross.style.transform = `translateX(${x}px)`;
      const rows = [element("b", { text: this.clock.stamp(t) })];
      const together = this.panes.some((pane) => pane.together);
      reading.classList.toggle("he-high", together);
      if (together) {
        // In the order in which they lie on one another at the pointer, so that place tells as colour does.
        const named = this.shown.filter((name) => this.isPower(name)).reverse();
        if (this.arrange === "chart") named.sort((a, b) => (values.get(b)?.mean ?? -Infinity) - (values.get(a)?.mean ?? -Infinity));
        for (const name of named.slice(0, MOST_READ)) {
          const row = element("div");
          row.append(element("i", { class: "he-swatch", style: `background:${this.colour(name)}` }), `${this.lanes.get(name).label}: ${this.valueWords(name, values.get(name), true)}`);
          rows.push(row);
        }
        if (named.length > MOST_READ) rows.push(element("div", { text: `and ${named.length - MOST_READ} more, in the list` }));
      }
      if (this.arrange === "stack" && this.mains.length) {
        const watts = (lanes) => lanes.reduce((sum, lane) => sum + (valueAt(lane, t)?.mean ?? 0), 0);
        const loads = this.shown.map((name) => this.lanes.get(name)).filter((lane) => lane.role === "load");
        const [all, shown] = [watts(this.mains), watts(loads)];
        rows.push(element("div", { text: `mains ${valueText(all, "W")}, not in these circuits ${valueText(all - shown, "W")}` }));
      }
      reading.replaceChildren(...rows);
      const right = x > LEFT + this.width / 2;
      reading.style.transform = `translateX(${x}px) translateX(${right ? "calc(-100% - 8px)" : "8px"})`;
    }
    mark.hidden = !this.selection;
    if (this.selection) {
      const [a, b] = this.selection.map((at) => Math.min(Math.max(this.xOf(at), LEFT), LEFT + this.width));
      mark.style.left = `${Math.min(a, b)}px`;
      mark.style.width = `${Math.abs(b - a)}px`;
    }
  }

  valueWords(name, value, short = false) {
    if (!value) return this.isAwaited(name) ? "being read" : "no reading";
    const unit = this.lanes.get(name).unit;
    const text = valueText(value.mean, unit);
    if (value.samples === 1 || short) return text;
    const [low, high] = [valueText(value.low, unit), valueText(value.high, unit)];
    return low === high && low === text ? text : `mean ${text} (${low} to ${high})`;
  }

  // One column later or earlier, for those who use no mouse.
  stepPointer(columns) {
    const width = this.view[1] - this.view[0];
    const finest = Math.min(...this.shown.map((name) => this.lanes.get(name).period ?? Infinity));
    const step = Math.max(width / this.width, Number.isFinite(finest) ? finest : 1);
    const inside = this.pointer !== null && this.pointer >= this.view[0] && this.pointer < this.view[1];
    const from = inside ? this.pointer : this.view[0] + width / 2 - columns * step;
    this.pointer = Math.min(Math.max(from + columns * step, this.view[0]), this.view[1] - step / 2);
    this.drawPointer();
    this.say(this.readAloud());
  }

  readAloud() {
    const rows = this.shown.map((name) => `${this.lanes.get(name).label} ${this.valueWords(name, valueAt(this.lanes.get(name), this.pointer))}`);
    return `${this.clock.stamp(this.pointer)}: ${rows.join("; ")}`;
  }

  async select(a, b) {
    this.selection = [Math.min(a, b), Math.max(a, b)];
    this.drawPointer();
    const lanes = this.shown.filter((name) => this.isPower(name));
    await this.attempt(async () => {
      const { said } = await asked(this.link, { kind: "span", t0: this.selection[0], t1: this.selection[1], lanes });
      showTable(this, said);
      this.say(`Selected ${said.span}`);
    });
  }

  unselect() {
    this.selection = null;
    this.parts.table.replaceChildren();
    this.drawPointer();
  }

  // ---- runs

  async findRuns() {
    for (const name of this.shown) {
      if (!this.showRuns || this.runs.has(name) || this.lanes.get(name).role !== "load") continue;
      this.say(`Finding the runs of ${this.lanes.get(name).label} …`);
      await this.attempt(async () => {
        const { said } = await asked(this.link, { kind: "runs", lane: name });
        this.runs.set(name, said.runs);
        this.say(`${this.lanes.get(name).label}: ${said.runs.length} run${said.runs.length === 1 ? "" : "s"}`);
      });
      if (!this.runs.has(name)) return;
      this.redraw();
    }
  }

  runAt(name, t) {
    return (this.runs.get(name) ?? []).findIndex(([start, end]) => start <= t && t < end);
  }

  async openRun(name, number, at = null) {
    await this.attempt(async () => {
      const { said } = await asked(this.link, { kind: "run", lane: name, number });
      this.chosen = { lane: name, number, at };
      showCard(this, said);
      this.redraw();
    });
  }

  closeRun() {
    this.chosen = null;
    this.parts.card.replaceChildren();
    this.redraw();
  }

  async decide(act) {
    const { lane, number, at } = this.chosen;
    const runs = this.runs.get(lane);
    const [start, end] = runs[number];
    const asks = {
      discard: { start, end },
      split: { start: at },
      merge: { start, end: runs[number + 1]?.[1] },
    };
    await this.takeDecision({ kind: "decide", act, lane, ...asks[act] });
  }

  async takeDecision(question) {
    await this.attempt(async () => {
      const { said } = await asked(this.link, question);
      this.runs.set(said.lane, said.runs);
      this.undo = said.undo;
      this.closeRun();
      showCard(this, { title: said.done, facts: [["written to", "run_decisions.csv in the folder of the house"]] });
      this.say(said.done);
    });
  }

  // Look at the next or the previous run of the lane in hand.
  async stepRun(by) {
    const name = this.hand;
    if (!name || this.lanes.get(name).role !== "load") return this.say("choose a lane of a circuit first");
    if (!this.showRuns) {
      this.showRuns = this.parts.runs.checked = true;
      showLegend(this);
    }
    await this.findRuns();
    const runs = this.runs.get(name) ?? [];
    const middle = (this.view[0] + this.view[1]) / 2;
    let number = this.chosen?.lane === name ? this.chosen.number + by : by > 0 ? runs.findIndex(([start]) => start > middle) : runs.findLastIndex(([, end]) => end < middle);
    if (!runs[number]) return this.say(`${this.lanes.get(name).label} has no run ${by > 0 ? "after" : "before"} this one`);
    const [start, end] = runs[number];
    const around = Math.max((end - start) / 2, 20);
    this.go(start - around, end + around);
    await this.openRun(name, number);
  }

  // Look at the highest power of the lane in hand; again for the next highest.
  async stepHighest() {
    const name = this.hand;
    if (!name) return this.say("choose a lane of a circuit first");
    await this.attempt(async () => {
      if (this.peaks?.name !== name) {
        const { said } = await asked(this.link, { kind: "highest", lane: name });
        this.peaks = { name, at: said.at, number: -1 };
      }
      const { at } = this.peaks;
      if (!at.length) throw new Error("this circuit has no readings to step through");
      this.peaks.number = (this.peaks.number + 1) % at.length;
      const t = at[this.peaks.number];
      this.go(t - 600, t + 600);
      this.pointer = t;
      this.say(`${this.lanes.get(name).label}, peak ${this.peaks.number + 1} of the ${at.length} highest: ${this.clock.stamp(t)}`);
    });
  }

  // ---- what is asked of the kernel

  take(told, buffers, which) {
    told.forEach((one, k) => {
      const lane = this.lanes.get(one.lane);
      lane[which] = piece(one, buffers[k]);
    });
  }

  // All of the log once more, for readings may have come since; whether the log is longer now.
  async readAnew() {
    const before = this.log;
    const names = [...new Set([...this.shown, ...this.beneath])].filter((name) => this.hasReadings(name));
    if (this.link.copied || !names.length) return false;
    await this.attempt(async () => {
      const ask = () => asked(this.link, { kind: "window", t0: this.log[0], t1: this.log[1], points: BASE_POINTS, lanes: names });
      let answer = await ask();
      if (answer.said.log.join() !== this.log.join()) {
        this.log = answer.said.log;
        answer = await ask();
      }
      for (const lane of this.lanes.values()) Object.assign(lane, { base: null, detail: null });
      this.take(answer.said.lanes, answer.buffers, "base");
      this.stripKey = null;
      this.look();
    });
    return this.log !== before;
  }

  async needBase() {
    const names = [...new Set([...this.shown, ...this.beneath, ...(this.arrange === "stack" ? this.mains.map((lane) => lane.name) : [])])];
    const missing = names.filter((name) => this.isAwaited(name));
    if (!missing.length) return;
    await this.attempt(async () => {
      const { said, buffers } = await asked(this.link, { kind: "window", t0: this.log[0], t1: this.log[1], points: BASE_POINTS, lanes: missing });
      this.take(said.lanes, buffers, "base");
      this.stripKey = null;
      showLegend(this);
      this.settled();
      this.redraw();
    });
  }

  // Draw now, and ask shortly for what is not known closely enough.
  look() {
    this.redraw();
    clearTimeout(this.timer);
    this.timer = setTimeout(() => this.askWindow(), ASK_AFTER_MS);
  }

  // Lanes in sight that are not known as closely as the screen could show them.
  wanting() {
    if (this.copyOnly) return [];
    const [t0, t1] = this.view;
    const seen = new Set(this.panes.filter((pane) => pane.visible).flatMap((pane) => [...pane.names, ...pane.loads.map((lane) => lane.name)]));
    if (this.arrange === "stack") for (const lane of this.mains) seen.add(lane.name);
    return [...seen].filter((name) => {
      const { base, detail } = this.lanes.get(name);
      return this.hasReadings(name) && ![base, detail].some((p) => suffices(p, t0, t1, this.log, this.width));
    });
  }

  // One question at a time; the newest view wins.
  async askWindow() {
    if (this.asking || this.gone || !this.view) return;
    const lanes = this.wanting();
    if (!lanes.length) return;
    this.asking = true;
    const [t0, t1] = this.view;
    const half = (t1 - t0) / 2;
    const begun = performance.now();
    const slow = setTimeout(() => this.say("Waiting for detail: the kernel is busy …"), BUSY_AFTER_MS);
    try {
      const points = Math.ceil(3 * this.width * Math.min(devicePixelRatio, 2));
      const { said, buffers } = await asked(this.link, { kind: "window", t0: t0 - half, t1: t1 + half, points, lanes });
      if (this.gone) return;
      this.take(said.lanes, buffers, "detail");
      if (said.log.join() !== this.log.join()) this.readAnew();
      this.draw();
      this.latency.push(performance.now() - begun);
      if (!this.moving) this.settled();
    } catch (error) {
      this.copyOnly = /no kernel to ask/.test(error.message);
      this.say(this.copyOnly ? `Saved page: not finer than ${lengthText(this.lanes.get(lanes[0]).base.step)}` : error.message, !this.copyOnly);
      if (this.view[0] === t0 && this.view[1] === t1) return; // else what is looked at now was not asked for
    } finally {
      clearTimeout(slow);
      if (/^Waiting for detail/.test(this.parts.message.textContent)) this.say("");
      this.asking = false;
    }
    if (this.wanting().length) this.look();
  }

  async attempt(act) {
    try {
      await act();
    } catch (error) {
      this.say(error.message, true);
    }
  }

  say(text, bad = false) {
    this.parts.message.textContent = text;
    this.parts.message.classList.toggle("he-bad", bad);
  }

  // ---- saving

  async save(kind) {
    const name = `${this.about.stem}_${this.clock.isoDay(this.view[0])}`;
    if (kind !== "csv") return this.attempt(() => savePicture(this, kind, name));
    const [t0, t1] = this.selection ?? this.view;
    await this.attempt(async () => {
      const { said, buffers } = await asked(this.link, { kind: "readings", t0, t1, lanes: this.shown });
      saveAs(new Blob([buffers[0]], { type: "text/csv" }), said.file);
      this.say(`Saved ${said.file}, a row for each ${said.period_s} s`);
    });
  }
}

// Show a viewer in an element; gives a function that takes it away.
export function showViewer(el, link) {
  const root = element("div", { class: "he-viewer" });
  el.append(root);
  const viewer = new Viewer(root, link);
  root.viewer = viewer;
  viewer.open().then(
    () => root.setAttribute("data-ready", ""),
    (error) => viewer.say(error.message, true),
  );
  return () => (viewer.destroy(), root.remove());
}
