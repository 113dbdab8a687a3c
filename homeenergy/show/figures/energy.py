"""Energy by day, by outdoor temperature, and where the energy of a house goes."""

from __future__ import annotations

import math
from datetime import tzinfo

import numpy as np
import pandas as pd
from matplotlib.artist import Artist
from matplotlib.axes import Axes

from homeenergy.findings import Findings
from homeenergy.findings.appliance.record import (
    NO_INTERVAL,
    clipped,
    estimate_text,
    interval_text,
    value_text,
)
from homeenergy.findings.days import daily_energy
from homeenergy.findings.loads.heat_pump import HeatPumpUse
from homeenergy.findings.weather.fit import WeatherFit
from homeenergy.findings.weather.models import SHAPE_WORDS
from homeenergy.readings.trace import Trace, as_trace
from homeenergy.show.figures.style import (
    BLUE,
    DAY_NS,
    GREY,
    ORANGE,
    VERMILION,
    axes_for,
    axis_days,
    instants_ns,
    use_local_time,
    zone_name,
    zone_of,
)
from homeenergy.stats.estimate import Estimate

MARGIN_C = 1.0


def plot_weather(fit: WeatherFit, *, title: str | None = None, ax: Axes | None = None) -> Axes:
    """Draw the energy of days against their mean outdoor temperature, with the model.

    Parameters
    ----------
    fit : WeatherFit
    title : str, optional
        Default: the shape of the model.
    ax : matplotlib.axes.Axes, optional

    Returns
    -------
    matplotlib.axes.Axes
        The band holds the middle 95 % of models that the days allow; single days lie outside it. A
        dotted line marks a balance point, the strip at the bottom its interval.
    """
    ax = axes_for(ax, (9.0, 3.8))
    celsius, kwh = fit.days["celsius"].to_numpy(), fit.days["kwh"].to_numpy()
    at = np.linspace(celsius.min() - MARGIN_C, celsius.max() + MARGIN_C, 200)
    if fit.draws:
        low, high = np.quantile(fit.expected_draws_kwh(at), [0.025, 0.975], axis=0)
        ax.fill_between(at, low, high, color=BLUE, alpha=0.18, linewidth=0, label="95 % interval")
    ax.plot(celsius, kwh, "o", markersize=4, color=GREY, alpha=0.8, label="a day")
    ax.plot(at, fit.expected_kwh(at), color=BLUE, linewidth=2, label="model")
    ax.set_xlim(at[0], at[-1])
    ax.set_ylim(bottom=min(0.0, float(kwh.min())))
    for balance_c, colour, word in (
        (fit.heating_balance_c, VERMILION, "heating below"),
        (fit.cooling_balance_c, ORANGE, "cooling above"),
    ):
        if balance_c is not None:
            _mark_balance(ax, balance_c, colour=colour, word=word)
    ax.set_xlabel("mean outdoor temperature of the day (°C)")
    ax.set_ylabel("energy of the day (kWh)")
    ax.grid(color="0.88", linewidth=0.7)
    words = SHAPE_WORDS[fit.shape]
    ax.set_title(f"{words[0].upper()}{words[1:]}" if title is None else title, loc="left")
    ax.legend(frameon=False, loc="upper left", bbox_to_anchor=(1.0, 1.0))
    return ax


def _mark_balance(ax: Axes, balance_c: Estimate, *, colour: str, word: str) -> None:
    text = estimate_text(balance_c).replace("deg C", "°C")
    ax.axvline(balance_c.value, color=colour, linestyle=":", linewidth=1.6, label=f"{word} {text}")
    ax.axvspan(balance_c.low, balance_c.high, ymax=0.025, facecolor=colour, alpha=0.6, linewidth=0)


def plot_load(use: HeatPumpUse, *, title: str | None = None, ax: Axes | None = None) -> Axes:
    """Draw at what power a heat pump runs: shares of running time and of energy.

    Parameters
    ----------
    use : HeatPumpUse
    title : str, optional
    ax : matplotlib.axes.Axes, optional

    Returns
    -------
    matplotlib.axes.Axes
    """
    ax = axes_for(ax, (7.5, 3.4))
    width_w = float(use.load["to_w"].iloc[0] - use.load["from_w"].iloc[0])
    middle_w = (use.load["from_w"] + use.load["to_w"]).to_numpy() / 2
    for shift, name, label, hatch, face in (
        (-0.2, "time_share", "of the running time", "", BLUE),
        (0.2, "energy_share", "of the energy", "////", "white"),
    ):
        ax.bar(
            middle_w + shift * width_w,
            100 * use.load[name].to_numpy(),
            width=0.38 * width_w,
            facecolor=face,
            edgecolor=BLUE if hatch == "" else ORANGE,
            hatch=hatch,
            linewidth=0.8,
            label=label,
        )
    ax.set_xlim(0, float(use.load["to_w"].iloc[-1]))
    full = "full power" if use.full_given else "the most that was held in this log"
    ax.set_xlabel(f"power while running (W), up to {full}")
    ax.set_ylabel("share (%)")
    ax.grid(axis="y", color="0.88", linewidth=0.7)
    ax.set_title("Power while running" if title is None else title, loc="left")
    ax.legend(frameon=False)
    return ax


LEGEND_BELOW_PT = 20.0  # the numbers of the axis stand between
WHOLE_DAY = 0.99  # share of a day that must be there for its bar to be drawn as whole


def plot_daily_energy(
    trace: Trace | pd.Series,
    *,
    timezone: str | tzinfo = "UTC",
    title: str | None = None,
    ax: Axes | None = None,
) -> Axes:
    """Draw the energy of every local day as bars; days with missing hours are hatched.

    Parameters
    ----------
    trace : Trace or pandas.Series of watts
    timezone : str or datetime.tzinfo
        Zone that decides where a day begins.
    title : str, optional
        Default: the label of the trace.
    ax : matplotlib.axes.Axes, optional

    Returns
    -------
    matplotlib.axes.Axes
    """
    trace = as_trace(trace)
    days = daily_energy(trace, timezone=zone_of(timezone))
    ax = axes_for(ax, (9.0, 2.8))
    left = axis_days(instants_ns(days["day"]))
    width = days["day_h"].to_numpy(dtype=np.float64) / 24
    kwh = days["kwh"].to_numpy(dtype=np.float64)
    whole = (days["covered_h"] >= WHOLE_DAY * days["day_h"]).to_numpy(dtype=bool)
    for mask, hatch, face, label in (
        (whole, None, BLUE, "whole day"),
        (~whole, "////", "white", "hours missing: at least this much"),
    ):
        if mask.any():
            ax.bar(
                left[mask] + 0.08 * width[mask],
                kwh[mask],
                width=0.84 * width[mask],
                align="edge",
                facecolor=face,
                edgecolor=BLUE,
                hatch=hatch,
                linewidth=0.8,
                label=label,
            )
    ax.set_ylabel("energy of the day (kWh)")
    ax.grid(axis="y", color="0.88", linewidth=0.7)
    ax.set_title(trace.label if title is None else title, loc="left")
    use_local_time(ax, timezone)
    ax.set_xlabel(f"local day ({zone_name(zone_of(timezone))})")
    if not whole.all():
        ax.legend(loc="lower right", bbox_to_anchor=(1.0, 1.0), ncols=2, frameon=False)
    return ax


def plot_house_energy(
    findings: Findings, *, title: str | None = None, ax: Axes | None = None
) -> Axes:
    """Draw kWh per day of every appliance, greatest first, with intervals and the idle part.

    Parameters
    ----------
    findings : Findings
    title : str, optional
        Default: the house and its days.
    ax : matplotlib.axes.Axes, optional

    Returns
    -------
    matplotlib.axes.Axes
        The hatched part of a bar is energy drawn while idle, where that is known; the thin line
        is the interval of the whole bar. Where the mains are logged, the last bar is what no
        circuit accounts for.
    """
    known = [f for f in findings.appliances if math.isfinite(f.kwh_per_day.value)]
    bars = [(f.appliance, clipped(f.kwh_per_day, f), f.idle_share) for f in known]
    bars.sort(key=lambda bar: bar[1].value, reverse=True)
    rest = findings.unmeasured_kwh_per_day
    if rest is not None and math.isfinite(rest.value):
        bars.append(("unmeasured", rest, math.nan))
    ax = axes_for(ax, (9.0, 1.4 + 0.34 * max(len(bars), 1)))
    for row, (name, kwh, idle_share) in enumerate(bars):
        _draw_bar(ax, row, kwh, idle_share, measured=name != "unmeasured")
    ax.set_yticks(range(len(bars)), [name for name, _, _ in bars])
    ax.set_ylim(len(bars) - 0.4, -0.6)
    ends = [_end(kwh) for _, kwh, _ in bars]
    starts = [kwh.low if math.isfinite(kwh.low) else kwh.value for _, kwh, _ in bars]
    ax.set_xlim(1.05 * min([0.0, *starts]), 1.12 * max([*ends, 0.01]))
    ax.set_xlabel("energy (kWh per day)", loc="left")
    ax.grid(axis="x", color="0.88", linewidth=0.7)
    ax.tick_params(axis="y", length=0)
    ax.set_title(_house_title(findings) if title is None else title, loc="left")
    any_idle = any(idle_share > 0 for _, _, idle_share in bars)
    _legend_below(ax, _house_legend(any_idle))
    return ax


def _legend_below(ax: Axes, handles: list[Artist]) -> None:
    """Put the legend next to the name of the axis, where it covers no bar and no number."""
    from matplotlib.transforms import offset_copy

    figure = ax.get_figure(root=True)
    ax.legend(
        handles=handles,
        loc="upper right",
        bbox_to_anchor=(1.0, 0.0),
        bbox_transform=offset_copy(ax.transAxes, figure, y=-LEGEND_BELOW_PT, units="points"),
        borderaxespad=0,
        ncols=len(handles),
        frameon=False,
    )


def _draw_bar(ax: Axes, row: int, kwh: Estimate, idle_share: float, *, measured: bool) -> None:
    idle_kwh = kwh.value * idle_share if math.isfinite(idle_share) else 0.0
    ax.barh(
        row,
        kwh.value - idle_kwh,
        height=0.66,
        facecolor=BLUE if measured else "0.8",
        edgecolor=BLUE if measured else GREY,
        linewidth=0.8,
    )
    if idle_kwh > 0:
        ax.barh(
            row,
            idle_kwh,
            left=kwh.value - idle_kwh,
            height=0.66,
            facecolor="white",
            edgecolor=ORANGE,
            hatch="////",
            linewidth=0.8,
        )
    if math.isfinite(kwh.low) and math.isfinite(kwh.high):
        ax.plot([kwh.low, kwh.high], [row, row], color="black", linewidth=1.4, zorder=4)
    ax.annotate(
        f"{value_text(kwh)} (?)" if interval_text(kwh) == NO_INTERVAL else value_text(kwh),
        (_end(kwh), row),
        xytext=(6, 0),
        textcoords="offset points",
        va="center",
        fontsize=9,
    )


def _end(kwh: Estimate) -> float:
    return max(kwh.value, kwh.high) if math.isfinite(kwh.high) else kwh.value


def _house_legend(any_idle: bool) -> list[Artist]:
    from matplotlib.lines import Line2D
    from matplotlib.patches import Patch

    idle = Patch(facecolor="white", edgecolor=ORANGE, hatch="////", label="while idle")
    return [
        Patch(color=BLUE, label="in use"),
        *([idle] if any_idle else []),
        Line2D([], [], color="black", linewidth=1.4, label="95 % interval"),
    ]


def _house_title(findings: Findings) -> str:
    days = (findings.end - findings.start).value / DAY_NS
    return f"{findings.house_name}: where the energy goes ({days:.0f} days)"
