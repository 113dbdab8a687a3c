"""Waiting against working, appliance by appliance."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any

from matplotlib.artist import Artist
from matplotlib.axes import Axes

from homeenergy.findings.appliance.record import clipped, is_bound, value_and_interval, value_text
from homeenergy.findings.loads.baseload import Baseload, part_w
from homeenergy.findings.loads.idle import IdleUse, bound_text, plural
from homeenergy.house.kinds import KINDS
from homeenergy.show.figures.style import BLUE, GREEN, GREY, ORANGE, axes_for
from homeenergy.stats.estimate import Estimate

HEIGHT = 0.62
# Where the columns of figures stand, from the right end of the axes.
COLUMNS_PT = (10, 118, 236)
COLUMNS = ("idle (kWh a week)", "in use (kWh a week)", "break-even")
DOTS = (0, (1.5, 1.5))


def plot_idle_use(
    idle_uses: IdleUse | Sequence[IdleUse], *, title: str | None = None, ax: Axes | None = None
) -> Axes:
    """Draw how the energy of appliances is divided between waiting and working.

    Parameters
    ----------
    idle_uses : IdleUse or sequence of them
        Drawn in this order.
    title : str, optional
    ax : matplotlib.axes.Axes, optional
        With room at its right for three columns of figures.

    Returns
    -------
    matplotlib.axes.Axes
        Every bar is all that an appliance takes: hatched while idle, solid in use, white what is
        neither. A black line spans the 95 % interval of the idle share; where only an upper bound
        is known, dots go up to it. Columns on the right give kWh a week and the break-even: with
        fewer uses a week, idling takes more than using it.
    """
    rows = [idle_uses] if isinstance(idle_uses, IdleUse) else list(idle_uses)
    if not rows:
        raise ValueError("there is no appliance to draw: give at least one IdleUse")
    ax = axes_for(ax, (10.5, 1.7 + 0.42 * len(rows)))
    for at, row in enumerate(rows):
        _draw_bar(ax, at, row)
        _draw_figures(ax, at, row)
    for x, head in zip(COLUMNS_PT, COLUMNS, strict=True):
        _beside(ax, x, head, y=1.0, va="bottom", weight="bold")
    ax.axvline(50, color="black", linewidth=0.9, linestyle=(0, (6, 3)), zorder=3)
    ax.set_xlim(0, 100)
    ax.set_ylim(len(rows) - 0.4, -0.6)
    ax.set_yticks(range(len(rows)), [row.finding.appliance for row in rows])
    ax.tick_params(axis="y", length=0)
    ax.set_xlabel("share of its energy (%)", loc="left")
    ax.set_title("Idle and in use" if title is None else title, loc="left", pad=16)
    _legend(ax, bound=any(is_bound(row.idle_share) for row in rows))
    return ax


def parts_of(row: IdleUse) -> tuple[float, float] | None:
    """How much of its energy is idle and in use [%]; None where not known, a bound counts zero."""
    share = row.idle_share
    use, other = row.use_kwh_per_day.value, max(row.other_kwh_per_day.value, 0.0)
    if not math.isfinite(share.value) or use + other <= 0 >= share.value:
        return None
    idle = 0.0 if is_bound(share) else 100 * max(share.value, 0.0)
    return idle, (100 - idle) * use / (use + other) if use + other > 0 else 0.0


def cells_of(row: IdleUse) -> tuple[str, str, str]:
    """What is written in the `COLUMNS`."""
    return (
        figure_text(clipped(row.idle_kwh_per_week, row.finding)),
        figure_text(clipped(row.use_kwh_per_week, row.finding)),
        _outweighed(row),
    )


def _draw_bar(ax: Axes, at: int, row: IdleUse) -> None:
    share, parts = row.idle_share, parts_of(row)
    if parts is None:
        ax.text(1, at, "not known", va="center", fontsize=9)
        return
    idle, working = parts
    ax.barh(
        at,
        idle,
        height=HEIGHT,
        facecolor="white",
        edgecolor=ORANGE,
        hatch="////",
        linewidth=0.8,
    )
    ax.barh(at, working, left=idle, height=HEIGHT, facecolor=BLUE, edgecolor=BLUE, linewidth=0.8)
    if is_bound(share):
        ax.barh(
            at,
            100 * share.high,
            height=0.6 * HEIGHT,
            facecolor="white",
            edgecolor=ORANGE,
            linestyle=DOTS,
            linewidth=1.4,
        )
    elif math.isfinite(share.high - share.low):
        ends = [100 * max(share.low, 0.0), 100 * min(share.high, 1.0)]
        # White below black, to be seen on the blue.
        for colour, width in (("white", 3.4), ("black", 1.6)):
            ax.plot(ends, [at, at], color=colour, linewidth=width, zorder=4)


def _draw_figures(ax: Axes, at: int, row: IdleUse) -> None:
    for x, text in zip(COLUMNS_PT, cells_of(row), strict=True):
        _beside(ax, x, text, y=at, va="center")


def _beside(ax: Axes, x_pt: float, text: str, *, y: float, **look: Any) -> None:
    """Write to the right of the axes; a head at y 1 of its height, all else in a row."""
    coordinates = ("axes fraction", "axes fraction" if "weight" in look else "data")
    ax.annotate(
        text,
        (1.0, y),
        xycoords=coordinates,
        xytext=(x_pt, 0),
        textcoords="offset points",
        fontsize=9,
        annotation_clip=False,
        **look,
    )


def figure_text(kwh: Estimate) -> str:
    """Write energy with its interval, or as a bound."""
    if is_bound(kwh):
        return f"at most {bound_text(kwh.high)}"
    return value_and_interval(kwh)


def _outweighed(row: IdleUse) -> str:
    """Number of uses a week below which idling takes more."""
    least = row.break_even_per_week
    if not KINDS[row.finding.kind].by_hand:
        return "runs by itself"
    if is_bound(least):
        return f"at most {bound_text(least.high)} {plural(row.use_name)} a week"
    if not math.isfinite(least.value):
        return "not known"
    return f"{value_text(least)} {plural(row.use_name)} a week"


def _legend(ax: Axes, *, bound: bool) -> None:
    from matplotlib.lines import Line2D
    from matplotlib.patches import Patch
    from matplotlib.transforms import offset_copy

    at_most = Patch(facecolor="white", edgecolor=ORANGE, linestyle=DOTS, label="idle, at most")
    below = offset_copy(ax.transAxes, ax.get_figure(root=True), x=150, y=-20, units="points")
    ax.legend(
        handles=[
            Patch(facecolor="white", edgecolor=ORANGE, hatch="////", label="idle"),
            *([at_most] if bound else []),
            Patch(color=BLUE, label="in use"),
            Line2D([], [], color="black", linewidth=1.6, label="95 % interval"),
            Line2D([], [], color="black", linewidth=0.9, linestyle=(0, (6, 3)), label="half"),
        ],
        loc="upper left",
        bbox_to_anchor=(0.0, 0.0),
        bbox_transform=below,
        borderaxespad=0,
        ncols=5,
        frameon=False,
        fontsize=9,
    )


# Face, edge and hatch of a state: never colour alone.
LOOKS: dict[str, tuple[str, str, str | None]] = {
    "standby": ("white", ORANGE, "////"),
    "never off": (BLUE, BLUE, None),
    "running by itself": ("white", GREEN, "xx"),
    "in use at the time": ("white", GREEN, "xx"),
    "not known": ("0.8", GREY, None),
}
WORDS = {
    "standby": "standby",
    "never off": "never off",
    "running by itself": "running at the time",
    "not known": "not measured",
}
MOST_ROWS = 12  # the smallest of more are one row. Own choice.


def plot_baseload(found: Baseload, *, title: str | None = None, ax: Axes | None = None) -> Axes:
    """Draw who draws power at the quietest time of the day, the greatest first.

    Parameters
    ----------
    found : Baseload
    title : str, optional
        Default: the house and what it draws.
    ax : matplotlib.axes.Axes, optional

    Returns
    -------
    matplotlib.axes.Axes
        Standby is hatched, what is never off solid, what happened to run crossed, what no circuit
        measures grey. Thin lines are 95 % intervals.
    """
    rows: list[Any] = list(found.parts.itertuples())
    others = rows[MOST_ROWS:] if len(rows) > MOST_ROWS + 1 else []
    rows = rows[: len(rows) - len(others)]
    ax = axes_for(ax, (9.0, 1.7 + 0.34 * (len(rows) + 1)))
    for at, row in enumerate(rows):
        _draw(ax, at, row)
    names = [_name(row) for row in rows]
    if others:
        _draw_sum(ax, len(rows), sum(float(row.watts_w) for row in others))
        names.append(f"{len(others)} others, of any kind")
    ax.set_yticks(range(len(names)), names)
    ax.set_ylim(len(names) - 0.4, -0.6)
    ends = [float(row.high_w) for row in rows if math.isfinite(row.high_w)]
    ax.set_xlim(0, 1.25 * max([*ends, *(float(row.watts_w) for row in rows), 1.0]))
    ax.tick_params(axis="y", length=0)
    ax.grid(axis="x", color="0.88", linewidth=0.7)
    ax.set_xlabel("power at the quietest time of the day (W)")
    ax.set_title(_title(found) if title is None else title, loc="left")
    ax.legend(
        handles=_baseload_legend({str(row.state) for row in rows}), loc="lower right", frameon=False
    )
    return ax


def _draw(ax: Axes, at: int, row: Any) -> None:
    face, edge, hatch = LOOKS[row.state]
    ax.barh(
        at, row.watts_w, height=0.66, facecolor=face, edgecolor=edge, hatch=hatch, linewidth=0.8
    )
    end = row.watts_w
    if row.high_w - row.low_w < float("inf"):
        ax.plot([row.low_w, row.high_w], [at, at], color="black", linewidth=1.4, zorder=4)
        end = max(end, row.high_w)
    ax.annotate(
        value_and_interval(part_w(row)),
        (end, at),
        xytext=(6, 0),
        textcoords="offset points",
        va="center",
        fontsize=9,
    )


def _draw_sum(ax: Axes, at: int, watts: float) -> None:
    ax.barh(at, watts, height=0.66, facecolor="white", edgecolor="black", linewidth=0.8)
    ax.annotate(
        f"{watts:.0f}",
        (watts, at),
        xytext=(6, 0),
        textcoords="offset points",
        va="center",
        fontsize=9,
    )


def _name(row: Any) -> str:
    if row.state in ("running by itself", "in use at the time"):
        return f"{row.appliance}, {row.state}"
    return str(row.appliance)


def _title(found: Baseload) -> str:
    least = "" if found.mains_logged else "at least "
    level, constant = found.level_w, found.constant_w
    text = f"{found.house_name} at its quietest: {least}{level.value:.0f} W"
    if level.value - constant.value > 0.02 * level.value:
        text += f", of which {constant.value:.0f} W constant draw"
    return f"{text} ({len(found.windows)} days)"


def _baseload_legend(states: set[str]) -> list[Artist]:
    from matplotlib.lines import Line2D
    from matplotlib.patches import Patch

    if "in use at the time" in states:
        states = states | {"running by itself"}
    patches = []
    for state, label in WORDS.items():
        if state in states:
            face, edge, hatch = LOOKS[state]
            patches.append(Patch(facecolor=face, edgecolor=edge, hatch=hatch, label=label))
    return [*patches, Line2D([], [], color="black", linewidth=1.4, label="95 % interval")]
