"""Daily energy against outdoor temperature, and what a heat pump's power is spread over."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from homeenergy.findings.appliance.wording import estimate_text
from homeenergy.findings.weather.models import SHAPE_WORDS
from homeenergy.show.figures.style import BLUE, GREY, ORANGE, VERMILION, axes_for

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from homeenergy.findings.loads.heat_pump import HeatPumpUse
    from homeenergy.findings.weather.fit import WeatherFit
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
    ax.set_title("At what power it runs" if title is None else title, loc="left")
    ax.legend(frameon=False)
    return ax
