"""The live picture of a viewer: what it shows is gathered anew each time it is drawn."""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from typing import TYPE_CHECKING, Any

import matplotlib
import numpy as np
from matplotlib.artist import Artist
from matplotlib.figure import Figure

from homeenergy.show.figures.local_axis import DAY_NS

if TYPE_CHECKING:
    from ipympl.backend_nbagg import Canvas


WIDTH_IN, DPI = 8.6, 100
LABEL_IN, NOTE_IN, TITLE_IN, AXIS_IN = 1.75, 0.8, 0.4, 0.88
LEGEND_IN = 2.05
DRAW_AFTER_S = 0.01
SHOW_AFTER_S = 1.0  # by then the page has made room for a figure
WHEEL = 1.3  # how much closer one notch looks


class BeforeDrawing(Artist):
    """Draws nothing; calls a function before all else of the figure is drawn."""

    def __init__(self, action: Callable[[], None]) -> None:
        super().__init__()
        self.action = action
        self.set_zorder(-1e9)
        self.set_in_layout(False)

    def draw(self, renderer: Any) -> None:  # noqa: ARG002
        """Call the function."""
        self.action()


def new_figure(height_in: float, *, before_drawing: Callable[[], None]) -> Figure:
    """Give a figure with one Axes that belongs to no list of open figures, so nothing stays."""
    figure = Figure(figsize=(WIDTH_IN, height_in), dpi=DPI)
    figure.add_axes((0.2, 0.2, 0.7, 0.7))
    figure.add_artist(BeforeDrawing(before_drawing))
    set_margins(figure, stacked=True)
    return figure


def set_margins(figure: Figure, *, stacked: bool) -> None:
    """Leave room for names, notes and times: fixed, for finding out takes longer than drawing."""
    width_in, height_in = figure.get_size_inches()
    left, right = (LABEL_IN, NOTE_IN) if stacked else (0.75, LEGEND_IN)
    figure.axes[0].set_position(
        (
            left / width_in,
            AXIS_IN / height_in,
            (width_in - left - right) / width_in,
            (height_in - AXIS_IN - TITLE_IN) / height_in,
        )
    )


def draw_soon(canvas: Canvas) -> Callable[[], None]:
    """Give a function that draws once, shortly, for however many times it is called until then.

    The picture is pushed to the page. Left to ask for it, a busy page may overlook that it should.
    """
    waiting = False

    def draw() -> None:
        nonlocal waiting
        waiting = False
        canvas.draw()

    def ask() -> None:
        nonlocal waiting
        try:
            loop = asyncio.get_running_loop()
        except RuntimeError:  # no notebook: whoever wants a picture draws it
            canvas.draw_idle()
            return
        if not waiting:
            waiting = True
            loop.call_later(DRAW_AFTER_S, draw)

    return ask


@contextmanager
def _backend_kept() -> Iterator[None]:
    """Keep how all other figures are drawn: importing ipympl would change it."""
    backend = matplotlib.get_backend()
    yield
    if matplotlib.get_backend() != backend:
        matplotlib.use(backend)


def live_canvas(figure: Figure, *, run: Callable[..., None]) -> Canvas:
    """Give the widget that shows a figure and sends back what mouse and keys do to it.

    What it sends back is handled by `run`, see `one_thread`.
    """
    with _backend_kept():
        from ipympl.backend_nbagg import Canvas, FigureManager

    class Live(Canvas):
        def __init__(self) -> None:
            # Before the page knows of it: what the page then says at once would else be lost.
            self.on_msg(lambda *message: run(self._handle_message, *message))
            super().__init__(figure)
            self.on_msg(self._handle_message, remove=True)

    canvas = Live()
    manager = FigureManager(canvas, 0)
    # Its keys toggle grids and logarithmic axes; the viewer has keys of its own.
    canvas.mpl_disconnect(manager.key_press_handler_id)
    canvas.toolbar_visible = False
    canvas.header_visible = False
    canvas.footer_visible = False
    canvas.resizable = False
    canvas.capture_scroll = True
    _show_size(canvas)
    return canvas


def _show_size(canvas: Canvas) -> None:
    """Tell the page the size of the figure and draw it, also if it does not ask."""

    def show() -> None:
        width, height = canvas.figure.bbox.size
        canvas.manager.resize(width, height)
        canvas.draw()

    with suppress(RuntimeError):  # no notebook
        asyncio.get_running_loop().call_later(SHOW_AFTER_S, show)


def columns(figure: Figure) -> int:
    """How many columns of pixels the Axes is wide."""
    return max(int(figure.axes[0].bbox.width), 50)


def limits_ns(figure: Figure) -> tuple[int, int]:
    """Instants (UTC, ns) between which the Axes shows time."""
    low, high = sorted(figure.axes[0].get_xlim())
    return round(low * DAY_NS), round(high * DAY_NS)


def instant_of(x: float | None) -> int | None:
    """Instant (UTC, ns) of a place on the time axis; None outside."""
    return None if x is None or not np.isfinite(x) else round(float(x) * DAY_NS)
