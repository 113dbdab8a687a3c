"""For how much of the time a circuit draws at least so much: the load-duration curve."""

from __future__ import annotations

from collections.abc import Iterable
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from homeenergy.readings.trace import Trace, as_trace
from homeenergy.show.style import LOOKS, axes_for

if TYPE_CHECKING:
    from matplotlib.axes import Axes

CORNERS = 2000
LEAST_LOG_SHARE = 1e-5
BRIEF_SHARE = 0.001
MARKS_EVERY = 0.12  # of the axis, so that lines can be told apart without colour


def plot_load_duration(
    traces: Trace | pd.Series | Iterable[Trace | pd.Series],
    *,
    log_time: bool = False,
    title: str | None = None,
    ax: Axes | None = None,
) -> Axes:
    """Draw the share of the time for which each circuit draws at least so much.

    Parameters
    ----------
    traces : Trace or pandas.Series of watts, or several of them
        Missing samples count for nothing: the share is of the time that was measured.
    log_time : bool
        Spread out what is drawn rarely: 0.1 % of the time as wide as 1 % and 10 %.
    title : str, optional
    ax : matplotlib.axes.Axes, optional

    Returns
    -------
    matplotlib.axes.Axes
        The area under a curve is energy; its right end shows what is drawn all the time, its left
        end the greatest power, which is also written. What lasts less than a thousandth of the
        time may rise above the axis; see `log_time`.

    Raises
    ------
    ValueError
        If there is nothing to draw, or more circuits than can be told apart.

    Notes
    -----
    O(n log n): samples are sorted by power.

    Examples
    --------
    >>> import homeenergy as he
    >>> from homeenergy.show import plot_load_duration
    >>> report = he.import_logs("sample_data/canal_flat")
    >>> house = he.open_house("sample_data/canal_flat")
    >>> ax = plot_load_duration([house.trace("fridge"), house.trace("dryer")])
    >>> [line.get_label() for line in ax.get_lines()]
    ['Refrigerator, highest 4,408 W', 'Tumble dryer, highest 3,676 W']
    """
    given = [traces] if isinstance(traces, Trace | pd.Series) else list(traces)
    shown = [as_trace(trace) for trace in given]
    if not shown:
        raise ValueError("no trace to draw; give at least one")
    if len(shown) > len(LOOKS):
        raise ValueError(
            f"{len(shown)} circuits cannot be told apart; draw at most {len(LOOKS)} of them"
        )
    ax = axes_for(ax, (9.0, 3.4))
    greatest_w, least_w = 1.0, 0.0
    for number, (trace, look) in enumerate(zip(shown, LOOKS, strict=False)):
        share, watts = duration_curve(trace, log_time=log_time)
        if not share.size:
            continue
        ax.plot(
            100 * share,
            watts,
            color=look.colour,
            linestyle=look.dash,
            marker=look.marker,
            markevery=(0.02 + 0.015 * number, MARKS_EVERY),
            markersize=4.5,
            linewidth=1.4,
            label=f"{trace.label}, highest {watts[0]:,.0f} W",
        )
        lasting_w = float(watts[np.searchsorted(share, 0.0 if log_time else BRIEF_SHARE)])
        greatest_w, least_w = max(greatest_w, lasting_w), min(least_w, float(watts[-1]))
    if not ax.get_lines():
        ax.text(0.5, 0.5, "no readings", transform=ax.transAxes, ha="center", va="center")
    if log_time:
        ax.set_xscale("log")
        ax.xaxis.set_major_formatter(lambda value, _: f"{value:g}")
    ax.set_xlim(100 * LEAST_LOG_SHARE * 10 if log_time else 0, 100)
    ax.set_ylim(1.05 * least_w, 1.05 * greatest_w)
    ax.set_xlabel("share of the measured time (%)")
    ax.set_ylabel("power at least (W)")
    ax.grid(color="0.88", linewidth=0.7)
    if ax.get_lines():
        ax.legend(loc="upper right", frameon=False, handlelength=3.2)
    own = shown[0].label if len(shown) == 1 else None
    if title is not None or own is not None:
        ax.set_title(str(own) if title is None else title, loc="left")
    return ax


def duration_curve(
    trace: Trace, *, log_time: bool = False
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Shares of the measured time, and the power that is reached for so long [W], falling.

    With `log_time` the shares are spaced evenly in their logarithm.
    """
    watts = trace.watts[~np.isnan(trace.watts)]
    if not watts.size:
        return np.empty(0), np.empty(0)
    watts = np.sort(watts)[::-1]
    if log_time:
        steps = np.geomspace(max(1 / watts.size, LEAST_LOG_SHARE), 1.0, CORNERS)
    else:
        steps = np.linspace(0.0, 1.0, CORNERS)
    at = np.unique(np.clip(np.round(steps * watts.size).astype(np.int64), 0, watts.size))
    # At share 0 the greatest; the power at share s is that of the sample that fills it.
    return at / watts.size, watts[np.maximum(at - 1, 0)].astype(np.float64)
