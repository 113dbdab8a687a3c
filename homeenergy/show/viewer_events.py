"""What the viewer's controls, the mouse and the keys set off."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace
from datetime import date
from typing import TYPE_CHECKING, Any

from homeenergy.show.view import moved, on_day, whole_log, zoomed
from homeenergy.show.viewer_controls import DRAGS
from homeenergy.show.viewer_figure import WHEEL, instant_of
from homeenergy.show.viewer_steps import step_peak, step_run

if TYPE_CHECKING:
    from homeenergy.show.viewer import Viewer

STEP = 0.5  # of the width, for arrows and buttons
CLOSER = 2.0
MODES = dict(zip(DRAGS, ("NONE", "PAN", "ZOOM"), strict=True))


def connect(viewer: Viewer) -> None:
    """Let controls, mouse and keys act on a viewer."""
    _connect_controls(viewer)
    _connect_figure(viewer)


def _connect_controls(viewer: Viewer) -> None:
    c = viewer.controls
    for button, action in (
        (c.earlier, lambda: viewer.go(moved(viewer.view, -STEP))),
        (c.later, lambda: viewer.go(moved(viewer.view, STEP))),
        (c.closer, lambda: viewer.go(zoomed(viewer.view, CLOSER))),
        (c.wider, lambda: viewer.go(zoomed(viewer.view, 1 / CLOSER))),
        (c.everything, lambda: viewer.go(whole_log(viewer.view))),
        (c.back, viewer.back),
        (c.previous_run, lambda: step_run(viewer, later=False)),
        (c.next_run, lambda: step_run(viewer, later=True)),
        (c.highest, lambda: step_peak(viewer)),
        (c.measure, viewer.measure_fields),
        (c.clear, viewer.clear_selection),
        (c.save_picture, viewer.save_picture),
        (c.save_data, viewer.save_data),
        (c.choose_all, lambda: _choose_listed(viewer)),
        (c.choose_none, lambda: viewer.choose(())),
    ):
        button.on_click(_click(viewer, action))

    def on(control: Any, action: Callable[[Any], Any]) -> None:
        def changed(change: dict[str, Any]) -> None:
            if not viewer.quiet:
                viewer.tell(action)(change["new"])

        control.observe(lambda change: viewer.run(changed, change), names="value")

    for control in (c.search, c.leg):
        on(control, lambda _: viewer.list_circuits())
    on(c.order, lambda _: _reorder(viewer))
    on(c.day, lambda day: _to_day(viewer, day))
    on(c.arrangement, lambda how: viewer.go(replace(viewer.view, arrangement=how)))
    on(c.runs, viewer.mark_runs)
    on(c.drag, lambda how: _drag(viewer, MODES[how]))
    on(c.wheel, lambda zooms: setattr(viewer.canvas, "capture_scroll", zooms))
    for box in viewer.boxes.values():
        on(box, lambda _: viewer.choose([n for n, one in viewer.boxes.items() if one.value]))


def _click(viewer: Viewer, action: Callable[[], Any]) -> Callable[[Any], None]:
    return lambda _: viewer.tell(action)()


def _reorder(viewer: Viewer) -> None:
    viewer.list_circuits()
    viewer.choose(viewer.view.circuits)


def _to_day(viewer: Viewer, day: date | None) -> None:
    if day is not None:
        viewer.go(on_day(viewer.view, day, viewer.house.timezone))


def _choose_listed(viewer: Viewer) -> None:
    shown = viewer.names.children
    viewer.choose([name for name, box in viewer.boxes.items() if box in shown])


def _drag(viewer: Viewer, mode: str) -> None:
    """Let dragging over the figure measure, move or zoom."""
    toolbar = viewer.canvas.toolbar
    if toolbar.mode.name == mode:
        return
    if mode == "PAN" or (mode == "NONE" and toolbar.mode.name == "PAN"):
        toolbar.pan()
    else:
        toolbar.zoom()


def _connect_figure(viewer: Viewer) -> None:
    canvas, ax = viewer.canvas, viewer.figure.axes[0]

    def turned(event: Any) -> None:
        if viewer.controls.wheel.value and event.inaxes is ax:
            at_ns = instant_of(event.xdata)
            viewer.go(zoomed(viewer.view, WHEEL**event.step, at_ns=at_ns))

    def pointed(event: Any) -> None:
        if event.inaxes is ax:
            lane = len(viewer.view.circuits) - 1 - math.floor(event.ydata)
            viewer.read_at(instant_of(event.xdata), lane=lane)

    def pressed(event: Any) -> None:
        if event.inaxes is ax and canvas.toolbar.mode.name != "NONE":
            viewer.remember()

    keys: dict[str, Callable[[], Any]] = {
        "left": lambda: viewer.go(moved(viewer.view, -STEP)),
        "right": lambda: viewer.go(moved(viewer.view, STEP)),
        "+": lambda: viewer.go(zoomed(viewer.view, CLOSER)),
        "=": lambda: viewer.go(zoomed(viewer.view, CLOSER)),
        "-": lambda: viewer.go(zoomed(viewer.view, 1 / CLOSER)),
        "home": lambda: viewer.go(whole_log(viewer.view)),
        "backspace": viewer.back,
        "n": lambda: step_run(viewer, later=True),
        "p": lambda: step_run(viewer, later=False),
        "h": lambda: step_peak(viewer),
        ",": lambda: viewer.step_reading(-1),
        ".": lambda: viewer.step_reading(1),
        "escape": viewer.clear_selection,
    }

    leaves = ""

    def typed(event: Any) -> None:
        nonlocal leaves
        key = (event.key or "").lower()
        leaves = key if key in ("tab", "shift+tab") else ""
        if key in keys:
            viewer.tell(keys[key])()

    def let_go(event: Any) -> None:
        # The figure keeps all keys to itself, and would hold those who use no mouse for ever.
        # Not when the key goes down: the page takes no second one while the first is held.
        nonlocal leaves
        if leaves and (event.key or "").lower().endswith("tab"):
            (viewer.controls.start if leaves == "tab" else viewer.controls.wheel).focus()
            leaves = ""

    canvas.mpl_connect("scroll_event", viewer.tell(turned))
    canvas.mpl_connect("motion_notify_event", pointed)
    canvas.mpl_connect("button_press_event", pressed)
    canvas.mpl_connect("button_release_event", lambda _: viewer.draw_soon())
    canvas.mpl_connect("key_press_event", typed)
    canvas.mpl_connect("key_release_event", let_go)
