// What each circuit draws now, with the last ten minutes, while a recorder of the house writes.
import { asked } from "./link.js";
import { valueText } from "./lanes.js";
import { element } from "./parts.js";

const LOOK_MS = 400; // between two looks, so that a reading is shown within a second
const WAIT_MS = 5000; // until it is looked again whether a recorder has begun
const SHOWN_MS = 600000;
const STALE_MS = 60000;
const [WIDE, HIGH] = [240, 26];
const SVG = "http://www.w3.org/2000/svg";

// Look again and again, until the viewer is taken away; a page without a kernel is not asked twice.
export async function followNow(viewer) {
  const rows = new Map();
  let since = 0;
  while (!viewer.gone) {
    let said;
    try {
      ({ said } = await asked(viewer.link, { kind: "now", since }));
    } catch {
      break;
    }
    if (viewer.gone || !said.sources) break;
    viewer.parts.now.hidden = !said.recording;
    if (said.recording) show(viewer, rows, said);
    since = Math.max(since, ...said.lanes.flatMap(({ at }) => at.slice(-1)));
    await new Promise((done) => setTimeout(done, said.recording ? LOOK_MS : WAIT_MS));
  }
  viewer.parts.now.hidden = true;
}

function rowOf(viewer, name) {
  const el = element("div", { class: "he-nowrow" });
  const swatch = element("i", { class: "he-swatch" });
  const value = element("b");
  const svg = document.createElementNS(SVG, "svg");
  svg.setAttribute("viewBox", `0 0 ${WIDE} ${HIGH}`);
  svg.setAttribute("preserveAspectRatio", "none");
  svg.setAttribute("aria-hidden", "true");
  const path = svg.appendChild(document.createElementNS(SVG, "path"));
  el.append(swatch, element("span", { text: viewer.lanes.get(name).label }), value, svg);
  viewer.parts.nowRows.append(el);
  return { at: [], watts: [], swatch, value, path };
}

function show(viewer, rows, said) {
  for (const { lane, at, watts } of said.lanes) {
    if (!viewer.lanes.has(lane)) continue;
    if (!rows.has(lane)) rows.set(lane, rowOf(viewer, lane));
    const row = rows.get(lane);
    row.swatch.style.background = viewer.colour(lane);
    row.at.push(...at);
    row.watts.push(...watts);
    const old = row.at.findIndex((one) => one >= said.now - SHOWN_MS);
    const drop = old < 0 ? row.at.length : old;
    row.at.splice(0, drop);
    row.watts.splice(0, drop);
    const last = row.at.at(-1);
    const late = last !== undefined && said.now - last > STALE_MS ? `, ${Math.round((said.now - last) / 1000)} s ago` : "";
    row.value.textContent = last === undefined ? "no reading yet" : valueText(row.watts.at(-1), "W") + late;
    row.path.setAttribute("d", courseOf(row, said.now));
  }
}

// Stairs from the oldest reading, at the left, to now; a reading holds until the next one.
function courseOf({ at, watts }, now) {
  if (!at.length) return "";
  const high = Math.max(10, ...watts);
  const low = Math.min(0, ...watts);
  const x = (t) => (WIDE * (1 - (now - t) / SHOWN_MS)).toFixed(1);
  const y = (w) => (1 + (HIGH - 2) * (1 - (w - low) / (high - low))).toFixed(1);
  return at.map((t, k) => `${k ? "H" : "M"}${x(t)}${k ? `V${y(watts[k])}` : ` ${y(watts[0])}`}`).join("") + `H${x(Math.min(now, at.at(-1) + STALE_MS))}`;
}
