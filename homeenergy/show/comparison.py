"""Two means and their difference; or many differences, one below the other."""

from __future__ import annotations

import textwrap
from collections.abc import Sequence
from itertools import takewhile
from typing import TYPE_CHECKING

import numpy as np

from homeenergy.findings.compare_times import Comparisons
from homeenergy.findings.comparison import Comparison
from homeenergy.findings.wording import interval_text, value_text
from homeenergy.show.style import BLACK, GREY, LOOKS, VERMILION, Look, axes_for, write_beside

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from homeenergy.estimate import Estimate

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
    rows, what = (_means(every[0]), "energy") if alone else _differences(every)
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


def _differences(every: Sequence[Comparison]) -> tuple[list[_Row], str]:
    """Rows, and what they have in common, which need not stand in each of their names."""
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
    interval = interval_text(estimate)
    value = value_text(estimate)
    write_beside(ax, at, f"{value} ({interval})" if interval else value)


def _title(every: Sequence[Comparison], *, alone: bool) -> str:
    shown = sum(found.differs for found in every)
    if not alone:
        return f"{shown} of {len(every)} differences are shown by these data"
    return "These data show a difference" if shown else "No difference that these data can show"
