"""Circuits of a house over any stretch of its log, as a figure that needs no widget."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import pandas as pd
from matplotlib.axes import Axes

from homeenergy.cycles import house_cycles
from homeenergy.readings.house import House
from homeenergy.show.figures.style import axes_for
from homeenergy.show.viewer.drawing import ViewDrawing, picture_height_in
from homeenergy.show.viewer.view import first_view, view_data

POINTS = 1400


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
