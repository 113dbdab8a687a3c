"""When a load is on: hours of the local day, and the levels at which it stands."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

from homeenergy.findings.lighting import HoursOfUse
from homeenergy.findings.wording import clipped, interval_text, value_text
from homeenergy.show.style import BLUE, axes_for

if TYPE_CHECKING:
    from matplotlib.axes import Axes

MINUTES = 60


def plot_hours_of_use(use: HoursOfUse, *, title: str | None = None, ax: Axes | None = None) -> Axes:
    """Draw for how many minutes of each hour of the local day a load is on, on average.

    Parameters
    ----------
    use : HoursOfUse
    title : str, optional
        Default: the appliance, its hours a day and its watts when on.
    ax : matplotlib.axes.Axes, optional

    Returns
    -------
    matplotlib.axes.Axes
        A bar an hour; hours that were never seen have a cross and no bar.
    """
    ax = axes_for(ax, (9.0, 2.9))
    minutes = MINUTES * use.by_hour["on_h"].to_numpy(np.float64)
    hours = use.by_hour["hour"].to_numpy(np.float64)
    seen = np.isfinite(minutes)
    ax.bar(
        hours[seen] + 0.06,
        minutes[seen],
        width=0.88,
        align="edge",
        facecolor=BLUE,
        edgecolor=BLUE,
        linewidth=0.8,
    )
    if not seen.all():
        ax.plot(
            hours[~seen] + 0.5,
            np.full((~seen).sum(), 1.0),
            linestyle="none",
            marker="x",
            color="black",
            label="never seen",
        )
        ax.legend(loc="upper left", frameon=False)
    ax.set_xlim(0, 24)
    ax.set_xticks(range(0, 25, 3), [f"{h:02d}:00" for h in range(0, 25, 3)])
    top = float(np.nanmax(minutes)) if seen.any() else 0.0
    ax.set_ylim(0, max(1.15 * top, 1.0) if top < 52 else MINUTES)
    ax.set_ylabel("on (minutes of the hour)")
    ax.set_xlabel("time of day")
    ax.grid(axis="y", color="0.88", linewidth=0.7)
    ax.set_title(_title(use) if title is None else title, loc="left")
    return ax


def _title(use: HoursOfUse) -> str:
    name = use.finding.appliance
    hours = clipped(use.hours_per_day, use.finding)
    if not (hours.value > 0 and math.isfinite(use.on_w.value)):
        return f"{name}: never on in {use.finding.days:.0f} days"
    text = f"{name}: {value_text(hours)} h a day ({interval_text(hours, of='days')})"
    return f"{text}, {use.on_w.value:,.0f} W when on, {use.finding.days:.0f} days"
