// The parts of the page around the lanes: buttons, the list of circuits, tables, words.
import { KEYS, STEP } from "./hand.js";
import { doubtedIn, summaryOf, valueText } from "./lanes.js";

let count = 0;

export function element(tag, { text, ...attributes } = {}) {
  const el = document.createElement(tag);
  // Names are a person's own and never markup.
  if (text !== undefined) el.textContent = text;
  for (const [name, value] of Object.entries(attributes)) el.setAttribute(name, value);
  return el;
}

function button(text, help, act) {
  const el = element("button", { type: "button", text, title: help });
  el.addEventListener("click", act);
  return el;
}

function choice(label, options, act) {
  const select = element("select");
  for (const [value, text] of options) select.append(element("option", { value, text }));
  select.addEventListener("change", () => act(select.value));
  const el = element("label", { text: `${label} ` });
  el.append(select);
  return [el, select];
}

function tick(label, checked, act) {
  const input = element("input", { type: "checkbox" });
  input.checked = checked;
  input.addEventListener("change", () => act(input.checked));
  const el = element("label");
  el.append(input, ` ${label}`);
  return [el, input];
}

function folded(summary, ...inside) {
  const el = element("details");
  el.append(element("summary", { text: summary }), ...inside);
  return el;
}

export function build(root, viewer) {
  const id = `he-${++count}`;
  const parts = { values: new Map() };
  const bar = element("div", { class: "he-bar" });
  parts.when = element("strong", { class: "he-when" });
  parts.day = element("input", { type: "date", "aria-label": "Day to look at" });
  parts.day.addEventListener("change", () => parts.day.value && viewer.go(...viewer.clock.dayOf(parts.day.value)));
  const [arrange] = choice("Arrange", [["lanes", "lanes, own scales"], ["same", "lanes, one scale"], ["chart", "one chart"], ["stack", "stacked"]], (value) => {
    viewer.arrange = value;
    viewer.limits.clear();
    viewer.arrangePanes();
  });
  const [drag] = choice("Dragging", [["moves", "moves"], ["zooms", "zooms in"], ["measures", "measures"]], (value) => (viewer.drag = value));
  const [runs, runsBox] = tick("Runs", false, (on) => {
    viewer.showRuns = on;
    if (on) viewer.findRuns();
    else viewer.closeRun();
    if (on && !viewer.inLanes) viewer.say("Runs are shaded where circuits have lanes: see Arrange");
    showLegend(viewer);
    viewer.redraw();
  });
  parts.runs = runsBox;
  const [wheel] = tick("Wheel zooms", true, (on) => (viewer.wheel = on));
  const save = element("span", { role: "group", "aria-label": "Save" });
  save.append("Save ", ...["png", "svg", "csv"].map((kind) => button(kind.toUpperCase(), kind === "csv" ? "Save the readings selected, or else in view" : "Save what is shown as a picture", () => viewer.save(kind))));
  bar.append(
    button("Whole log", "All of the log (Home)", () => viewer.whole()), button("Back", "The view before (Backspace, double click)", () => viewer.back()),
    button("Earlier", "Half a width earlier (left arrow)", () => viewer.pan(-STEP)), button("Later", "Half a width later (right arrow)", () => viewer.pan(STEP)),
    button("Closer", "Twice as close (+)", () => viewer.zoom(2)), button("Wider", "Twice as much (-)", () => viewer.zoom(0.5)),
    parts.day, arrange, drag, runs, wheel, save,
  );
  parts.message = element("p", { class: "he-message", role: "status" });
  parts.stage = element("div", { class: "he-stage", tabindex: "0", role: "application", "aria-label": "Power over time. The keys are listed under Keys.", "data-lm-suppress-shortcuts": "true" });
  parts.strip = element("canvas", { class: "he-strip", role: "img", "aria-label": "The whole log" });
  parts.window = element("div", { class: "he-window" });
  parts.stripBox = element("div", { class: "he-stripbox" });
  parts.stripBox.append(parts.strip, parts.window);
  parts.lanes = element("div", { class: "he-lanes" });
  parts.axis = element("canvas", { class: "he-axis", "aria-hidden": "true" });
  for (const name of ["cross", "mark", "box", "reading"]) {
    parts[name] = element("div", { class: `he-${name}` });
    parts[name].hidden = true;
  }
  const over = element("div", { class: "he-over" });
  over.append(parts.lanes, parts.mark, parts.cross);
  parts.foot = element("div", { class: "he-foot" });
  parts.foot.append(parts.axis, parts.reading);
  parts.stage.append(parts.stripBox, over, parts.foot, parts.box);
  parts.legend = element("div", { class: "he-legend" });
  parts.card = element("section", { class: "he-card", "aria-label": "Run" });
  parts.table = element("div", { class: "he-table" });
  parts.list = element("ul", { class: "he-list" });
  const side = folded("Circuits", ...searching(viewer, parts), parts.list);
  side.className = "he-side";
  side.open = root.getBoundingClientRect().width > 620 || innerWidth > 700;
  parts.said = element("p");
  parts.words = folded("The figure in words", parts.said);
  const keys = element("dl", { class: "he-keys" });
  for (const [key, what] of KEYS) keys.append(element("dt", { text: key }), element("dd", { text: what }));
  const hint = element("p", { text: "Click into the lanes, or reach them with Tab. With the mouse: wheel zooms, dragging moves, Shift and dragging measures, Ctrl and dragging zooms into a box, a double click goes back, a click on a shaded run opens it. With fingers: one moves, two zoom." });
  const main = element("div", { class: "he-main" });
  parts.now = folded("Now, and the last ten minutes", (parts.nowRows = element("div", { class: "he-now" })));
  parts.now.open = true;
  parts.now.hidden = true;
  main.append(parts.now, parts.stage, parts.legend, parts.card, parts.table, parts.words, folded("Keys and mouse", hint, keys));
  const body = element("div", { class: "he-body" });
  body.append(side, main);
  root.append(bar, parts.when, parts.message, body);
  root.id = id;
  return parts;
}

function searching(viewer, parts) {
  parts.search = element("input", { type: "search", placeholder: "part of a name", "aria-label": "Find circuits" });
  parts.search.addEventListener("input", () => fillList(viewer));
  const [order, select] = choice("Order", [["panel", "as in the panel"], ["most", "largest first"], ["leg", "by leg"], ["name", "by name"]], () => fillList(viewer));
  parts.order = select;
  const all = button("Show listed", "Show every circuit of the list", () => viewer.choose([...viewer.shown, ...listed(viewer)]));
  const none = button("Show none", "Show no circuit", () => viewer.choose([]));
  const row = element("div", { class: "he-row" });
  row.append(all, none);
  return [parts.search, order, row];
}

function listed(viewer) {
  const words = viewer.parts.search.value.toLowerCase().split(/\s+/).filter(Boolean);
  const order = viewer.parts.order.value;
  const found = [...viewer.lanes.values()].filter((lane) => words.every((word) => `${lane.label} ${lane.name}`.toLowerCase().includes(word)));
  const by = {
    panel: () => 0,
    most: (a, b) => (b.kwh ?? -1) - (a.kwh ?? -1),
    leg: (a, b) => a.legs.join().localeCompare(b.legs.join()),
    name: (a, b) => a.label.localeCompare(b.label),
  };
  return found.sort(by[order]).map((lane) => lane.name);
}

export function fillList(viewer) {
  const { list, values, order } = viewer.parts;
  values.clear();
  let leg = null;
  const items = [];
  for (const name of listed(viewer)) {
    const lane = viewer.lanes.get(name);
    const on = lane.legs.join(", ") || "no leg";
    if (order.value === "leg" && on !== leg) items.push(element("li", { class: "he-leg", text: (leg = on) }));
    items.push(listItem(viewer, lane));
  }
  if (!items.length) items.push(element("li", { class: "he-empty", text: "no circuit has such a name" }));
  list.replaceChildren(...items);
}

function listItem(viewer, lane) {
  const { name, label } = lane;
  const shown = viewer.shown.includes(name);
  const item = element("li", { "data-lane": name });
  const toggle = () => viewer.choose(shown ? viewer.shown.filter((one) => one !== name) : [...viewer.shown, name]);
  const [box, input] = tick(label, shown, toggle);
  const colour = element("input", { type: "color", "aria-label": `Colour of ${label}`, title: "Another colour" });
  colour.value = viewer.colour(name);
  colour.addEventListener("change", () => {
    viewer.colours.set(name, colour.value);
    viewer.arrangePanes();
  });
  const solo = viewer.solo?.name === name;
  const only = button("only", `Show ${label} alone; again: those of before`, () => viewer.only(name));
  only.setAttribute("aria-label", `Only ${label}`);
  only.setAttribute("aria-pressed", solo);
  const value = element("span", { class: "he-at" });
  viewer.parts.values.set(name, value);
  const about = [lane.legs.join(", "), viewer.hasReadings(name) ? "" : "no readings"].filter(Boolean).join("; ");
  if (about) box.append(element("small", { text: ` ${about}` }));
  for (const [kind, bright] of [["pointerenter", name], ["pointerleave", null]]) {
    item.addEventListener(kind, () => ((viewer.bright = bright), viewer.redraw()));
  }
  input.setAttribute("aria-label", label);
  item.append(colour, box, value, only);
  return item;
}

// What the marks mean: only of those that can be seen in this log.
export function showLegend(viewer) {
  const entries = [];
  const entry = (kind, text) => {
    const el = element("span");
    el.append(element("i", { class: `he-key he-key-${kind}` }), text);
    entries.push(el);
  };
  if (viewer.arrange !== "stack") entry("range", "least to greatest reading; line: mean");
  if (viewer.showRuns && viewer.inLanes) {
    entry("run", "run");
    entry("part", "run cut by a gap or an end");
  }
  const lanes = viewer.shown.map((name) => viewer.lanes.get(name));
  if (lanes.some((lane) => lane.base?.doubted.length)) entry("doubt", "reading in doubt, counted in nothing");
  if (lanes.some((lane) => lane.base?.mean.some((watts) => watts !== watts))) entry("gap", "no readings");
  for (const text of new Set(viewer.clock?.changes.map((change) => change.text))) entry("clock", text);
  if (viewer.arrange === "stack" && viewer.mains.length) {
    const loads = [...viewer.lanes.values()].filter((lane) => lane.role === "load" && viewer.hasReadings(lane.name));
    entry("mains", "mains");
    entry("rest", loads.every((lane) => viewer.shown.includes(lane.name)) ? "unmeasured: mains less all circuits" : "not shown or unmeasured");
  }
  viewer.parts.legend.replaceChildren(...entries);
}

// Energies of a selected span, the same figures as `span_table` gives.
export function showTable(viewer, { span, cells }) {
  const table = element("table");
  const row = element("div", { class: "he-row" });
  row.append(button("Clear", "Select nothing (Escape)", () => viewer.unselect()), button("Look there", "Zoom to the selection", () => viewer.go(...viewer.selection)));
  table.append(element("caption", { text: span }));
  cells.forEach((row, k) => {
    const tr = element("tr");
    row.forEach((text, c) => tr.append(element(k === 0 || c === 0 ? "th" : "td", { text, ...(k === 0 ? { scope: "col" } : c === 0 ? { scope: "row" } : {}) })));
    table.append(tr);
  });
  viewer.parts.table.replaceChildren(row, table);
}

// What is known of a run, and what a person can say about it.
export function showCard(viewer, { title, facts }) {
  const card = [element("h2", { text: title })];
  const list = element("dl");
  for (const [name, value] of facts) list.append(element("dt", { text: name }), element("dd", { text: value }));
  const row = element("div", { class: "he-row" });
  if (viewer.chosen && !viewer.about.about) {
    const { lane, number, at } = viewer.chosen;
    const runs = viewer.runs.get(lane);
    row.append(button("Not a run", "Count this as no run", () => viewer.decide("discard")));
    if (at !== null) row.append(button(`Split at ${viewer.clock.stamp(at).split(" ").slice(4).join(" ")}`, "Two runs from here on: where you clicked", () => viewer.decide("split")));
    if (runs[number + 1]) row.append(button("Join with the next", "One run with the next one", () => viewer.decide("merge")));
  }
  if (viewer.undo) row.append(button("Undo the last decision", "Delete its line from run_decisions.csv", () => viewer.takeDecision({ kind: "undo" })));
  row.append(button("Close", "Close this", () => viewer.closeRun()));
  card.push(list, row);
  viewer.parts.card.replaceChildren(...card);
}

// What the figure shows, for those who do not see it.
export function wordsOf(viewer) {
  const [t0, t1] = viewer.view;
  const said = [`Power from ${viewer.clock.span(t0, t1)}`];
  for (const name of viewer.shown) {
    const lane = viewer.lanes.get(name);
    if (viewer.isAwaited(name)) {
      said.push(`${lane.label}: being read`);
      continue;
    }
    const found = summaryOf(lane, t0, t1);
    if (!found) {
      said.push(`${lane.label}: no readings here`);
      continue;
    }
    const doubted = doubtedIn(lane, t0, t1).length;
    const runs = viewer.showRuns ? (viewer.runs.get(name) ?? []).filter(([start, end]) => end > t0 && start < t1).length : null;
    said.push(
      `${lane.label}: mean ${valueText(lane.unit === "W" ? Math.round(found.mean) : found.mean, lane.unit)}, highest ${valueText(found.high, lane.unit)}` +
        (doubted ? `, ${doubted} readings in doubt` : "") + (runs === null ? "" : `, ${runs} run${runs === 1 ? "" : "s"}`),
    );
  }
  return `${said.join(". ")}.`;
}
