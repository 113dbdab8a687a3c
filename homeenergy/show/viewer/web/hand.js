// What mouse, fingers and keys do.
import { LEFT } from "./viewer.js";

const NOTCH = 1.3; // how much closer one notch of the wheel looks
export const STEP = 0.5; // of the width, for arrows and buttons
const CLICK_PX = 4;
const TALL_PX = 24; // a box as tall as this also limits the scale

export const KEYS = [
  ["← →", "half a width earlier or later; with Shift a tenth"],
  ["+ −", "closer, wider"],
  ["Home", "the whole log"],
  ["Backspace", "the view before"],
  ["↑ ↓", "another lane in hand"],
  [", .", "move the pointer by one column"],
  ["M", "begin a selection at the pointer; again: end it"],
  ["N P", "next and previous run of the lane in hand"],
  ["H", "its highest power; again: the next highest"],
  ["Enter", "the run at the pointer"],
  ["Escape", "no selection, no run"],
];

export function listenTo(viewer) {
  const { stage, strip } = viewer.parts;
  stage.addEventListener("wheel", (event) => turned(viewer, event), { passive: false });
  stage.addEventListener("keydown", (event) => typed(viewer, event));
  stage.addEventListener("pointerleave", () => leave(viewer));
  stage.addEventListener("dblclick", () => viewer.back());
  dragLanes(viewer, stage);
  dragStrip(viewer, strip);
}

const xIn = (viewer, event) => event.clientX - viewer.parts.stage.getBoundingClientRect().left;

function paneUnder(viewer, event) {
  return viewer.panes.find(({ el }) => {
    const { top, bottom } = el.getBoundingClientRect();
    return event.clientY >= top && event.clientY < bottom;
  });
}

function turned(viewer, event) {
  if (!viewer.wheel && !event.ctrlKey) return;
  const x = xIn(viewer, event);
  if (x < LEFT) return; // over the watts the page scrolls
  event.preventDefault();
  const lines = event.deltaMode === 1 ? 33 : 1;
  if (Math.abs(event.deltaX) > Math.abs(event.deltaY) || event.shiftKey) {
    const by = ((event.deltaX || event.deltaY) * lines) / viewer.width;
    return viewer.pan(by, { remember: !viewer.moving });
  }
  const notches = Math.min(Math.max((-event.deltaY * lines) / 100, -3), 3);
  viewer.zoom(NOTCH ** (event.ctrlKey && event.deltaMode === 0 ? notches * 3 : notches), viewer.timeAt(x), { remember: !viewer.moving });
}

function leave(viewer) {
  if (viewer.held) return;
  viewer.pointer = null;
  viewer.drawPointer();
}

function dragLanes(viewer, stage) {
  const fingers = new Map();
  let drag = null;

  stage.addEventListener("pointerdown", (event) => {
    if (event.button !== 0 || event.target.closest("button, input") || viewer.parts.stripBox.contains(event.target)) return;
    const x = xIn(viewer, event);
    if (x < LEFT) return;
    fingers.set(event.pointerId, x);
    stage.setPointerCapture(event.pointerId);
    viewer.held = true;
    const how = event.shiftKey ? "measures" : event.ctrlKey || event.altKey ? "zooms" : viewer.drag;
    const pane = paneUnder(viewer, event);
    if (pane && !pane.together) viewer.hand = pane.names[0];
    drag = { how, x, y: event.clientY, at: viewer.timeAt(x), view: viewer.view, pane, far: 0, remembered: false };
    if (fingers.size === 2) drag = { how: "pinches", view: viewer.view, from: [...fingers.values()] };
  });

  stage.addEventListener("pointermove", (event) => {
    const x = xIn(viewer, event);
    if (!fingers.has(event.pointerId)) {
      viewer.pointer = x >= LEFT && x <= LEFT + viewer.width ? viewer.timeAt(x) : null;
      if (viewer.pointer !== null) viewer.drawPointer();
      return;
    }
    fingers.set(event.pointerId, x);
    if (!drag) return;
    if (drag.how === "pinches") return pinch(viewer, drag, [...fingers.values()]);
    drag.far = Math.max(drag.far, Math.abs(x - drag.x), Math.abs(event.clientY - drag.y));
    if (drag.far < CLICK_PX) return;
    if (drag.how === "moves") {
      if (!drag.remembered) viewer.remember();
      drag.remembered = true;
      const by = ((drag.x - x) / viewer.width) * (drag.view[1] - drag.view[0]);
      viewer.go(drag.view[0] + by, drag.view[1] + by, { remember: false });
    } else if (drag.how === "measures") {
      viewer.selection = [drag.at, viewer.timeAt(x)];
      viewer.drawPointer();
    } else drawBox(viewer, drag, x, event.clientY);
  });

  const end = (event) => {
    if (!fingers.delete(event.pointerId)) return;
    viewer.held = fingers.size > 0;
    viewer.parts.box.hidden = true;
    if (!drag || fingers.size) return;
    const done = drag;
    drag = null;
    if (done.how === "pinches" || event.type === "pointercancel") return;
    if (done.far < CLICK_PX) return clicked(viewer, done);
    const at = viewer.timeAt(xIn(viewer, event));
    if (done.how === "measures") viewer.select(done.at, at);
    if (done.how === "zooms") zoomInto(viewer, done, at, event.clientY);
  };
  stage.addEventListener("pointerup", end);
  stage.addEventListener("pointercancel", end);
}

// Two fingers: what is under each of them stays there.
function pinch(viewer, drag, [a, b]) {
  const [from, to] = drag.from;
  const spread = Math.max(Math.abs(to - from), 20) / Math.max(Math.abs(b - a), 20);
  const seconds = (drag.view[1] - drag.view[0]) / viewer.width;
  const middle = drag.view[0] + ((from + to) / 2 - LEFT) * seconds;
  const width = (drag.view[1] - drag.view[0]) * spread;
  const t0 = middle - (((a + b) / 2 - LEFT) / viewer.width) * width;
  viewer.go(t0, t0 + width, { remember: !viewer.moving });
}

function drawBox(viewer, drag, x, y) {
  const { box, stage } = viewer.parts;
  const top = stage.getBoundingClientRect().top;
  const tall = drag.pane && Math.abs(y - drag.y) >= TALL_PX;
  const pane = drag.pane?.el.getBoundingClientRect();
  const [low, high] = tall ? [Math.min(y, drag.y), Math.max(y, drag.y)] : pane ? [pane.top, pane.bottom] : [y, y];
  box.hidden = false;
  Object.assign(box.style, { left: `${Math.min(x, drag.x)}px`, width: `${Math.abs(x - drag.x)}px`, top: `${low - top}px`, height: `${high - low}px` });
}

function zoomInto(viewer, drag, at, y) {
  viewer.remember();
  const { pane } = drag;
  if (pane?.u && Math.abs(y - drag.y) >= TALL_PX) {
    const over = pane.u.over.getBoundingClientRect();
    const watts = [y, drag.y].map((one) => pane.u.posToVal(one - over.top, "y"));
    viewer.limits.set(pane.names.join(), [Math.min(...watts), Math.max(...watts)]);
  }
  viewer.go(Math.min(drag.at, at), Math.max(drag.at, at), { remember: false });
}

function clicked(viewer, { at, pane }) {
  viewer.pointer = at;
  viewer.drawPointer();
  if (!pane || !viewer.showRuns || !viewer.inLanes) return;
  const name = pane.names.find((one) => viewer.runAt(one, at) >= 0);
  if (name) viewer.openRun(name, viewer.runAt(name, at), at);
  else viewer.closeRun();
}

function dragStrip(viewer, strip) {
  let drag = null;
  const timeAt = (event) => {
    const share = (event.clientX - strip.getBoundingClientRect().left - LEFT) / viewer.width;
    return viewer.log[0] + share * (viewer.log[1] - viewer.log[0]);
  };
  const box = viewer.parts.stripBox;
  box.addEventListener("pointerdown", (event) => {
    event.preventDefault();
    box.setPointerCapture(event.pointerId);
    viewer.remember();
    const at = timeAt(event);
    const [a, b] = viewer.view;
    const near = (9 * (viewer.log[1] - viewer.log[0])) / viewer.width;
    const wide = b - a > 4 * near;
    const how = wide && Math.abs(at - a) < near ? "start" : wide && Math.abs(at - b) < near ? "end" : "both";
    if (how === "both" && (at < a || at > b)) viewer.go(at - (b - a) / 2, at + (b - a) / 2, { remember: false });
    drag = { how, at, view: viewer.view };
  });
  box.addEventListener("pointermove", (event) => {
    if (!drag) return;
    const by = timeAt(event) - drag.at;
    const [a, b] = drag.view;
    if (drag.how === "start") viewer.go(Math.min(a + by, b), b, { remember: false });
    else if (drag.how === "end") viewer.go(a, Math.max(b + by, a), { remember: false });
    else viewer.go(a + by, b + by, { remember: false });
  });
  for (const kind of ["pointerup", "pointercancel"]) box.addEventListener(kind, () => (drag = null));
}

function typed(viewer, event) {
  if (event.target !== viewer.parts.stage || event.ctrlKey || event.metaKey || event.altKey) return;
  const acts = {
    ArrowLeft: () => viewer.pan(event.shiftKey ? -0.1 : -STEP),
    ArrowRight: () => viewer.pan(event.shiftKey ? 0.1 : STEP),
    "+": () => viewer.zoom(2),
    "=": () => viewer.zoom(2),
    "-": () => viewer.zoom(1 / 2),
    Home: () => viewer.whole(),
    Backspace: () => viewer.back(),
    ArrowUp: () => nextLane(viewer, -1),
    ArrowDown: () => nextLane(viewer, 1),
    ",": () => viewer.stepPointer(-1),
    ".": () => viewer.stepPointer(1),
    m: () => markSelection(viewer),
    n: () => viewer.stepRun(1),
    p: () => viewer.stepRun(-1),
    h: () => viewer.stepHighest(),
    Enter: () => openHere(viewer),
    Escape: () => (viewer.unselect(), viewer.closeRun()),
  };
  const key = event.key.length === 1 ? event.key.toLowerCase() : event.key;
  if (!(key in acts)) return;
  event.preventDefault();
  event.stopPropagation();
  acts[key]();
  if (["ArrowLeft", "ArrowRight", "+", "=", "-", "Home", "Backspace"].includes(key)) viewer.say(viewer.clock.span(...viewer.view));
}

function nextLane(viewer, by) {
  const at = viewer.shown.indexOf(viewer.hand);
  viewer.hand = viewer.shown[Math.min(Math.max(at + by, 0), viewer.shown.length - 1)] ?? null;
  if (viewer.hand) viewer.say(`In hand: ${viewer.lanes.get(viewer.hand).label}`);
}

function markSelection(viewer) {
  if (viewer.pointer === null) return viewer.say("move the pointer first, with , and .");
  if (viewer.begun === undefined) {
    viewer.begun = viewer.pointer;
    return viewer.say(`The selection begins at ${viewer.clock.stamp(viewer.begun)}; press M at its end`);
  }
  const begun = viewer.begun;
  viewer.begun = undefined;
  if (begun === viewer.pointer) return viewer.say("nothing is selected: the end is the beginning");
  viewer.select(begun, viewer.pointer);
}

function openHere(viewer) {
  const number = viewer.pointer === null ? -1 : viewer.runAt(viewer.hand, viewer.pointer);
  if (number < 0) return viewer.say("there is no run at the pointer in the lane in hand");
  viewer.openRun(viewer.hand, number, viewer.pointer);
}
