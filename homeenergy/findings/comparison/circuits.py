"""Compare programmes of an appliance, two appliances, one in two houses; what a person names."""

from __future__ import annotations

from dataclasses import replace
from datetime import tzinfo

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from homeenergy.cycles.programmes import Programmes, find_programmes
from homeenergy.errors import HouseError
from homeenergy.findings.appliance.house import house_findings
from homeenergy.findings.appliance.record import ApplianceFinding
from homeenergy.findings.comparison.comparison import (
    LEAST_VALUES,
    WORTH_SEEING,
    Comparison,
    Per,
    Worth,
    compare,
)
from homeenergy.findings.cost import SAME_PRICE, mean_price, own_run_costs
from homeenergy.findings.days import LEAST_COVERAGE, local_days
from homeenergy.house.tariff import Tariff
from homeenergy.readings.house import House
from homeenergy.trust.concern import held_out
from homeenergy.trust.plausible import implausible_readings
from homeenergy.units import H_PER_DAY, S_PER_DAY, S_PER_H, WH_PER_KWH

RUNS: tuple[Per, ...] = ("run", "load", "use")


def compare_programmes(
    finding: ApplianceFinding,
    programmes: Programmes,
    *,
    a: str,
    b: str,
    tariff: Tariff | None = None,
    weekly: float | None = None,
    per: Per = "run",
    worth_seeing: float = WORTH_SEEING,
) -> Comparison:
    """Compare the runs of two programmes of one appliance.

    Parameters
    ----------
    finding : ApplianceFinding
        Of the appliance; its runs, days and clamp are used.
    programmes : Programmes
        From `find_programmes(finding.cycles)`.
    a, b : str
        Names of two programmes.
    tariff : Tariff, optional
        For what each run cost at the prices that held. Default, and under a tariff with steps: the
        appliance's mean price.
    weekly : float, optional
        Runs a week for the worth in a year. Default: as many as both programmes had together in
        the days with readings.
    per : str
        "run", or the word that fits better: "load", "use".
    worth_seeing : float
        As for `compare`.

    Returns
    -------
    Comparison
        The clamp is the same on both sides, so the error of its multiplier cancels in the ratio.

    Raises
    ------
    HouseError
        If a programme is not there, has fewer than 3 runs, or is compared with itself.

    Examples
    --------
    >>> import homeenergy as he
    >>> from homeenergy.cycles.programmes import find_programmes
    >>> from homeenergy.findings import compare_programmes
    >>> report = he.import_logs("sample_data/canal_flat")
    >>> house = he.open_house("sample_data/canal_flat")
    >>> finding = he.house_findings(house, circuits=["dishwasher"]).appliances[0]
    >>> programmes = find_programmes(finding.cycles)
    >>> low, high = programmes.table.sort_values("kwh")["name"]
    >>> found = compare_programmes(finding, programmes, a=high, b=low, tariff=house.tariff)
    >>> f"{found.difference.value:.2f} kWh more per run"
    '0.56 kWh more per run'
    """
    if a == b:
        raise _with_itself(f"programme {a!r}")
    kwh, day = _runs(finding)
    in_a, in_b = programmes.runs(a), programmes.runs(b)
    hours = _hours_of_runs(finding)
    if weekly is None:
        weekly = float(in_a.sum() + in_b.sum()) / max(finding.days, 1.0) * 7
    return compare(
        kwh[in_a],
        kwh[in_b],
        day_a=day[in_a],
        day_b=day[in_b],
        names=(f"{finding.appliance}, {a}", b),
        per=per,
        paired=False,
        weekly=weekly,
        worth=_worth_of_runs(finding, tariff, in_a, in_b),
        clamps=(finding.clamp_errors, finding.clamp_errors),
        hours=(float(hours[in_a].mean()), float(hours[in_b].mean())),
        worth_seeing=worth_seeing,
    )


def compare_appliances(
    a: ApplianceFinding,
    b: ApplianceFinding,
    *,
    per: Per = "day",
    weekly: float | None = None,
    names: tuple[str, str] | None = None,
    worth_seeing: float = WORTH_SEEING,
    one_price: bool = False,
) -> Comparison:
    """Compare two appliances: by the run or by the day.

    Parameters
    ----------
    a, b : ApplianceFinding
        Of one house or of two.
    per : str
        "day", or "run" (also "load", "use") for complete runs.
    weekly : float, optional
        Runs a week for the worth in a year, for `per="run"`. Default: the mean of what both had.
    names : tuple of str, optional
        What the sentence calls them. Default: the appliances.
    worth_seeing : float
        As for `compare`.
    one_price : bool
        Whether a kWh of both is worth the mean of their prices. Default: each has the average
        price that it paid, which differs where prices depend on the time.

    Returns
    -------
    Comparison
        Days that both have are compared with each other, so that what they share (weather, guests)
        cancels; days of two years are not. The clamps' errors differ, and are in difference and
        ratio where house.toml sets them.

    Raises
    ------
    HouseError
        If a side has fewer than 3 whole days or complete runs, or is the other side.
    """
    if a is b or a.cycles is b.cycles:
        raise _with_itself(a.appliance)
    names = names or _names(a, b)
    hours_a = hours_b = H_PER_DAY
    if per in RUNS:
        (kwh_a, day_a), (kwh_b, day_b) = _whole_runs(a, names[0]), _whole_runs(b, names[1])
        hours_a, hours_b = (float(_hours_of_runs(x)[_whole(x)].mean()) for x in (a, b))
        if weekly is None:
            weekly = (_runs_a_week(a) + _runs_a_week(b)) / 2
    else:
        (kwh_a, day_a), (kwh_b, day_b) = days_of(a), days_of(b)
    # Two clamps err independently, though their circuits may have one name, in two houses.
    other = replace(b.clamp_errors, name=f"{b.clamp_errors.name} (of {names[1]})")
    other = other.beside(a.clamp_errors)
    prices = mean_price(a), mean_price(b)
    if one_price and prices[0] is not None and prices[1] is not None:
        price = (prices[0][0] + prices[1][0]) / 2
        prices = (price, prices[0][1]), (price, prices[1][1])
    worth = _worth_of_two(prices, kwh_a, kwh_b)
    return compare(
        kwh_a,
        kwh_b,
        day_a=day_a,
        day_b=day_b,
        names=names,
        per=per,
        paired=False if per in RUNS else None,
        weekly=weekly,
        worth=worth,
        clamps=(a.clamp_errors, other),
        hours=(hours_a, hours_b),
        worth_seeing=worth_seeing,
    )


def compare_houses(
    a: House,
    b: House,
    *,
    circuit: str | tuple[str, str],
    per: Per = "day",
    weekly: float | None = None,
) -> Comparison:
    """Compare the same appliance in two houses.

    Parameters
    ----------
    a, b : House
        With their logs imported.
    circuit : str or tuple of str
        The circuit, or its name in each house.
    per, weekly
        As for `compare_appliances`.

    Returns
    -------
    Comparison
        In money where both houses pay in one currency, at the mean of their prices.

    Raises
    ------
    HouseError
        If it is one house and one circuit, or either has too few runs or days.
    """
    first, second = (circuit, circuit) if isinstance(circuit, str) else circuit
    if a.path.resolve() == b.path.resolve() and first == second:
        raise _with_itself(f"circuit {first!r}")
    one = house_findings(a, circuits=[first]).appliances[0]
    other = house_findings(b, circuits=[second]).appliances[0]
    if a.path.resolve() != b.path.resolve():
        other = replace(other, clamp_errors=replace(other.clamp_errors, part_of=""))
    names = f"{one.appliance}, {a.name}", f"{other.appliance}, {b.name}"
    return compare_appliances(one, other, per=per, weekly=weekly, names=names, one_price=True)


def _with_itself(what: str) -> HouseError:
    return HouseError(f"{what} would be compared with itself", fix="Name two different ones.")


def _names(a: ApplianceFinding, b: ApplianceFinding) -> tuple[str, str]:
    if a.appliance != b.appliance:
        return a.appliance, b.appliance
    return f"{a.appliance} ({a.circuit})", f"{b.appliance} ({b.circuit})"


def timezone_of(finding: ApplianceFinding) -> tzinfo | str:
    """Zone that decides what a day of these findings is."""
    days = finding.daily["day"]
    return pd.DatetimeIndex(days).tz or "UTC" if len(days) else "UTC"


def _runs(finding: ApplianceFinding) -> tuple[NDArray[np.float64], NDArray[np.int64]]:
    """Energy [kWh] and local day of every run, complete or not."""
    table = finding.cycles.table
    kwh = table["energy_wh"].to_numpy(np.float64) / WH_PER_KWH
    return kwh, local_days(table["start"], timezone_of(finding))


def _hours_of_runs(finding: ApplianceFinding) -> NDArray[np.float64]:
    return finding.cycles.table["duration_s"].to_numpy(np.float64) / S_PER_H


def _whole(finding: ApplianceFinding) -> NDArray[np.bool_]:
    whole: NDArray[np.bool_] = finding.cycles.table["complete"].to_numpy(dtype=bool)
    return whole


def _whole_runs(
    finding: ApplianceFinding, name: str
) -> tuple[NDArray[np.float64], NDArray[np.int64]]:
    whole = _whole(finding)
    if whole.sum() < LEAST_VALUES:
        raise HouseError(
            f"{name}: {int(whole.sum())} of {whole.size} runs are complete; a comparison "
            f"per run needs at least {LEAST_VALUES} on each side",
            fix="Log for longer, or compare per day.",
        )
    kwh, day = _runs(finding)
    return kwh[whole], day[whole]


def _runs_a_week(finding: ApplianceFinding) -> float:
    return finding.runs / max(finding.days, 1.0) * 7


def days_of(finding: ApplianceFinding) -> tuple[NDArray[np.float64], NDArray[np.int64]]:
    """Energy [kWh in 24 h] and number of every local day that was measured whole."""
    daily = finding.daily
    whole = daily[daily["covered_h"] >= LEAST_COVERAGE * daily["day_h"]]
    kwh = (whole["kwh"] / whole["covered_h"] * S_PER_DAY / S_PER_H).to_numpy(np.float64)
    return kwh, local_days(whole["day"], timezone_of(finding))


def _worth_of_two(
    prices: tuple[tuple[float, str] | None, tuple[float, str] | None],
    kwh_a: NDArray[np.float64],
    kwh_b: NDArray[np.float64],
) -> Worth | None:
    """Worth at the average price that each paid; at that of one, where the other's is unknown."""
    known = [price for price in prices if price is not None]
    if len({currency for _, currency in known}) != 1:
        return None
    (price_a, currency), (price_b, _) = known[0], known[-1]
    if abs(price_a - price_b) <= SAME_PRICE * abs(price_a):
        return Worth(currency=currency, price_per_kwh=price_a)
    return Worth(currency=currency, a=tuple(kwh_a * price_a), b=tuple(kwh_b * price_b))


def _worth_of_runs(
    finding: ApplianceFinding,
    tariff: Tariff | None,
    in_a: NDArray[np.bool_],
    in_b: NDArray[np.bool_],
) -> Worth | None:
    cost = own_run_costs(finding, tariff)
    if tariff is not None and cost is not None:
        return Worth(currency=tariff.currency, a=tuple(cost[in_a]), b=tuple(cost[in_b]))
    price = mean_price(finding)
    return None if price is None else Worth(currency=price[1], price_per_kwh=price[0])


def compare_named(
    house: House,
    *,
    a: str,
    b: str,
    per: Per | None = None,
    weekly: float | None = None,
    worth_seeing: float = WORTH_SEEING,
) -> Comparison:
    """Compare two circuits, or two programmes.

    Parameters
    ----------
    house : House
        With its logs imported.
    a, b : str
        "dryer" is a circuit, "washer:Quick wash" a programme of one, by its name, the beginning of
        it, or its number in the order in which programmes were first seen.
    per : str, optional
        "day", "run", "load" or "use". Default: "run" for programmes, "day" for circuits.
    weekly, worth_seeing
        As for `compare`.

    Returns
    -------
    Comparison

    Raises
    ------
    HouseError
        If a name is unknown or fits several programmes, both are the same, or too little was seen.
    """
    circuit_a, programme_a = _parted(a)
    circuit_b, programme_b = _parted(b)
    refuse_held_out(house, circuit_a, circuit_b)
    if (programme_a is None) != (programme_b is None):
        raise HouseError(
            f"{a!r} and {b!r}: a programme and a whole circuit cannot be compared",
            fix="Name a programme on both sides, as in washer:1, or on neither.",
        )
    if circuit_a == circuit_b and programme_a is None:
        raise HouseError(
            f"circuit {circuit_a!r} would be compared with itself",
            fix="Name two circuits, or two programmes of one: washer:1 washer:2.",
        )
    circuits = list(dict.fromkeys([circuit_a, circuit_b]))
    rows = house_findings(house, circuits=circuits).appliances
    found = {row.circuit: row for row in rows}
    one, other = found[circuit_a], found[circuit_b]
    if programme_a is None or programme_b is None:
        return compare_appliances(
            one, other, per=per or "day", weekly=weekly, worth_seeing=worth_seeing
        )
    if per is not None and per not in RUNS:
        raise HouseError(
            f"programmes are compared per run, not per {per}", fix="Leave out --per, or say run."
        )
    groups = {name: _programmes(house, finding) for name, finding in found.items()}
    name_a = _chosen(groups[circuit_a], programme_a, circuit_a)
    name_b = _chosen(groups[circuit_b], programme_b, circuit_b)
    if circuit_a == circuit_b:
        return compare_programmes(
            one,
            groups[circuit_a],
            a=name_a,
            b=name_b,
            tariff=house.tariff,
            weekly=weekly,
            per=per or "run",
            worth_seeing=worth_seeing,
        )
    return compare_appliances(
        _only(one, groups[circuit_a], name_a),
        _only(other, groups[circuit_b], name_b),
        per=per or "run",
        weekly=weekly,
        names=(f"{one.appliance}, {name_a}", f"{other.appliance}, {name_b}"),
        worth_seeing=worth_seeing,
    )


def refuse_held_out(house: House, *circuits: str) -> None:
    """Raise a HouseError if the readings of one of these circuits cannot be believed."""
    reasons = held_out(implausible_readings(house))
    for name in circuits:
        if name in reasons:
            raise HouseError(
                f"the readings of {name!r} cannot be believed: {reasons[name]}",
                path=house.path,
                fix="`homeenergy check` says what to do.",
            )


def _parted(text: str) -> tuple[str, str | None]:
    circuit, colon, programme = text.partition(":")
    return circuit, programme.strip() if colon else None


def _programmes(house: House, finding: ApplianceFinding) -> Programmes:
    names = [name for name in house.schedule.programmes if name.circuit == finding.circuit]
    return find_programmes(finding.cycles, names=names)


def _chosen(programmes: Programmes, asked: str, circuit: str) -> str:
    """Name of the programme that a person means."""
    names = list(programmes.table["name"])
    if asked in names:
        return asked
    if asked.isdecimal() and 1 <= int(asked) <= len(names):
        return str(names[int(asked) - 1])
    near = [name for name in names if asked and name.lower().startswith(asked.lower())]
    if len(near) == 1:
        return str(near[0])
    there = "\n  ".join(
        f"{circuit}:{number} is {row.name!r}, {row.n} runs"
        for number, row in enumerate(programmes.table.itertuples(), start=1)
    )
    what = "fits several programmes" if near else "is not a programme"
    raise HouseError(f"{asked!r} {what} of {circuit!r}", fix=there)


def _only(finding: ApplianceFinding, programmes: Programmes, name: str) -> ApplianceFinding:
    """The findings with the runs of one programme alone."""
    own = programmes.runs(name)
    table = finding.cycles.table[own].reset_index(drop=True)
    runs = int(np.sum(table["complete"]))
    return replace(finding, cycles=replace(finding.cycles, table=table), runs=runs)
