"""One figure of many houses: each house a mark, each kind of appliance a line."""

from __future__ import annotations

from typing import TYPE_CHECKING, Literal

import numpy as np

from homeenergy.findings.between_houses import appliance_summary, unusual
from homeenergy.show.style import BLUE, GREY, VERMILION, axes_for

if TYPE_CHECKING:
    import pandas as pd
    from matplotlib.axes import Axes

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
