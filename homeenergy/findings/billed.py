"""Bills of a house against its log: dates, kWh and amounts, estimated readings among them."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise
from math import isfinite, nan
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from homeenergy.errors import HouseError
from homeenergy.findings.bill import SLOT_MIN, longest_sample_s, mains_energy
from homeenergy.readings.house import House
from homeenergy.units import DAYS_PER_YEAR, S_PER_DAY

FILE_NAME = "bills.csv"
COLUMNS = ("start", "end", "kwh")
LEAST_COVERED = 0.9  # of a bill's time, for a comparison
METER_LIMIT = 0.02  # of a revenue meter, common practice, no source; a bill is as good as its meter
AMOUNT_LIMIT = 0.02  # taxes and rounding; own rule
A_YEAR = (355, 380)  # days that bills of a year may cover; own rule
MOST_APART = 1.0  # days between two bills that follow each other; own rule
YES = {"1", "true", "yes", "y", "ja", "oui", "estimated", "e"}
NO = {"", "0", "false", "no", "n", "nein", "nee", "non", "read"}


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Billed:
    """Bills and what was logged in their time.

    Attributes
    ----------
    table : pandas.DataFrame
        One row a bill: start, end (both days included), kwh, amount (NaN where not given),
        estimated, covered_share (of its time that was logged), logged_kwh (of the whole of it, at
        the mean of what was logged), low_kwh and high_kwh (what the bill may say if both are
        right), expected_amount (by the tariff), verdict: "agrees", "differs", "amount differs",
        "estimated", "not logged".
    currency : str
    """

    table: pd.DataFrame
    currency: str

    @property
    def compared(self) -> pd.DataFrame:
        """Bills that the log covers."""
        return self.table[self.table["verdict"] != "not logged"]

    def to_frame(self) -> pd.DataFrame:
        """A copy of `table`."""
        return self.table.copy()


def read_bills(path: Path | str) -> pd.DataFrame:
    """Read a table of bills.

    Parameters
    ----------
    path : Path or str
        A CSV: start and end (days, both included, as 2026-03-01), kwh (drawn from the grid, nothing
        taken off for what is fed back); and, where known, amount and estimated (yes or no).

    Returns
    -------
    pandas.DataFrame
        start, end, kwh, amount, estimated, in order of time.

    Raises
    ------
    HouseError
        Naming line and column of what cannot be used.
    """
    path = Path(path)
    try:
        table = pd.read_csv(path, dtype=str, encoding="utf-8-sig", skipinitialspace=True)
    except (OSError, UnicodeDecodeError, pd.errors.ParserError, pd.errors.EmptyDataError) as error:
        raise HouseError(f"cannot be read as CSV ({error})", path=path) from None
    table.columns = [str(name).strip().lower() for name in table.columns]
    missing = [name for name in COLUMNS if name not in table]
    if missing:
        raise HouseError(
            f"has no column {missing[0]}",
            path=path,
            line=1,
            fix="The first line must be start,end,kwh or start,end,kwh,amount,estimated.",
        )
    rows = [_row(row, line, path) for line, row in enumerate(table.to_dict("records"), start=2)]
    if not rows:
        raise HouseError("holds no bill", path=path)
    return pd.DataFrame(rows).sort_values("start", ignore_index=True)


def _row(row: dict[Any, Any], line: int, path: Path) -> dict[str, object]:
    found: dict[str, Any] = {}
    for name in ("start", "end"):
        try:
            found[name] = pd.Timestamp(pd.to_datetime(row[name], format="%Y-%m-%d"))
        except (ValueError, TypeError):
            raise HouseError(
                f"{row[name]!r} is no day",
                path=path,
                line=line,
                column=name,
                fix="Write days as 2026-03-01.",
            ) from None
    if pd.isna(found["start"]) or pd.isna(found["end"]) or found["end"] < found["start"]:
        raise HouseError("ends before it begins", path=path, line=line, column="end")
    for name in ("kwh", "amount"):
        text = row.get(name)
        if text is None or (isinstance(text, float) and not isfinite(text)):
            found[name] = nan
            if name == "kwh":
                raise HouseError("has no kWh", path=path, line=line, column=name)
            continue
        try:
            found[name] = float(text)
            if not isfinite(found[name]):
                raise ValueError
        except ValueError:
            raise HouseError(
                f"{text!r} is not a number",
                path=path,
                line=line,
                column=name,
                fix="Write numbers with a decimal point and without a sign of the currency.",
            ) from None
    said = row.get("estimated")
    word = "" if said is None or isinstance(said, float) else str(said).strip().lower()
    if word not in YES | NO:
        raise HouseError(
            f"{said!r} is neither yes nor no", path=path, line=line, column="estimated"
        )
    found["estimated"] = word in YES
    return found


def reconcile_bills(house: House, bills: pd.DataFrame | None = None) -> Billed:
    """Compare bills with what the mains were logged to carry.

    Parameters
    ----------
    house : House
    bills : pandas.DataFrame, optional
        From `read_bills`. Default: bills.csv of the house's folder.

    Returns
    -------
    Billed

    Raises
    ------
    HouseError
        If the mains are not logged, or the bills cannot be read.

    Notes
    -----
    Own rules. Only what was drawn counts, by slots of the clock, as in `house_bill`. A bill is
    compared where 90 % of its time was logged; what is missing counts as the mean of what is there.
    When on its first and last day the meter was read is not known, so the bill may differ by the
    energy of a day; to that come 2 % of the meter and a kWh of rounding. An estimated reading says
    nothing: its difference is shown, and no fault. The amount is that of the tariff of house.toml
    for the billed kWh, with the standing charge; 2 % are allowed for. What is fed back may be taken
    off the amount or be paid for elsewhere: where export_price_per_kwh is stated, the nearer of the
    two is expected. Charges for the greatest
    power count once a month of the bill, from its first day on, as bills seldom begin with a month.
    """
    table = read_bills(house.path / FILE_NAME) if bills is None else bills
    if not house.mains:
        raise HouseError(
            "the mains are not logged, so no bill can be compared",
            path=house.path,
            fix='Log the supply, a circuit for each leg with role = "mains".',
        )
    kwh = mains_energy(house)
    rows = [_compared(row, kwh, house) for row in table.to_dict("records")]
    currency = "" if house.tariff is None else house.tariff.currency
    return Billed(table=pd.DataFrame(rows), currency=currency)


def _compared(row: dict[Any, Any], kwh: pd.DataFrame, house: House) -> dict[str, object]:
    start = _local(pd.Timestamp(row["start"]), house)
    end = _local(pd.Timestamp(row["end"]) + pd.Timedelta(days=1), house)
    days = (end - start).total_seconds() / S_PER_DAY
    here = kwh[(kwh.index >= start) & (kwh.index < end)].dropna()
    covered = len(here) * SLOT_MIN * 60 / S_PER_DAY / days
    found: dict[str, object] = dict(row) | {
        "covered_share": covered,
        "logged_kwh": nan,
        "low_kwh": nan,
        "high_kwh": nan,
        "expected_amount": nan,
        "verdict": "not logged",
    }
    if covered < LEAST_COVERED:
        return found
    logged, fed_back = (float(here[name].sum()) / covered for name in ("drawn", "fed_back"))
    slack = abs(logged) / days + METER_LIMIT * abs(logged) + 1.0
    expected = _expected(row, here["drawn"], house, days=days)
    differs = not logged - slack <= row["kwh"] <= logged + slack
    amount = row["amount"]
    earns = None if house.tariff is None else house.tariff.export_price_per_kwh
    less = expected - (earns or 0.0) * fed_back
    if isfinite(amount) and abs(amount - less) < abs(amount - expected):
        expected = less
    wrong = (
        isfinite(amount)
        and isfinite(expected)
        and abs(amount - expected) > AMOUNT_LIMIT * abs(expected)
    )
    verdict = (
        "estimated"
        if row["estimated"] and differs
        else "differs"
        if differs
        else "amount differs"
        if wrong
        else "agrees"
    )
    return found | {
        "logged_kwh": logged,
        "low_kwh": logged - slack,
        "high_kwh": logged + slack,
        "expected_amount": expected,
        "verdict": verdict,
    }


def _expected(row: dict[Any, Any], here: pd.Series, house: House, *, days: float) -> float:
    """What the tariff asks for the billed kWh, used at the hours of the log."""
    tariff = house.tariff
    long = longest_sample_s(house) > SLOT_MIN * 60
    if tariff is None or (long and (tariff.single_price is None or tariff.demand_charges)):
        return nan
    whole = pd.date_range(here.index[0], here.index[-1], freq=f"{SLOT_MIN}min")
    try:
        paid = tariff.cost(here.reindex(whole), timezone=house.timezone)
    except HouseError:
        return nan
    if paid.price is None:
        return nan
    standing = tariff.on(pd.Timestamp(row["end"]).date()).standing_per_day * days
    demand = _demand(row, here.reindex(whole), house, days=days) if tariff.demand_charges else 0.0
    return paid.price * row["kwh"] + demand + standing


def _demand(row: dict[Any, Any], kwh: pd.Series, house: House, *, days: float) -> float:
    """Charges for the greatest power of each month of a bill, counted from its first day."""
    assert house.tariff is not None
    start, end = pd.Timestamp(row["start"]), pd.Timestamp(row["end"]) + pd.Timedelta(days=1)
    months = max(round(days / DAYS_PER_YEAR * 12), 1)
    begins = [start + pd.DateOffset(months=number) for number in range(months)]
    seen = []
    for begin, stop in pairwise([*begins, end]):
        here = kwh[(kwh.index >= _local(begin, house)) & (kwh.index < _local(stop, house))]
        if here.count() > 1:
            peaks = house.tariff.cost(here, timezone=house.timezone).peaks
            seen.append(float(peaks.groupby("name")["cost"].max().sum()))
    return float(np.mean(seen)) * months


def _local(day: pd.Timestamp, house: House) -> pd.Timestamp:
    """First instant of a day, by the clock of a house, also where clocks change at midnight."""
    return day.tz_localize(str(house.timezone), ambiguous=True, nonexistent="shift_forward")


@dataclass(frozen=True, slots=True, kw_only=True)
class BilledYear:
    """What bills of about a year add up to, brought to 365 days: both days included."""

    start: pd.Timestamp
    end: pd.Timestamp
    kwh: float
    amount: float


def billed_year(bills: pd.DataFrame) -> BilledYear | None:
    """Add up the bills of the latest year that they cover.

    Parameters
    ----------
    bills : pandas.DataFrame
        From `read_bills`.

    Returns
    -------
    BilledYear or None
        None where no bills follow each other, but for a day or two, over `A_YEAR` days. The amount
        is NaN where one of them has none.
    """
    for last in reversed(range(len(bills))):
        for first in reversed(range(last + 1)):
            own = bills.iloc[first : last + 1]
            start, end = own["start"].min(), own["end"].max()
            days = (end - start).days + 1
            if days < A_YEAR[0]:
                continue
            billed = int(((own["end"] - own["start"]).dt.days + 1).sum())
            if days <= A_YEAR[1] and abs(billed - days) <= MOST_APART * len(own):
                to_year = DAYS_PER_YEAR / billed
                return BilledYear(
                    start=start,
                    end=end,
                    kwh=float(own["kwh"].sum()) * to_year,
                    amount=float(own["amount"].sum(skipna=False)) * to_year,
                )
            break
    return None


def median_ratio(billed: Billed) -> float:
    """Middle of billed over logged kWh, of bills with a real reading; NaN without any."""
    table = billed.compared
    real = table[~table["estimated"].astype(bool)]
    return float(np.median(real["kwh"] / real["logged_kwh"])) if len(real) else nan
