"""How houses compare: by appliance, what is unusual, and where a visit is worth most."""

from __future__ import annotations

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from homeenergy.findings.appliance.columns import columns_for
from homeenergy.units import DAYS_PER_YEAR

# Modified z-score beyond which a value counts as an outlier (Iglewicz & Hoaglin 1993), and 1 / the
# normal 0.75 quantile.
OUTLYING = 3.5
MAD_TO_SD = 1.4826
LEAST_HOUSES = 5  # of an appliance, to say what is usual; own rule


def appliance_summary(table: pd.DataFrame) -> pd.DataFrame:
    """What each kind of appliance uses, over the houses that have one.

    Parameters
    ----------
    table : pandas.DataFrame
        As `Survey.table`.

    Returns
    -------
    pandas.DataFrame
        Index: what people call the appliance, in whatever case. `houses`; for each column of a
        survey (`homeenergy.findings.appliance.columns`: run_kwh, standby_w, kwh_per_day,
        duty_cycle) the median over the houses, and the quarters of them below `_q1` and above
        `_q3`; `standby_unresolved`, houses whose standby is only known to be below a bound. These
        count as the lowest, and where a median or quarter falls on them it is NaN. Sorted by the
        energy of all.
    """
    if not len(table):
        return pd.DataFrame({"houses": []})
    rows = []
    for (_, appliance), group in _alike(table):
        row: dict[str, object] = {"appliance": appliance, "houses": group["house"].nunique()}
        for column in columns_for("survey"):
            name = column.name
            values = group[name].to_numpy(np.float64)
            if column.resolved:
                known = group[column.resolved].to_numpy(bool)
                bounded = ~known & np.isfinite(group[f"{name}_high"])
                values = np.where(bounded, -np.inf, values)
                row[column.unresolved] = int(bounded.sum())
            ends = _quarters(values[~np.isnan(values)])
            row |= dict(zip((name, f"{name}_q1", f"{name}_q3"), ends, strict=True))
        row["all_kwh_per_day"] = float(group["kwh_per_day"].sum())
        rows.append(row)
    summary = pd.DataFrame(rows).sort_values("all_kwh_per_day", ascending=False)
    return summary.set_index("appliance")


def _quarters(values: NDArray[np.float64]) -> list[float]:
    """Median and quarters; NaN where one falls on, or next to, a value that is not known."""
    if not values.size:
        return [float("nan")] * 3
    with np.errstate(invalid="ignore"):
        ends = np.quantile(values, [0.5, 0.25, 0.75])
    return [float(end) if np.isfinite(end) else float("nan") for end in ends]


def unusual(table: pd.DataFrame) -> pd.DataFrame:
    """Appliances that lie far from those of the other houses.

    Returns
    -------
    pandas.DataFrame
        One row a figure: house, house_name, appliance, figure, value, usual (median), score, the
        greatest score first. The score is the distance from the median in robust standard
        deviations (1.4826 times the median absolute deviation), on a logarithmic scale for
        energies and watts, because those spread by factors; beyond `OUTLYING` it counts as an
        outlier. Appliances of fewer than `LEAST_HOUSES` houses are not judged.
    """
    rows = []
    for (_, appliance), group in _alike(table) if len(table) else ():
        for column in columns_for("survey"):
            values = group[column.name].to_numpy(np.float64)
            share = column.kind == "share"
            scale = values if share else np.log(np.where(values > 0, values, np.nan))
            there = np.isfinite(scale)
            if there.sum() < LEAST_HOUSES:
                continue
            middle = float(np.median(scale[there]))
            spread = MAD_TO_SD * float(np.median(np.abs(scale[there] - middle)))
            if spread == 0:
                continue
            scores = (scale - middle) / spread
            for i in np.flatnonzero(there & (np.abs(scores) > OUTLYING)):
                of = group.iloc[i]
                rows.append(
                    {
                        "house": of["house"],
                        "house_name": of["house_name"],
                        "appliance": appliance,
                        "figure": f"{column.heading}, share" if share else column.label(),
                        "value": values[i],
                        "usual": float(np.median(values[there])),
                        "score": float(scores[i]),
                    }
                )
    names = ["house", "house_name", "appliance", "figure", "value", "usual", "score"]
    found = pd.DataFrame(rows, columns=names)
    return found.sort_values("score", key=abs, ascending=False, ignore_index=True)


def houses_to_visit(table: pd.DataFrame) -> pd.DataFrame:
    """Houses in the order of the energy that they use beyond what is usual.

    Returns
    -------
    pandas.DataFrame
        One row a house: house, house_name, beyond_kwh_per_year, most (the appliance with the
        greatest part of it) and most_kwh_per_year. For each appliance that at least `LEAST_HOUSES`
        houses have, what its interval surely has above the median of all of them counts: the low
        end of kWh a day less that median, if that is above zero (own rule). It says where to look
        first, not what can be saved.
    """
    if not len(table):
        return pd.DataFrame({"house": [], "house_name": [], "beyond_kwh_per_year": []})
    parts = []
    for (_, appliance), group in _alike(table):
        usual = group["kwh_per_day"].median()
        enough = group["kwh_per_day"].notna().sum() >= LEAST_HOUSES
        low = group["kwh_per_day_low"].where(np.isfinite(group["kwh_per_day_low"]))
        above = ((low - usual).clip(lower=0).fillna(0.0) * DAYS_PER_YEAR) if enough else 0.0
        parts.append(group[["house", "house_name"]].assign(appliance=appliance, kwh=above))
    each = pd.concat(parts, ignore_index=True).sort_values("kwh", ascending=False)
    by_house = each.groupby(["house", "house_name"], sort=False)
    found = by_house.agg(
        beyond_kwh_per_year=("kwh", "sum"),
        most=("appliance", "first"),
        most_kwh_per_year=("kwh", "first"),
    ).reset_index()
    found.loc[found["most_kwh_per_year"] == 0, "most"] = ""
    return found.sort_values("beyond_kwh_per_year", ascending=False, ignore_index=True)


def _alike(table: pd.DataFrame) -> list[tuple[tuple[str, str], pd.DataFrame]]:
    """Rows of appliances that go by the same name, with the name as it is written most often."""
    keys = table["appliance"].str.strip().str.casefold()
    return [
        ((str(key), str(group["appliance"].mode().iloc[0])), group)
        for key, group in table.groupby(keys, sort=True)
    ]
