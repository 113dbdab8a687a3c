"""What measures save, alone and after those before them."""

from __future__ import annotations

import math
import textwrap
from typing import TYPE_CHECKING

from homeenergy.findings.combined import Savings
from homeenergy.findings.saving import payback_text, saved_text
from homeenergy.show.style import BLUE, GREY, ORANGE, axes_for

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from homeenergy.estimate import Estimate

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
        the left and are hatched. Thin lines are 95 % intervals. Below a name stands the payback.

    Raises
    ------
    ValueError
        If money is asked for and none is known.
    """
    if money and savings.total_cost_per_year is None:
        raise ValueError("nothing is known of money: the house has no tariff")
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
