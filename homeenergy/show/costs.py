"""What energy costs: at the prices of which hours it is used, and what each run costs."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import tzinfo
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from homeenergy.findings.cost import EnergyCost
from homeenergy.show.local_axis import zone_name, zone_of
from homeenergy.show.style import BLUE, LOOKS, VERMILION, axes_for, write_beside

if TYPE_CHECKING:
    from matplotlib.axes import Axes

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
    ax.set_title("At which prices it is used" if title is None else title, loc="left", pad=30)
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
