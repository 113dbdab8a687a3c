"""The viewer of traces, live in a notebook and as a picture."""

from __future__ import annotations

import json
import threading
from base64 import b64encode
from collections.abc import Sequence
from dataclasses import replace
from functools import cache
from io import BytesIO
from typing import TYPE_CHECKING, Any
from uuid import uuid4

import pandas as pd
from ipywidgets import VBox
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from homeenergy.cycles import house_cycles
from homeenergy.readings.house import House
from homeenergy.show.figures.style import axes_for, fewer_colours, image_html
from homeenergy.show.panels.house_panel import offer_import, warning
from homeenergy.show.panels.widgets import STATIC_DPI, in_background, sentence
from homeenergy.show.viewer.answers import Answers
from homeenergy.show.viewer.drawing import ViewDrawing, picture_height_in
from homeenergy.show.viewer.page import copies_of, module_text, script_of, style_text
from homeenergy.show.viewer.view import View, ViewData, first_view, in_words, view_data

if TYPE_CHECKING:
    from anywidget import AnyWidget

AT_ONCE_SAMPLES = 60_000_000  # so many are summed up in about a second
POINTS = 1400
SAVED_POINTS = 700  # stretches of the log that a saved notebook carries along
QUICK = ("open", "window", "span", "highest", "seen")
# Shown beside a saved copy of itself, the live viewer hides the copy. A copy that nothing hides has
# no kernel behind it: it comes to life, and hides the line that stands for the live one.
LIVE = """
export default { render({ model, el }) {
  const away = showViewer(el, viaWidget(model));
  const style = document.createElement("style");
  style.textContent = `[data-still="${model.get("still")}"] { display: none }`;
  el.append(style);
  return away;
} };
"""
STILL = """
const place = document.getElementById("{place}");
const wait = place && place.closest(".jp-Notebook") ? {wait_ms} : 0;
setTimeout(() => {{
  if (!place || !place.getClientRects().length) return;
  const style = document.createElement("style");
  style.textContent = {style} +
    `.jp-OutputArea:has(#{place} .he-viewer) .jupyter-widgets:not(:has(*)) {{ display: none; }}`;
  place.replaceChildren(style);
  showViewer(place, fromCopies({copies}));
}}, wait);
"""
WAIT_MS = 3000


@cache
def _live() -> type[AnyWidget]:
    """Class of the widget; its code is read when the first one is shown."""
    import anywidget
    import traitlets

    class Live(anywidget.AnyWidget):
        _esm = module_text() + LIVE
        _css = style_text()
        still = traitlets.Unicode().tag(sync=True)

    return Live


def live_widget(answers: Answers, *, still: str = "") -> AnyWidget:
    """Give the widget that draws in the browser and asks `answers`.

    What takes long is answered from a thread, so that looking around goes on meanwhile.
    """
    widget = _live()(still=still)

    def reply(question: dict[str, Any]) -> None:
        said, buffers = answers.answer(question)
        widget.send(said, buffers)

    def received(_: object, question: Any, __: object) -> None:
        if not isinstance(question, dict):
            return
        if question.get("kind") in QUICK:
            reply(question)
        else:
            threading.Thread(target=reply, args=(question,), daemon=True).start()

    widget.on_msg(received)
    return widget


class Shown(VBox):
    """A VBox that is shown with a copy of the viewer, for where no kernel runs.

    The copy is a picture that becomes a viewer of the whole log where scripts may run: in a page
    made from the notebook, and in a notebook that was saved and is opened again.
    """

    answers: Answers | None = None
    place = ""

    def _ipython_display_(self, **kwargs: Any) -> None:
        from IPython.display import display

        bundle = self._repr_mimebundle_(**kwargs)
        data, *_ = bundle if isinstance(bundle, tuple) else (bundle,)
        if data is None:
            return
        data["text/plain"] = "The trace viewer moves while a kernel runs. A copy of it:"
        display(data, raw=True)
        if self.answers is not None:
            display(self.copy(), raw=True)

    def copy(self) -> dict[str, str]:
        """Give the copy, by kind of data."""
        if self.answers is None:
            return {}
        figure, data = _first_picture(self.answers)
        png = BytesIO()
        figure.savefig(png, format="png", dpi=STATIC_DPI)
        words = in_words(data, zone=self.answers.house.timezone)
        script = STILL.format(
            place=self.place,
            wait_ms=WAIT_MS,
            style=json.dumps(style_text()),
            copies=json.dumps(copies_of(self.answers, points=SAVED_POINTS)),
        )
        code = script_of(script)
        small = fewer_colours(png.getvalue())
        picture = image_html(f"Figure. {words}", png=small)
        html = f'<div id="{self.place}" data-still="{self.place}">{picture}</div>'
        return {
            "text/html": f'{html}\n<script type="module">\n{code}</script>',
            "image/png": b64encode(small).decode("ascii"),
        }


def _first_picture(answers: Answers) -> tuple[Figure, ViewData]:
    house, names = answers.house, answers.shown
    start_ns, end_ns = answers.view
    view = View(circuits=names, start_ns=start_ns, end_ns=end_ns)
    data = view_data(house, view, points=POINTS)
    figure = Figure(figsize=(9.0, picture_height_in(len(names), stacked=True)))
    ax = figure.add_axes((0.2, 0.16, 0.7, 0.74))
    ViewDrawing(ax, house.timezone).draw(data)
    return figure, data


def trace_viewer(
    house: House,
    circuits: Sequence[str] | None = None,
    *,
    start: object = None,
    end: object = None,
) -> VBox:
    """Look at the circuits of a house, from the whole log down to single samples.

    Parameters
    ----------
    house : House
        Without readings, the viewer offers to import the logs.
    circuits : sequence of str, optional
        Names of those to begin with, or of other quantities that logs hold. Default: the six loads
        with most energy.
    start, end : timestamp or text, optional
        Where to begin to look: local times of the house, or instants. Default: all of the log.

    Returns
    -------
    ipywidgets.VBox
        The wheel or two fingers zoom, dragging moves, Shift and dragging measures what lies
        between, Ctrl and dragging zooms into a box, a double click goes back, a click on a shaded
        run opens it; keys for all of it are listed below the figure. Where no kernel runs, a
        picture of the first view is shown, and where scripts may run a viewer of the whole log in
        about a thousand stretches of time.

    Notes
    -----
    The browser draws. It is sent the least, greatest and mean reading of stretches as long as a
    column of the screen, from minutes and hours that the store keeps, so no spike is lost and a
    year is as quick as a day.

    Examples
    --------
    >>> import homeenergy as he
    >>> from homeenergy.show import trace_viewer
    >>> report = he.import_logs("sample_data/canal_flat")
    >>> house = he.open_house("sample_data/canal_flat")
    >>> viewer = trace_viewer(house, ["fridge", "dryer"], start="2026-03-02", end="2026-03-09")
    """
    from ipywidgets import HTML

    frame = Shown([])
    frame.place = f"viewer-{uuid4().hex[:12]}"

    def show() -> None:
        try:
            answers = Answers(house, circuits, start=start, end=end)
        except (ValueError, OSError) as error:
            say(sentence(error))
            return
        frame.answers = answers
        frame.children = [live_widget(answers, still=frame.place)]

    def say(text: str) -> None:
        frame.children = [HTML(warning(text))]

    def prepare() -> None:
        waiting = sum(info.samples for info, _ in house.overview.unprepared())
        if waiting <= AT_ONCE_SAMPLES:
            show()
            return
        in_background(
            lambda step: house.overview.prepare(progress=step),
            within=frame,
            done=lambda _: show(),
            failed=say,
            what="Aggregating minutes and hours, once",
        )

    if circuits is not None:
        for name in circuits:
            if name not in house.other_units:
                house.circuit(name)
    if house.has_store:
        prepare()
    else:
        frame.children = [offer_import(house, then=prepare)]
    return frame


def plot_overview(
    house: House,
    circuits: Sequence[str] | None = None,
    *,
    start: object = None,
    end: object = None,
    lanes: bool = True,
    runs: bool = False,
    points: int = POINTS,
    ax: Axes | None = None,
) -> Axes:
    """Draw circuits of a house over any stretch of its log, quickly, every peak kept.

    Parameters
    ----------
    house : House
        With its logs imported. Read through its overview, so a year takes no longer than a day.
    circuits : sequence of str, optional
        Names. Default: all that have readings.
    start, end : timestamp or text, optional
        Local times of the house, or instants. Default: all of the log.
    lanes : bool
        True: each circuit in a lane, scaled to its own highest power in view, which is written at
        the right. False: all on one scale, at most seven.
    runs : bool
        Shade the runs; they are then found in the whole log of each circuit, which takes longer.
    points : int
        Columns to draw.
    ax : matplotlib.axes.Axes, optional

    Returns
    -------
    matplotlib.axes.Axes

    Raises
    ------
    HouseError
        If nothing has been imported, or there is no such circuit.
    ValueError
        If there are more circuits than can be distinguished on one scale, or no time between
        `start` and `end`.

    Examples
    --------
    >>> import homeenergy as he
    >>> from homeenergy.show import plot_overview
    >>> report = he.import_logs("sample_data/canal_flat")
    >>> house = he.open_house("sample_data/canal_flat")
    >>> ax = plot_overview(house, ["fridge", "dryer"], start="2026-03-02", end="2026-03-04")
    """
    chosen = [c.name for c in house.circuits if house.has_readings(c)]
    if circuits is not None:
        chosen = [house.circuit(name).name for name in circuits]
    if not any(house.has_readings(name) for name in chosen):
        house.stored_months(chosen[0] if chosen else house.circuits[0])  # says what to do
    view = first_view(house, tuple(chosen))
    low, high = house.instant_ns(start), house.instant_ns(end)
    view = replace(
        view,
        start_ns=view.start_ns if low is None else low,
        end_ns=view.end_ns if high is None else high,
        arrangement="stacked" if lanes else "one scale",
        runs=runs,
    )
    if view.start_ns >= view.end_ns:
        raise ValueError(f"start must come before end, got {start} and {end}")
    known: dict[str, pd.DataFrame] = {}
    if runs:
        known = {n: house_cycles(house, n).table for n in chosen if house.has_readings(n)}
    data = view_data(house, view, points=points, runs=known)
    ax = axes_for(ax, (9.0, picture_height_in(len(chosen), stacked=lanes)))
    ViewDrawing(ax, house.timezone).draw(data)
    return ax
