// Saving what is shown, drawn again on paper of its own by the code that draws the page.
import { LEFT, RIGHT } from "./viewer.js";
import { SvgPen, drawTimes, yOf } from "./draw.js";
import { valueText } from "./lanes.js";

const HEAD = 34;
const TITLE = 16;
const FOOT = 26;
const ROW = 18; // of the legend
const SCALE = 2;

export function saveAs(blob, name) {
  const link = document.createElement("a");
  link.href = URL.createObjectURL(blob);
  link.download = name;
  link.click();
  setTimeout(() => URL.revokeObjectURL(link.href), 10000);
}

export async function savePicture(viewer, kind, name) {
  const width = viewer.parts.stage.clientWidth;
  const panes = viewer.panes;
  const canvas = document.createElement("canvas");
  const rows = legendRows(viewer, canvas.getContext("2d"), width - LEFT - RIGHT);
  const height = HEAD + panes.reduce((sum, pane) => sum + pane.height + TITLE, 0) + FOOT + ROW * rows.length + (rows.length ? 6 : 0);
  const scale = kind === "png" ? SCALE : 1;
  Object.assign(canvas, { width: width * scale, height: height * scale });
  const ruler = canvas.getContext("2d");
  const pen = kind === "png" ? ruler : new SvgPen(width, height, ruler);
  if (kind === "png") pen.scale(scale, scale);
  drawFigure(viewer, pen, width, height);
  rows.forEach((row, k) => row.forEach((entry) => drawEntry(viewer.theme, pen, entry, height - ROW * (rows.length - k))));
  const blob = kind === "png" ? await new Promise((done) => canvas.toBlob(done)) : new Blob([pen.text()], { type: "image/svg+xml" });
  saveAs(blob, `${name}.${kind}`);
  viewer.say(`Saved ${name}.${kind}`);
}

// Entries of the legend, as the page has them, in rows of this width: {kind, text, x}.
function legendRows(viewer, ruler, width) {
  ruler.font = "11px sans-serif";
  const rows = [];
  let x = Infinity;
  for (const span of viewer.parts.legend.children) {
    const kind = span.querySelector("i").className.split("he-key-")[1];
    const text = span.textContent;
    const wide = 24 + ruler.measureText(text).width + 14;
    if (x + wide > width) (rows.push([]), (x = 0));
    rows.at(-1).push({ kind, text, x: LEFT + x });
    x += wide;
  }
  return rows;
}

// One entry of the legend: its mark, drawn as in the lanes, and what it means.
function drawEntry(theme, pen, { kind, text, x }, y) {
  const box = (colour, alpha) => (Object.assign(pen, { fillStyle: colour, globalAlpha: alpha }), pen.fillRect(x, y + 1, 18, 11), (pen.globalAlpha = 1));
  const line = (...points) => {
    pen.beginPath();
    points.forEach(([dx, dy], k) => (k ? pen.lineTo(x + dx, y + dy) : pen.moveTo(x + dx, y + dy)));
    pen.stroke();
  };
  Object.assign(pen, { strokeStyle: theme.text, lineWidth: 1.5 });
  if (kind === "range") (box(theme.lines[0], 0.5), line([0, 7], [18, 7]));
  if (kind === "run" || kind === "part") {
    box(theme.run, kind === "run" ? 0.25 : 0.08);
    Object.assign(pen, { fillStyle: theme.run, strokeStyle: theme.run });
    pen.fillRect(x, y, 18, 3);
  }
  if (kind === "part") (pen.setLineDash([3, 2]), pen.strokeRect(x, y + 1, 18, 11), pen.setLineDash([]));
  if (kind === "doubt") (line([6, 3], [12, 9]), line([12, 3], [6, 9]));
  if (kind === "gap") for (const dx of [0, 6, 12]) line([dx, 12], [dx + 6, 2]);
  if (kind === "clock") (pen.setLineDash([4, 2]), line([9, 0], [9, 13]), pen.setLineDash([]));
  if (kind === "mains") line([0, 7], [18, 7]);
  if (kind === "rest") box(theme.rest, 0.6);
  Object.assign(pen, { font: "11px sans-serif", fillStyle: theme.text, textAlign: "left", textBaseline: "top" });
  pen.fillText(text, x + 24, y + 1);
}

function drawFigure(viewer, pen, width, height) {
  const { theme } = viewer;
  const [t0, t1] = viewer.view;
  const write = (text, x, y, align = "left", font = "12px sans-serif", colour = theme.text) => {
    Object.assign(pen, { font, fillStyle: colour, textAlign: align, textBaseline: "top" });
    pen.fillText(text, x, y);
  };
  pen.fillStyle = theme.paper;
  pen.fillRect(0, 0, width, height);
  write(`${viewer.about.house}, ${viewer.clock.span(t0, t1)}`, LEFT, 8, "left", "bold 13px sans-serif");
  let y = HEAD;
  for (const pane of viewer.panes) {
    viewer.measure(pane, Math.round(viewer.width * devicePixelRatio));
    if (viewer.arrange === "same") viewer.shareScale();
    let x = LEFT;
    for (const name of pane.names) {
      const { label } = viewer.lanes.get(name);
      pen.fillStyle = viewer.colour(name);
      pen.fillRect(x, y + 3, 9, 9);
      write(label, x + 13, y + 1);
      pen.font = "12px sans-serif";
      x += 26 + pen.measureText(label).width;
    }
    const f = { x: LEFT, y: y + TITLE, w: width - LEFT - RIGHT, h: pane.height - 6, t0, t1, low: pane.range[0], high: pane.range[1], px: 1 };
    const ticks = pane.ticks.length ? pane.ticks : pane.range;
    for (const watts of ticks.filter((one) => one >= f.low && one <= f.high)) {
      const at = yOf(f, watts);
      pen.fillStyle = theme.grid;
      pen.fillRect(f.x, at, f.w, 1);
      write(valueText(watts, pane.unit), LEFT - 5, at - 6, "right", "11px sans-serif");
    }
    viewer.drawPane(pen, pane, f);
    y += pane.height + TITLE;
  }
  drawTimes(pen, { x: LEFT, y, w: width - LEFT - RIGHT, t0, t1, px: 1 }, viewer.timeTicks, theme);
}
