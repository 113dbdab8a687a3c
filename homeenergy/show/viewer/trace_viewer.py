"""The viewer of traces, live in a notebook and as a picture."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import pandas as pd
from ipywidgets import VBox
from matplotlib.axes import Axes

from homeenergy.cycles import house_cycles
from homeenergy.readings.house import House
from homeenergy.show.figures.style import axes_for
from homeenergy.show.panels.house_panel import offer_import, warning
from homeenergy.show.panels.widgets import in_background, sentence
from homeenergy.show.viewer.drawing import ViewDrawing, picture_height_in
from homeenergy.show.viewer.view import first_view, view_data

AT_ONCE_SAMPLES = 60_000_000  # so many are summed up in about a second
POINTS = 1400


def trace_viewer(
    house: House,
    circuits: Sequence[str] | None = None,
    *,
    start: object = None,
    end: object = None,
    save_in: str = "saved",
) -> VBox:
    """Look at the circuits of a house, from the whole log down to single samples.

    Parameters
    ----------
    house : House
        Without readings, the viewer offers to import the logs.
    circuits : sequence of str, optional
        Names of those to begin with. Default: the six loads with most energy.
    start, end : timestamp or text, optional
        Where to begin to look: local times of the house, or instants. Default: all of the log.
    save_in : str
        Folder that is proposed for pictures and readings; it is made when something is saved.

    Returns
    -------
    ipywidgets.VBox
        Choose circuits at the left. Drag over the figure to measure what lies between; turn the
        wheel to look closer; use the buttons, or keys while the figure has the focus: arrows move,
        + and - zoom, Home shows all, N and P step from run to run, H to the highest power. Where
        no kernel runs, a picture of the first view is shown instead.

    Notes
    -----
    Each picture is drawn from the least and the greatest reading of every column of the screen,
    which are kept in the store, so no spike is lost and a year is as quick as a day.

    Examples
    --------
    >>> import homeenergy as he
    >>> from homeenergy.show import trace_viewer
    >>> report = he.import_logs("sample_data/canal_flat")
    >>> house = he.open_house("sample_data/canal_flat")
    >>> viewer = trace_viewer(house, ["fridge", "dryer"], start="2026-03-02", end="2026-03-09")
    """
    from ipywidgets import HTML

    from homeenergy.show.panels.widgets import Pictured
    from homeenergy.show.viewer.viewer import Viewer

    frame = Pictured([])

    def show() -> None:
        try:
            viewer = Viewer(house, circuits, start=start, end=end, save_in=save_in)
        except Exception as error:
            say(sentence(error))
            return
        frame.figure_of, frame.words_of = viewer.picture, viewer.words
        frame.children = [viewer.box]

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
        start_ns=view.log_start_ns if low is None else low,
        end_ns=view.log_end_ns if high is None else high,
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
