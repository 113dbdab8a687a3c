"""Two means and their difference; or many differences, one below the other."""

from __future__ import annotations

import textwrap
from collections.abc import Sequence
from itertools import takewhile
from typing import Literal

import numpy as np
import pandas as pd
from matplotlib.axes import Axes

from homeenergy.findings.appliance.record import estimate_text, value_and_interval
from homeenergy.findings.change import Change
from homeenergy.findings.comparison.comparison import Comparison
from homeenergy.findings.comparison.times import Comparisons
from homeenergy.findings.many import appliance_summary, unusual
from homeenergy.findings.notable import Notable
from homeenergy.readings.house import House
from homeenergy.show.figures.style import (
    BLACK,
    BLUE,
    GREY,
    LOOKS,
    ORANGE,
    VERMILION,
    Look,
    axes_for,
    axis_days,
    write_beside,
)
from homeenergy.show.figures.times import plot_traces
from homeenergy.stats.estimate import Estimate

NAME_WIDTH = 30
SHOWN = Look(VERMILION, "solid", "D", "")
NOT_SHOWN = Look(GREY, (0, (2, 1.2)), "D", "")


def plot_comparison(
    found: Comparison | Comparisons | Sequence[Comparison],
    *,
    title: str | None = None,
    ax: Axes | None = None,
) -> Axes:
    """Draw a comparison: both means and their difference; of several only the differences.

    Parameters
    ----------
    found : Comparison, Comparisons or sequence of Comparison
    title : str, optional
        Default, of one: whether these data show a difference.
    ax : matplotlib.axes.Axes, optional
        With room at its right for a column of figures.

    Returns
    -------
    matplotlib.axes.Axes
        Bars are 95 % intervals. A difference is a full diamond where the data show it, and an
        empty one on a dotted bar where they do not.

    Raises
    ------
    ValueError
        If there is nothing to draw.

    Examples
    --------
    >>> from homeenergy.findings import compare
    >>> from homeenergy.show import plot_comparison
    >>> found = compare([0.81, 0.78, 0.85], [0.31, 0.29, 0.34], names=("cotton", "quick"))
    >>> [label.get_text() for label in plot_comparison(found).get_yticklabels()]
    ['cotton', 'quick', 'difference']
    """
    alone = isinstance(found, Comparison)
    every = _every(found)
    if not every:
        raise ValueError("there is nothing to draw: give at least one Comparison")
    rows, what = (_means(every[0]), "energy") if alone else differences_of(every)
    ax = axes_for(ax, (9.0, 1.3 + 0.5 * len(rows)))
    ax.axvline(0, color=BLACK, linewidth=0.9)
    for at, (_, estimate, look, full) in enumerate(rows):
        _draw(ax, at, estimate, look=look, full=full)
    ax.set_yticks(range(len(rows)), [textwrap.fill(name, NAME_WIDTH) for name, *_ in rows])
    ax.tick_params(axis="y", length=0)
    ax.set_ylim(len(rows) - 0.5, -0.5)
    ax.margins(x=0.06)
    ax.grid(axis="x", color="0.88", linewidth=0.7)
    ax.set_xlabel(f"{what} (kWh per {every[0].per})")
    ax.set_title(_title(every, alone=alone) if title is None else title, loc="left")
    return ax


def _every(found: Comparison | Comparisons | Sequence[Comparison]) -> tuple[Comparison, ...]:
    if isinstance(found, Comparison):
        return (found,)
    return found.all if isinstance(found, Comparisons) else tuple(found)


_Row = tuple[str, "Estimate", Look, bool]


def _means(found: Comparison) -> list[_Row]:
    first, second = LOOKS[0], LOOKS[0]._replace(marker="s")
    return [
        (found.name_a, found.a, first, True),
        (found.name_b, found.b, second, True),
        _difference("difference", found),
    ]


def differences_of(every: Sequence[Comparison]) -> tuple[list[_Row], str]:
    """Rows, and what they have in common, which need not be in each of their names."""
    names = [f"{found.name_a} less {found.name_b}" for found in every]
    backwards = zip(*(reversed(name.split(" ")) for name in names), strict=False)
    shared = [words[0] for words in takewhile(lambda words: len(set(words)) == 1, backwards)]
    tail = " ".join(reversed(shared)) if len(names) > 1 else ""
    heads = [name.removesuffix(tail).rstrip(", ") for name in names]
    rows = [_difference(head, found) for head, found in zip(heads, every, strict=True)]
    return rows, tail or "difference"


def _difference(name: str, found: Comparison) -> _Row:
    return name, found.difference, SHOWN if found.differs else NOT_SHOWN, found.differs


def _draw(ax: Axes, at: int, estimate: Estimate, *, look: Look, full: bool) -> None:
    if np.isfinite([estimate.low, estimate.high]).all():
        ends = [estimate.low, estimate.high]
        ax.plot(ends, [at, at], color=look.colour, linestyle=look.dash, linewidth=2, zorder=4)
    ax.plot(
        [estimate.value],
        [at],
        look.marker,
        color=look.colour,
        markerfacecolor=look.colour if full else "white",
        markersize=7,
        zorder=5,
    )
    write_beside(ax, at, value_and_interval(estimate))


def _title(every: Sequence[Comparison], *, alone: bool) -> str:
    shown = sum(found.differs for found in every)
    if not alone:
        return f"{shown} of {len(every)} differences are significant"
    return "A significant difference" if shown else "No significant difference"


DOTS = (0, (2, 1.2))
HOUR = " to "  # in "07:00 to 08:00"


def plot_differences(
    found: Comparisons, *, title: str | None = None, ax: Axes | None = None
) -> Axes:
    """Draw by how much each hour, or day of the week, differs from the others.

    Parameters
    ----------
    found : Comparisons
        From `compare_weekdays` or `compare_hours`.
    title : str, optional
        Default: how many differences the data show.
    ax : matplotlib.axes.Axes, optional

    Returns
    -------
    matplotlib.axes.Axes
        Bars are 95 % intervals, each for itself. A difference is a full diamond where the data
        show it, all comparisons allowed for, and an empty one on a dotted bar where they do not.
    """
    every = found.all
    ax = axes_for(ax, (9.0, 3.4))
    ax.axhline(0, color=BLACK, linewidth=0.9)
    for at, one in enumerate(every):
        colour = VERMILION if one.differs else GREY
        estimate = one.difference
        if np.isfinite([estimate.low, estimate.high]).all():
            dash = "solid" if one.differs else DOTS
            ends = [estimate.low, estimate.high]
            ax.plot([at, at], ends, color=colour, linestyle=dash, linewidth=2, zorder=4)
        ax.plot(
            [at],
            [estimate.value],
            "D",
            color=colour,
            markerfacecolor=colour if one.differs else "white",
            markersize=6,
            zorder=5,
        )
    ax.set_xticks(range(len(every)), [_short(one.name_a) for one in every])
    if HOUR in every[0].name_a:
        ax.set_xlabel("hour of the local day")
    ax.set_ylabel(f"difference (kWh per {every[0].per})")
    ax.grid(axis="y", color="0.88", linewidth=0.7)
    shown = len(found.differing)
    words = f"{shown} of {len(every)} differences are significant"
    ax.set_title(words if title is None else title, loc="left")
    return ax


def _short(name: str) -> str:
    return name.split(":")[0] if HOUR in name else name


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
    same = same_words(change)
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
    ax.set_title(_change_title(change) if title is None else title, loc="left")
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


def same_words(change: Change) -> str:
    """Say what the days were brought to: ", same weather and weekday"."""
    words = [
        word
        for word, used in (("weather", change.balance is not None), ("weekday", change.weekday))
        if used
    ]
    return f", same {' and '.join(words)}" if words else ""


def _change_title(change: Change) -> str:
    if not change.shown:
        return "No significant change"
    size = estimate_text(change.size_kwh)
    return f"From {change.at.day} {change.at:%B %Y}: {size} a day"


def _date_axis(ax: Axes) -> None:
    from matplotlib.dates import AutoDateLocator, ConciseDateFormatter

    locator = AutoDateLocator(minticks=3, maxticks=8)
    ax.xaxis.set_major_locator(locator)
    ax.xaxis.set_major_formatter(ConciseDateFormatter(locator))


Quantity = Literal["kwh_per_day", "run_kwh", "standby_w", "duty_cycle"]
LABELS: dict[Quantity, str] = {
    "kwh_per_day": "energy (kWh per day)",
    "run_kwh": "energy (kWh per run)",
    "standby_w": "standby (W)",
    "duty_cycle": "share of the time in runs (%)",
}
WORDS: dict[Quantity, str] = {
    "kwh_per_day": "kWh a day",
    "run_kwh": "kWh a run",
    "standby_w": "W standby",
    "duty_cycle": "share of the time in runs",
}


def plot_between_houses(
    table: pd.DataFrame, *, quantity: Quantity = "kwh_per_day", ax: Axes | None = None
) -> Axes:
    """Draw what each appliance uses in each house.

    Parameters
    ----------
    table : pandas.DataFrame
        `Survey.table`.
    quantity : str
        "kwh_per_day", "run_kwh", "standby_w" or "duty_cycle".
    ax : matplotlib Axes, optional

    Returns
    -------
    Axes
        One line an appliance, the greatest median above: a circle a house, a thick line for the
        middle half of the houses, a bar for the median, and squares with the house's name for what
        lies far from the others.

    Examples
    --------
    >>> import tempfile
    >>> from homeenergy.findings import survey_houses
    >>> from homeenergy.show import plot_between_houses
    >>> from homeenergy.simulate import write_street
    >>> survey = survey_houses(write_street(tempfile.mkdtemp(), houses=2, days=3), workers=1)
    >>> plot_between_houses(survey.table).get_xlabel()
    'energy (kWh per day)'
    """
    if quantity not in LABELS:
        raise ValueError(f"quantity must be one of {', '.join(LABELS)}, got {quantity!r}")
    times = 100.0 if quantity == "duty_cycle" else 1.0
    summary = appliance_summary(table)
    summary = summary[summary[quantity].notna()].sort_values(quantity, na_position="first")
    odd = unusual(table)
    odd = odd[odd["figure"] == WORDS[quantity]]
    ax = axes_for(ax, (9, 1.2 + 0.5 * len(summary)))
    keys = table["appliance"].str.strip().str.casefold()
    for line, (appliance, row) in enumerate(summary.iterrows()):
        name = str(appliance)
        values = times * table.loc[keys == name.casefold().strip(), quantity].dropna().to_numpy()
        ends = [times * float(row[f"{quantity}_{end}"]) for end in ("q1", "q3")]
        ax.plot(ends, [line, line], color=GREY, linewidth=7, alpha=0.35, solid_capstyle="butt")
        ax.plot(times * row[quantity], line, "|", color="black", markersize=15, markeredgewidth=2)
        shift = np.linspace(-0.12, 0.12, values.size) if values.size > 1 else np.zeros(values.size)
        ax.plot(values, line + shift, "o", color=BLUE, markersize=4.5, markerfacecolor="none")
        for far in odd[odd["appliance"] == name].itertuples():
            at = times * float(far.value)  # type: ignore[arg-type]
            ax.plot(at, line, "s", color=VERMILION, markersize=6)
            ax.annotate(
                str(far.house_name), (at, line), (0, 7), textcoords="offset points",
                ha="center", fontsize="x-small",
            )  # fmt: skip
    labels = [f"{name} ({row['houses']:.0f})" for name, row in summary.iterrows()]
    ax.set_yticks(range(len(summary)), labels)
    ax.set_ylim(-0.6, len(summary) - 0.3)
    ax.set_xlim(left=0)
    ax.set_xlabel(LABELS[quantity])
    ax.grid(axis="x", color="#dddddd")
    ax.set_title(
        "circle: a house; black bar: median; grey: middle half of the houses",
        loc="left",
        fontsize="small",
    )
    return ax


STANDS_OUT = {
    "without power": "off at the wall",
    "silent": "not running",
    "another power": "another power at work",
    "another standby": "another power at rest",
}


def plot_notable(one: Notable, house: House, *, ax: Axes | None = None) -> Axes:
    """Draw what stands out: days about a change, or power about what happened to it.

    Parameters
    ----------
    one : Notable
        Of `house_findings(house).notable`.
    house : House
        Gives the readings.
    ax : matplotlib.axes.Axes, optional

    Returns
    -------
    matplotlib.axes.Axes
    """
    if one.change is not None:
        return plot_before_after(one.change, title=one.appliance, ax=ax)
    # Runs on each side show another power.
    least = pd.Timedelta(hours=12) if one.step is None else pd.Timedelta(days=3)
    room = max((one.end - one.start) / 2, least)
    trace = house.trace(one.circuit, one.start - room, one.end + room)
    title = f"{one.appliance}, {STANDS_OUT[one.what]}"
    ax = plot_traces(trace, timezone=house.timezone, title=title, ax=ax)
    low, high = axis_days([one.start.value, one.end.value])
    ax.axvspan(low, high, color=ORANGE, alpha=0.25, linewidth=0)
    return ax
