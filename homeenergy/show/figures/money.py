"""What measures save, alone and after those before them."""

from __future__ import annotations

import math
import textwrap
from collections.abc import Mapping
from datetime import tzinfo

import numpy as np
import pandas as pd
from matplotlib.axes import Axes

from homeenergy.findings.cost import EnergyCost
from homeenergy.findings.saving.saving import Savings, payback_text, saved_text
from homeenergy.show.figures.style import (
    BLUE,
    GREY,
    LOOKS,
    ORANGE,
    VERMILION,
    axes_for,
    write_beside,
    zone_name,
    zone_of,
)
from homeenergy.stats.estimate import Estimate

HOURS = range(0, 25, 3)


def plot_price_shares(
    costs: Mapping[str, EnergyCost], *, title: str | None = None, ax: Axes | None = None
) -> Axes:
    """Draw at which prices energy is used: the share of each period of the tariff, cheapest first.

    Parameters
    ----------
    costs : mapping of a name to EnergyCost
        From `energy_cost`, all by the same tariff. Drawn in this order.
    title : str, optional
    ax : matplotlib.axes.Axes, optional
        With room at its right for the average price paid.

    Returns
    -------
    matplotlib.axes.Axes

    Raises
    ------
    ValueError
        If there is nothing to draw.
    """
    if not costs:
        raise ValueError("there is nothing to draw: give at least one EnergyCost")
    tables = [cost.by_period for cost in costs.values()]
    prices = pd.concat(tables)[["name", "price_per_kwh"]].drop_duplicates()
    prices = prices.sort_values("price_per_kwh")
    ax = axes_for(ax, (9.5, 1.6 + 0.42 * len(costs)))
    left = np.zeros(len(costs))
    for at, (name, price) in enumerate(zip(prices["name"], prices["price_per_kwh"], strict=True)):
        share = np.array([_share(table, name, price) for table in tables])
        look = LOOKS[at % len(LOOKS)]
        ax.barh(
            range(len(costs)),
            100 * share,
            left=100 * left,
            height=0.62,
            facecolor="white" if at else look.colour,
            edgecolor=look.colour,
            hatch=look.hatch if at else None,
            linewidth=0.8,
            label=f"{name}, {price:.4g}",
        )
        left += share
    currency = next(iter(costs.values())).currency
    for at, cost in enumerate(costs.values()):
        write_beside(ax, at, f"{cost.mean_price_per_kwh:.3f}")
    write_beside(ax, -0.75, f"paid, {currency} a kWh", weight="bold")
    ax.set_yticks(range(len(costs)), list(costs))
    ax.set_ylim(len(costs) - 0.5, -0.5)
    ax.tick_params(axis="y", length=0)
    ax.set_xlim(0, 100)
    ax.set_xlabel("share of its energy (%)")
    ax.set_title("Energy by price" if title is None else title, loc="left", pad=30)
    ax.legend(loc="lower left", bbox_to_anchor=(0, 1.0), ncols=4, frameon=False, fontsize=9)
    return ax


def _share(table: pd.DataFrame, name: str, price: float) -> float:
    own = (table["name"] == name) & (table["price_per_kwh"] == price)
    return float(table.loc[own, "share"].sum())


def plot_run_costs(
    costs: pd.DataFrame,
    *,
    currency: str,
    timezone: str | tzinfo = "UTC",
    title: str | None = None,
    ax: Axes | None = None,
) -> Axes:
    """Draw what each run cost against the local time of day at which it began.

    Parameters
    ----------
    costs : pandas.DataFrame
        From `run_costs`. Runs that were not seen whole are left out.
    currency : str
        Of the tariff.
    timezone : str or datetime.tzinfo
    title : str, optional
    ax : matplotlib.axes.Axes, optional

    Returns
    -------
    matplotlib.axes.Axes
        Dots are runs that began on working days, squares those of Saturdays and Sundays.
    """
    zone = zone_of(timezone)
    whole = costs[costs["complete"]]
    local = pd.DatetimeIndex(whole["start"]).tz_convert(zone)
    hour = np.asarray(local.hour + local.minute / 60)
    weekend = np.asarray(local.day_of_week >= 5)
    ax = axes_for(ax, (9.0, 3.0))
    cost = whole["cost"].to_numpy(np.float64)
    for own, marker, colour, label in (
        (~weekend, "o", BLUE, "Monday to Friday"),
        (weekend, "s", VERMILION, "Saturday, Sunday"),
    ):
        ax.plot(hour[own], cost[own], marker, color=colour, markersize=4.5, alpha=0.8, label=label)
    ax.set_xlim(0, 24)
    ax.set_xticks(HOURS, [f"{h:02d}:00" for h in HOURS])
    ax.set_ylim(bottom=min(0.0, float(cost.min(initial=0.0))))
    ax.set_xlabel(f"local time at which it began ({zone_name(zone)})")
    ax.set_ylabel(f"cost of a run ({currency})")
    ax.grid(axis="y", color="0.88", linewidth=0.7)
    if title is not None:
        ax.set_title(title, loc="left")
    ax.legend(loc="lower right", bbox_to_anchor=(1.0, 1.0), ncols=2, frameon=False)
    return ax


ROW_IN, NAME_WIDTH = 0.66, 44


def plot_savings(
    savings: Savings, *, money: bool = False, title: str | None = None, ax: Axes | None = None
) -> Axes:
    """Draw what each measure saves in a year after those before it, and their sum.

    Parameters
    ----------
    savings : Savings
        From `combine_savings`.
    money : bool
        Money in place of energy; needs a tariff.
    title : str, optional
    ax : matplotlib.axes.Axes, optional

    Returns
    -------
    matplotlib.axes.Axes
        Solid bars are what a measure adds; dotted outlines what it would save alone; losses lie to
        the left and are hatched. Thin lines are 95 % intervals. Below a name is the payback.

    Raises
    ------
    ValueError
        If money is asked for and none is known.
    """
    if money and savings.total_cost_per_year is None:
        raise ValueError("no costs are known: the house has no tariff")
    alone = [s.cost_per_year if money else s.kwh_per_year for s in savings.savings]
    together = list(savings.cost_per_year if money else savings.kwh_per_year)
    total = savings.total_cost_per_year if money else savings.total_kwh_per_year
    ax = axes_for(ax, (10.0, 1.5 + ROW_IN * (len(alone) + 1)))
    names = []
    for at, (one, each, after) in enumerate(zip(savings.savings, alone, together, strict=True)):
        if each is not None and after is not None:
            _outline(ax, at, each)
            _bar(ax, at, after, colour=BLUE, beyond=each.value)
        back = "" if one.payback_years is None else f"\n{payback_text(one.payback_years)}"
        names.append(f"{textwrap.fill(one.measure, NAME_WIDTH)}{back}")
    if total is not None:
        _bar(ax, len(names), total, colour=GREY)
    back = "" if savings.payback_years is None else f"\n{payback_text(savings.payback_years)}"
    names.append(f"all together{back}")
    ax.set_yticks(range(len(names)), names, fontsize=9)
    ax.set_ylim(len(names) - 0.4, -0.6)
    low, high = ax.get_xlim()
    ax.set_xlim(low - (0.2 * (high - low) if low < 0 else 0), high + 0.35 * (high - low))
    ax.tick_params(axis="y", length=0)
    ax.axvline(0, color="black", linewidth=0.8)
    ax.grid(axis="x", color="0.88", linewidth=0.7)
    unit = total.unit if total is not None else ""
    ax.set_xlabel(f"saved in a year ({unit})", loc="left")
    ax.set_title("What it would save" if title is None else title, loc="left")
    _legend(ax)
    return ax


def _bar(ax: Axes, at: int, saved: Estimate, *, colour: str, beyond: float = 0.0) -> None:
    loss = saved.value < 0
    ax.barh(
        at,
        saved.value,
        height=0.56,
        facecolor="white" if loss else colour,
        edgecolor=ORANGE if loss else colour,
        hatch="////" if loss else None,
        linewidth=0.8,
    )
    end = max(saved.value, beyond, 0.0)
    if math.isfinite(saved.high - saved.low):
        ax.plot([saved.low, saved.high], [at, at], color="black", linewidth=1.4, zorder=4)
        end = max(end, saved.high)
    ax.annotate(
        saved_text(saved),
        (end, at),
        xytext=(6, 0),
        textcoords="offset points",
        va="center",
        fontsize=9,
    )


def _outline(ax: Axes, at: int, alone: Estimate) -> None:
    ax.barh(
        at,
        alone.value,
        height=0.72,
        facecolor="none",
        edgecolor="black",
        linestyle=(0, (1.5, 1.5)),
        linewidth=1.0,
        zorder=3,
    )


def _legend(ax: Axes) -> None:
    from matplotlib.lines import Line2D
    from matplotlib.patches import Patch
    from matplotlib.transforms import offset_copy

    dots = (0, (1.5, 1.5))
    ax.legend(
        handles=[
            Patch(color=BLUE, label="after those above"),
            Patch(facecolor="none", edgecolor="black", linestyle=dots, label="alone"),
            Patch(facecolor="white", edgecolor=ORANGE, hatch="////", label="takes more"),
            Line2D([], [], color="black", linewidth=1.4, label="95 % interval"),
        ],
        loc="upper right",
        bbox_to_anchor=(1.0, 0.0),
        bbox_transform=offset_copy(ax.transAxes, ax.get_figure(root=True), y=-36, units="points"),
        borderaxespad=0,
        ncols=4,
        frameon=False,
        fontsize=9,
    )
