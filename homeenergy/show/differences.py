"""Many differences side by side: days of the week, hours of the day."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from homeenergy.findings.compare_times import Comparisons
from homeenergy.show.style import BLACK, GREY, VERMILION, axes_for

if TYPE_CHECKING:
    from matplotlib.axes import Axes

DOTS = (0, (2, 1.2))
HOUR = " to "  # in "07:00 to 08:00"


def plot_differences(
    found: Comparisons, *, title: str | None = None, ax: Axes | None = None
) -> Axes:
    """Draw by how much each hour, or day of the week, differs from the others.

    Parameters
    ----------
    found : Comparisons
        From `compare_weekdays` or `compare_hours`.
    title : str, optional
        Default: how many differences the data show.
    ax : matplotlib.axes.Axes, optional

    Returns
    -------
    matplotlib.axes.Axes
        Bars are 95 % intervals, each for itself. A difference is a full diamond where the data
        show it, all comparisons allowed for, and an empty one on a dotted bar where they do not.
    """
    every = found.all
    ax = axes_for(ax, (9.0, 3.4))
    ax.axhline(0, color=BLACK, linewidth=0.9)
    for at, one in enumerate(every):
        colour = VERMILION if one.differs else GREY
        estimate = one.difference
        if np.isfinite([estimate.low, estimate.high]).all():
            dash = "solid" if one.differs else DOTS
            ends = [estimate.low, estimate.high]
            ax.plot([at, at], ends, color=colour, linestyle=dash, linewidth=2, zorder=4)
        ax.plot(
            [at],
            [estimate.value],
            "D",
            color=colour,
            markerfacecolor=colour if one.differs else "white",
            markersize=6,
            zorder=5,
        )
    ax.set_xticks(range(len(every)), [_short(one.name_a) for one in every])
    if HOUR in every[0].name_a:
        ax.set_xlabel("hour of the local day")
    ax.set_ylabel(f"difference (kWh per {every[0].per})")
    ax.grid(axis="y", color="0.88", linewidth=0.7)
    shown = len(found.differing)
    words = f"{shown} of {len(every)} differences are shown by these data"
    ax.set_title(words if title is None else title, loc="left")
    return ax


def _short(name: str) -> str:
    return name.split(":")[0] if HOUR in name else name
