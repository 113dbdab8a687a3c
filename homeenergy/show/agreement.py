"""Figures of trust: bench pairs, steps of circuits against the mains, and the utility meter."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np

from homeenergy.show.style import BLUE, GREY, LOOKS, VERMILION, axes_for

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from homeenergy.trust import BenchResult, MeterAgreement, PanelBalance

MOST_SHOWN = 1.5  # a ratio beyond is drawn at the edge, with its number


def plot_multipliers(results: Sequence[BenchResult], *, ax: Axes | None = None) -> Axes:
    """Draw how far each circuit's multiplier is off by its bench comparison, with its interval.

    Parameters
    ----------
    results : sequence of BenchResult
    ax : matplotlib.axes.Axes, optional

    Returns
    -------
    matplotlib.axes.Axes
        Per cent that the corrected readings lie above the reference; 0 is right.
    """
    ax = axes_for(ax, (7.0, 0.5 + 0.3 * len(results)))
    for y, result in enumerate(results):
        m = result.multiplier
        ends = [100 * (result.stated / value - 1) for value in (m.high, m.value, m.low)]
        look = LOOKS[0 if result.agrees else 1]
        ax.plot([ends[0], ends[2]], [y, y], color=look.colour, linewidth=2)
        ax.plot(ends[1], y, look.marker, color=look.colour)
    ax.axvline(0, color=GREY, linewidth=1)
    ax.set_yticks(range(len(results)), [result.circuit for result in results])
    ax.invert_yaxis()
    ax.set_xlabel("reads too high by (%); round: within what both can know, square: correct it")
    return ax


def plot_step_ratios(balance: PanelBalance, *, ax: Axes | None = None) -> Axes:
    """Draw by how much the mains rise for each watt of a circuit, in all and on each leg.

    Parameters
    ----------
    balance : PanelBalance
    ax : matplotlib.axes.Axes, optional

    Returns
    -------
    matplotlib.axes.Axes
    """
    known = [c for c in balance.circuits if c.legs_found]
    ax = axes_for(ax, (7.0, 0.8 + 0.32 * len(known)))
    legs = list(known[0].leg_ratio) if known else []
    ax.axvline(1, color=GREY, linewidth=1)
    ax.axvline(0, color=GREY, linewidth=0.6)
    for y, circuit in enumerate(known):
        for k, leg in enumerate(legs):
            look = LOOKS[k % len(LOOKS)]
            value = circuit.leg_ratio[leg].value
            ax.barh(
                y + 0.26 * (k - (len(legs) - 1) / 2),
                np.clip(value, -MOST_SHOWN, MOST_SHOWN),
                height=0.24,
                facecolor="white",
                edgecolor=look.colour,
                hatch=look.hatch,
                label=f"on {leg}" if y == 0 else None,
            )
        total = float(np.clip(circuit.ratio.value, -MOST_SHOWN, MOST_SHOWN))
        ax.plot(total, y, "D", color="black", markersize=5, label="in all" if y == 0 else None)
        if abs(circuit.ratio.value) > MOST_SHOWN:
            ax.text(total, y, f"  {circuit.ratio.value:.2f}", va="center", fontsize=8)
    ax.set_yticks(range(len(known)), [circuit.circuit for circuit in known])
    ax.invert_yaxis()
    ax.set_xlabel(
        "watts that the mains rise for each watt of the circuit's step; 1 in all is right"
    )
    ax.legend(loc="upper left", bbox_to_anchor=(1.0, 1.0), frameon=False, fontsize=8)
    return ax


def plot_meter(agreement: MeterAgreement, *, ax: Axes | None = None) -> Axes:
    """Draw what meter and log say of each interval, both with their guaranteed bounds.

    Parameters
    ----------
    agreement : MeterAgreement
    ax : matplotlib.axes.Axes, optional

    Returns
    -------
    matplotlib.axes.Axes
        Mean power of each interval [W]; where the two bars do not overlap, both cannot be right
        with a ratio of 1.
    """
    table = agreement.intervals
    ax = axes_for(ax, (8.0, 3.0))
    hours = (table["end"] - table["start"]).dt.total_seconds().to_numpy() / 3600
    at = np.arange(len(table))
    for k, (name, label) in enumerate((("meter", "utility meter"), ("logged", "logged mains"))):
        low = table[f"{name}_low_kwh"].to_numpy() / hours * 1000
        high = table[f"{name}_high_kwh"].to_numpy() / hours * 1000
        colour, hatch = ((BLUE, "///"), (VERMILION, "..."))[k]
        ax.bar(
            at + 0.3 * (k - 0.5),
            high - low,
            bottom=low,
            width=0.26,
            facecolor="white",
            edgecolor=colour,
            hatch=hatch,
            label=label,
        )
    for i in range(len(table)):
        missing_h = table["missing_s"].iloc[i] / 3600
        top = max(table["meter_high_kwh"].iloc[i], table["logged_high_kwh"].iloc[i])
        text = f"{missing_h:.1f} h\nmissing" if missing_h >= 0.1 else ""
        ax.text(i, top / hours[i] * 1000, text, ha="center", va="bottom", fontsize=7)
    ax.set_xticks(
        at, [f"{t:%d %b}\nto {e:%d %b}" for t, e in zip(table["start"], table["end"], strict=True)]
    )
    ax.set_ylabel("mean power (W), from–to")
    every = table.filter(like="_kwh").to_numpy() / hours[:, None] * 1000
    every = every[np.isfinite(every)]
    room = 0.1 * (every.max() - every.min()) or 1.0
    ax.set_ylim(every.min() - room, every.max() + 3 * room)
    ax.legend(frameon=False, fontsize=8, loc="upper right")
    return ax
