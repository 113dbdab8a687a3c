"""The baseload of a house, part by part."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

from homeenergy.findings.baseload import Baseload
from homeenergy.findings.baseload_words import part_w
from homeenergy.findings.wording import interval_text, value_text
from homeenergy.show.style import BLUE, GREEN, GREY, ORANGE, axes_for

if TYPE_CHECKING:
    from matplotlib.artist import Artist
    from matplotlib.axes import Axes

# Face, edge and hatch of a state: never colour alone.
LOOKS: dict[str, tuple[str, str, str | None]] = {
    "standby": ("white", ORANGE, "////"),
    "never off": (BLUE, BLUE, None),
    "running by itself": ("white", GREEN, "xx"),
    "in use just then": ("white", GREEN, "xx"),
    "not known": ("0.8", GREY, None),
}
WORDS = {
    "standby": "standby",
    "never off": "never off",
    "running by itself": "runs just then",
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
    ax.legend(handles=_legend({str(row.state) for row in rows}), loc="lower right", frameon=False)
    return ax


def _draw(ax: Axes, at: int, row: Any) -> None:
    face, edge, hatch = LOOKS[row.state]
    ax.barh(
        at, row.watts_w, height=0.66, facecolor=face, edgecolor=edge, hatch=hatch, linewidth=0.8
    )
    watts = part_w(row)
    end = row.watts_w
    if row.high_w - row.low_w < float("inf"):
        ax.plot([row.low_w, row.high_w], [at, at], color="black", linewidth=1.4, zorder=4)
        end = max(end, row.high_w)
    interval = interval_text(watts)
    ax.annotate(
        f"{value_text(watts)} ({interval})" if interval else value_text(watts),
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
    if row.state in ("running by itself", "in use just then"):
        return f"{row.appliance}, {row.state}"
    return str(row.appliance)


def _title(found: Baseload) -> str:
    least = "" if found.mains_logged else "at least "
    level, always = found.level_w, found.always_w
    text = f"{found.house_name} at its quietest: {least}{level.value:.0f} W"
    if level.value - always.value > 0.02 * level.value:
        text += f", of which {always.value:.0f} W always"
    return f"{text} ({len(found.windows)} days)"


def _legend(states: set[str]) -> list[Artist]:
    from matplotlib.lines import Line2D
    from matplotlib.patches import Patch

    if "in use just then" in states:
        states = states | {"running by itself"}
    patches = []
    for state, label in WORDS.items():
        if state in states:
            face, edge, hatch = LOOKS[state]
            patches.append(Patch(facecolor=face, edgecolor=edge, hatch=hatch, label=label))
    return [*patches, Line2D([], [], color="black", linewidth=1.4, label="95 % interval")]
