"""Days before and after a change, at the same weather and weekday."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from homeenergy.findings.wording import estimate_text
from homeenergy.show.style import BLUE, GREY, VERMILION, axes_for

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from homeenergy.estimate import Estimate
    from homeenergy.findings import Change


def plot_before_after(change: Change, *, title: str | None = None, ax: Axes | None = None) -> Axes:
    """Draw every day, brought to the same weather and weekday, with the levels before and after.

    Parameters
    ----------
    change : Change
    title : str, optional
        Default: what changed, or that nothing shows.
    ax : matplotlib.axes.Axes, optional

    Returns
    -------
    matplotlib.axes.Axes
        Small dots are days as measured, drawn where weather or weekday moved them; the bands are
        95 % intervals of the levels, the grey strip that of the day of the change.
    """
    ax = axes_for(ax, (9.0, 3.6))
    day = change.days["day"].to_numpy()
    adjusted = change.days["adjusted_kwh"].to_numpy()
    measured = change.days["kwh"].to_numpy()
    split = int(np.searchsorted(day, np.datetime64(change.at)))
    if not np.allclose(measured, adjusted):
        ax.plot(day, measured, ".", markersize=3, color="0.7", label="as measured")
    same = _same(change)
    for part, colour, marker, word, level in (
        (slice(0, split), BLUE, "o", "before", change.before_kwh),
        (slice(split, None), VERMILION, "s", "after", change.after_kwh),
    ):
        ax.plot(
            day[part],
            adjusted[part],
            marker,
            markersize=4,
            color=colour,
            alpha=0.8,
            label=f"{word}{same}",
        )
        _level(ax, day[part], level, colour=colour, dashed=word == "after")
    if change.found:
        # From noon to noon: a change lies between two days.
        ax.axvspan(
            _noon_before(change.earliest), _noon_before(change.latest), color=GREY, alpha=0.15, lw=0
        )
    ax.axvline(_noon_before(change.at), color=GREY, linestyle=":", linewidth=1.4)
    ax.set_ylim(bottom=min(0.0, float(np.nanmin(np.r_[adjusted, measured]))))
    ax.set_ylabel("energy of the day (kWh)")
    ax.grid(axis="y", color="0.88", linewidth=0.7)
    ax.set_title(_title(change) if title is None else title, loc="left")
    ax.legend(frameon=False, loc="upper left", bbox_to_anchor=(1.0, 1.0))
    _date_axis(ax)
    return ax


def _level(ax: Axes, day: np.ndarray, level: Estimate, *, colour: str, dashed: bool) -> None:
    if not day.size:
        return
    ends = np.array([day[0], day[-1]])
    style = (0, (6, 2)) if dashed else "solid"
    ax.plot(ends, [level.value, level.value], color=colour, linewidth=2, linestyle=style)
    if np.isfinite([level.low, level.high]).all():
        ax.fill_between(ends, level.low, level.high, color=colour, alpha=0.18, linewidth=0)


def _noon_before(day: pd.Timestamp) -> float:
    from matplotlib.dates import date2num

    return float(date2num(day - pd.Timedelta(hours=12)))


def _same(change: Change) -> str:
    words = [
        word
        for word, used in (("weather", change.balance is not None), ("weekday", change.weekday))
        if used
    ]
    return f", same {' and '.join(words)}" if words else ""


def _title(change: Change) -> str:
    if not change.shown:
        return "No change that these data can show"
    size = estimate_text(change.size_kwh)
    return f"From {change.at.day} {change.at:%B %Y}: {size} a day"


def _date_axis(ax: Axes) -> None:
    from matplotlib.dates import AutoDateLocator, ConciseDateFormatter

    locator = AutoDateLocator(minticks=3, maxticks=8)
    ax.xaxis.set_major_locator(locator)
    ax.xaxis.set_major_formatter(ConciseDateFormatter(locator))
