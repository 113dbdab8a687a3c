// Saving what is shown, drawn again on paper of its own by the code that draws the page.
import { LEFT, RIGHT } from "./viewer.js";
import { SvgPen, drawTimes, yOf } from "./draw.js";
import { valueText } from "./lanes.js";

const HEAD = 34;
const TITLE = 16;
const FOOT = 26;
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
  const height = HEAD + panes.reduce((sum, pane) => sum + pane.height + TITLE, 0) + FOOT;
  const canvas = document.createElement("canvas");
  const scale = kind === "png" ? SCALE : 1;
  Object.assign(canvas, { width: width * scale, height: height * scale });
  const ruler = canvas.getContext("2d");
  const pen = kind === "png" ? ruler : new SvgPen(width, height, ruler);
  if (kind === "png") pen.scale(scale, scale);
  drawFigure(viewer, pen, width, height);
  const blob = kind === "png" ? await new Promise((done) => canvas.toBlob(done)) : new Blob([pen.text()], { type: "image/svg+xml" });
  saveAs(blob, `${name}.${kind}`);
  viewer.say(`Saved ${name}.${kind}`);
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
