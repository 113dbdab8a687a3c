"""How the energies of runs are spread, programme by programme."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import tzinfo
from typing import TYPE_CHECKING, NamedTuple

import numpy as np
from numpy.typing import NDArray

from homeenergy.estimate import Estimate
from homeenergy.findings.daily import local_days
from homeenergy.findings.means import mean_of_runs
from homeenergy.findings.wording import estimate_text, value_text
from homeenergy.show.local_axis import zone_of
from homeenergy.show.style import BLACK, LOOKS, axes_for, write_beside
from homeenergy.units import WH_PER_KWH

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from homeenergy.cycles import Cycles

MOST_ROWS = 8  # programmes drawn by themselves; the rarest beyond are put together
ALL, UNNAMED, OTHERS = "all runs", "no name", "others"
SPREAD = 0.3  # half the height of a row in which dots lie
STACK = 0.09  # height by which dots of the same energy lie apart


def plot_run_distribution(
    cycles: Cycles,
    *,
    programmes: Sequence[object] | None = None,
    timezone: str | tzinfo = "UTC",
    title: str | None = None,
    ax: Axes | None = None,
) -> Axes:
    """Draw a dot for the energy of each complete run, one row for each programme, with the means.

    Parameters
    ----------
    cycles : Cycles
    programmes : sequence of labels, optional
        One for each row of the table of `cycles`, as `find_programmes(cycles).of_run` gives them.
        Default: its column `label` where runs have been given names, else all in one row.
    timezone : str or datetime.tzinfo
        Zone of the days: runs of one day may be alike, and the intervals allow for it.
    title : str, optional
        Default: the label of the cycles.
    ax : matplotlib.axes.Axes, optional

    Returns
    -------
    matplotlib.axes.Axes
        The most frequent programme on top. The bar is the mean with its interval; at the right
        stand its value and how many runs it comes from.

    Raises
    ------
    ValueError
        If there are not as many labels as runs.

    Examples
    --------
    >>> import homeenergy as he
    >>> from homeenergy.cycles import house_cycles
    >>> from homeenergy.show import plot_run_distribution
    >>> report = he.import_logs("sample_data/canal_flat")
    >>> house = he.open_house("sample_data/canal_flat")
    >>> ax = plot_run_distribution(house_cycles(house, "washing_machine"))
    >>> ax.get_xlabel()
    'energy per run (kWh)'
    """
    rows = _rows(cycles, programmes, zone_of(timezone))
    ax = axes_for(ax, (9.0, 1.2 + 0.62 * max(len(rows), 1)))
    ax.set_xlabel("energy per run (kWh)")
    ax.grid(axis="x", color="0.88", linewidth=0.7)
    ax.set_title(cycles.label if title is None else title, loc="left")
    if not rows:
        ax.text(0.5, 0.5, "no complete run", transform=ax.transAxes, ha="center", va="center")
        ax.set_yticks([])
        return ax
    every = np.concatenate([row.kwh for row in rows])
    span = max(float(np.ptp(every)), 0.1 * float(np.abs(every).max()), 1e-6)
    for at, row in enumerate(rows):
        look = LOOKS[at % len(LOOKS)]
        ax.plot(
            row.kwh,
            at - _heaps(row.kwh, span / 90),
            look.marker,
            color=look.colour,
            markersize=4.5,
            alpha=0.7,
            markeredgewidth=0,
            zorder=5,
        )
        _draw_mean(ax, at, row)
    ax.set_yticks(range(len(rows)), [row.name for row in rows])
    ax.tick_params(axis="y", length=0)
    ax.set_ylim(len(rows) - 0.45, -0.55)
    low, high = float(every.min()), float(every.max())
    ax.set_xlim(min(0.0, low - 0.05 * span), max(high + 0.05 * span, 0.0))
    return ax


class _Row(NamedTuple):
    name: str
    kwh: NDArray[np.float64]
    mean_kwh: Estimate


def _rows(cycles: Cycles, programmes: Sequence[object] | None, zone: tzinfo) -> list[_Row]:
    table = cycles.table
    if programmes is None:
        given = table["label"].to_list() if "label" in table else [ALL] * len(table)
    else:
        given = list(programmes)
    if len(given) != len(table):
        raise ValueError(f"{len(given)} labels for {len(table)} runs; give one for each")
    names = np.array([_name(label) for label in given], dtype=object)
    complete = table["complete"].to_numpy(dtype=bool)
    kwh = table["energy_wh"].to_numpy(np.float64) / WH_PER_KWH
    counts = {name: int((names[complete] == name).sum()) for name in dict.fromkeys(names[complete])}
    order = sorted(counts, key=lambda name: (name == UNNAMED, -counts[name]))
    if len(order) > MOST_ROWS:
        rare = order[MOST_ROWS - 1 :]
        names[np.isin(names, rare)] = OTHERS
        order = [*order[: MOST_ROWS - 1], OTHERS]
    day = local_days(table["start"], zone)
    own = [(name, complete & (names == name)) for name in order]
    return [_Row(name, kwh[rows], mean_of_runs(kwh[rows], day[rows])) for name, rows in own]


def _name(label: object) -> str:
    missing = label is None or label == "" or (isinstance(label, float) and np.isnan(label))
    return UNNAMED if missing else str(label)


def _heaps(kwh: NDArray[np.float64], width: float) -> NDArray[np.float64]:
    """Height of each dot in its row: those of nearly the same energy lie above one another."""
    bins = np.round(kwh / width).astype(np.int64)
    height = np.zeros(kwh.size)
    for value in np.unique(bins):
        own = np.flatnonzero(bins == value)
        order = np.arange(own.size)
        offset = (order + 1) // 2 * np.where(order % 2, 1, -1) * STACK
        greatest = max(float(np.abs(offset).max()), SPREAD)
        height[own] = offset * SPREAD / greatest
    return height


def _draw_mean(ax: Axes, at: int, row: _Row) -> None:
    mean = row.mean_kwh
    if np.isfinite([mean.low, mean.high]).all():
        ax.plot([mean.low, mean.high], [at, at], color=BLACK, linewidth=1.6, zorder=4)
    ax.plot([mean.value] * 2, [at - 0.2, at + 0.2], color=BLACK, linewidth=1.6, zorder=4)
    one = f"{value_text(mean)} kWh\none run"
    many = f"{estimate_text(mean, of='runs')}\n{mean.n} runs"
    write_beside(ax, at, one if mean.n == 1 else many)
