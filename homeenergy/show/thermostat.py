"""A thermostat at work, and how its duty cycle follows the room."""

from __future__ import annotations

from collections.abc import Iterable
from typing import TYPE_CHECKING

import numpy as np

from homeenergy.show.style import BLUE, GREY, SKY, VERMILION, axes_for
from homeenergy.units import S_PER_H

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from homeenergy.simulate import CabinetModel, CabinetRecord


def plot_cabinet(
    record: CabinetRecord, *, title: str | None = None, ax: Axes | None = None
) -> Axes:
    """Draw the temperature in a cabinet and in the room; shaded where the compressor runs.

    Parameters
    ----------
    record : CabinetRecord
    title : str, optional
        Default: share of the time that it runs, and the energy.
    ax : matplotlib.axes.Axes, optional

    Returns
    -------
    matplotlib.axes.Axes
    """
    trace = record.trace
    hours = np.arange(len(trace) + 1) * trace.period_s / S_PER_H
    on = trace.watts > 0
    ax = axes_for(ax, (9.0, 3.2))
    edges = np.flatnonzero(np.diff(np.r_[False, on, False]))
    for first, stop in zip(edges[::2], edges[1::2], strict=True):
        label = "compressor runs" if first == edges[0] else None
        ax.axvspan(hours[first], hours[stop], color=SKY, alpha=0.4, linewidth=0, label=label)
    ax.plot(hours[:-1], record.room_c, color=VERMILION, linestyle=(0, (6, 2)), label="room")
    ax.plot(hours[:-1], record.inside_c, color=BLUE, linewidth=1.6, label="inside")
    for end in (-0.5, 0.5):
        limit = record.model.set_c + end * record.model.band_k
        ax.axhline(limit, color=GREY, linewidth=0.8, linestyle=(0, (1, 1.5)))
    ax.set_xlim(hours[0], hours[-1])
    ax.set_ylim(min(0.0, float(record.inside_c.min()) - 1), 1.15 * float(record.room_c.max()))
    ax.set_xlabel("time (h)")
    ax.set_ylabel("temperature (°C)")
    ax.legend(loc="upper left", bbox_to_anchor=(1.0, 1.0), frameon=False, handlelength=3.2)
    if title is None:
        title = (
            f"runs {record.duty_cycle:.0%} of the time: {trace.energy_wh / 1000:.2f} kWh "
            f"in {hours[-1]:g} h"
        )
    ax.set_title(title, loc="left")
    return ax


def plot_duty_cycle(
    model: CabinetModel,
    *,
    records: Iterable[CabinetRecord] = (),
    title: str | None = None,
    ax: Axes | None = None,
) -> Axes:
    """Draw the duty cycle over the temperature of the room: heat balance as a line, runs as dots.

    Parameters
    ----------
    model : CabinetModel
    records : iterable of CabinetRecord
        Simulated, each in a room of one temperature.
    title : str, optional
    ax : matplotlib.axes.Axes, optional

    Returns
    -------
    matplotlib.axes.Axes
    """
    rooms_c = np.linspace(model.set_c, 40.0, 73)
    ax = axes_for(ax, (6.4, 3.4))
    share = [100 * model.duty_cycle(room_c) for room_c in rooms_c.tolist()]
    ax.plot(rooms_c, share, color=BLUE, label="heat balance")
    dots = [(float(np.mean(r.room_c)), 100 * r.duty_cycle) for r in records]
    if dots:
        ax.plot(*zip(*dots, strict=True), "s", color=VERMILION, label="a simulated day")
    ax.set_xlabel("temperature of the room (°C)")
    ax.set_ylabel("duty cycle (%)")
    ax.set_ylim(0, max(100.0, *share) if max(share) > 60 else 70)
    ax.grid(color="0.88", linewidth=0.7)
    ax.legend(frameon=False, loc="upper left")
    if title is not None:
        ax.set_title(title, loc="left")
    return ax
