"""The year of a house: energy, bill, what never stops, and what each load is of it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from math import isfinite

import pandas as pd

from homeenergy.errors import HouseError
from homeenergy.findings.appliance.record import RETURNED_SHARE, ApplianceFinding, clipped
from homeenergy.findings.appliance.table import Findings
from homeenergy.findings.bill import demand_of_a_year, house_bill, price_of_all_hours
from homeenergy.findings.days import LEAST_COVERAGE, share_of_year
from homeenergy.findings.loads.baseload import (
    NEVER_OFF,
    REST,
    STANDBY,
    Baseload,
    house_baseload,
    part_w,
)
from homeenergy.findings.peaks import OwnPower, own_power
from homeenergy.findings.weather.seasons import SEASON_LIMIT
from homeenergy.findings.year import with_unseen_days
from homeenergy.house.tariff import Tariff
from homeenergy.readings.house import House
from homeenergy.stats.estimate import Estimate
from homeenergy.stats.estimate import measured as measured_as
from homeenergy.trust.panel.quiet_times import NIGHT
from homeenergy.units import DAYS_PER_YEAR, H_PER_YEAR, WH_PER_KWH

LEAST_STOPS = 0.1  # of what never stops, from which a season matters. Own rule, no source.
OTHER_SEASON = SEASON_LIMIT["some"]  # of what is on no measured circuit. Own rule, no source.


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class LoadYear:
    """What one load takes in a year.

    `kwh` and `money` allow for days of the year that were not seen; `share` is of the house's
    bill, or without a tariff of its energy (NaN where energies of either sign have no shares).
    `finding` is None for what is on no measured circuit.
    """

    name: str
    finding: ApplianceFinding | None
    kwh: Estimate
    money: Estimate | None
    share: float

    def saved_by(self, kwh: Estimate) -> Estimate | None:
        """What the bill falls by for energy that the load leaves; None where that is not known."""
        if self.money is None or self.finding is None or not self.kwh.value > 0:
            return None
        price = self.money.value / self.kwh.value * self.finding.worth
        return kwh.scaled(price, unit=self.money.unit)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class HouseYear:
    """What a house uses in a year, and what its owner pays for it.

    Attributes
    ----------
    kwh : Estimate
        Energy of a year [kWh], taken from the grid through the mains or, where they are not
        logged, used by all circuits. The interval allows for days of the year that were not seen.
    whole_house : bool
        Whether it is that of the mains.
    energy, standing, demand, bill : Estimate, float, float, Estimate; or None
        What is paid in a year [currency]: for the kWh, whatever is used, for the greatest power of
        a month, and together, less what is earned. None without a tariff, or where it gives no
        price.
    no_money : str
        Why there is no money; empty where there is.
    base : Baseload or None
        None where what never stops cannot be told.
    base_kwh, base_money : Estimate or None
        What never stops, in a year.
    loads : tuple of LoadYear
        The greatest first.
    share_of_year : float
        Share of the days of a year that were seen.
    own : OwnPower or None
        What the house makes itself, and where it goes.
    fed_back_kwh, earned : float
        What the mains return in a year, by quarters of an hour [kWh], and what that earns
        [currency]: at export_price_per_kwh or, where none is stated, as kWh not bought.
    fed_back : Estimate or None
        The same energy, with what days not seen may change; None where nothing is fed back.
    price_of_all_hours : float or None
        What a kWh costs that is drawn at all hours [currency]; None where prices do not depend on
        the hour.
    """

    kwh: Estimate
    whole_house: bool
    energy: Estimate | None
    standing: float
    demand: float
    bill: Estimate | None
    no_money: str
    base: Baseload | None
    base_kwh: Estimate | None
    base_money: Estimate | None
    loads: tuple[LoadYear, ...]
    share_of_year: float
    own: OwnPower | None = None
    fed_back_kwh: float = 0.0
    fed_back: Estimate | None = None
    earned: float = 0.0
    price_of_all_hours: float | None = None

    @property
    def price(self) -> float | None:
        """What a kWh costs on average [currency]."""
        known = self.energy is not None and self.kwh.value > 0
        return self.energy.value / self.kwh.value if known and self.energy is not None else None

    def steady_cost(self, kwh: Estimate) -> Estimate | None:
        """What energy costs that is drawn at all hours; None where no price is known."""
        price = self.price if self.price_of_all_hours is None else self.price_of_all_hours
        if price is None or self.energy is None:
            return None
        return kwh.scaled(price, unit=self.energy.unit)

    def steady_saved(self, kwh: Estimate) -> Estimate | None:
        """What the bill falls by without energy that is drawn at all hours."""
        cost = self.steady_cost(kwh)
        findings = [one.finding for one in self.loads if one.finding is not None]
        known = {f.worth_at_rest for f in findings if f.worth_at_rest != 1}
        return cost if cost is None else cost.scaled(known.pop() if known else 1.0)

    def share_of_bill(self, money: Estimate | None, kwh: Estimate) -> float:
        """A part of the bill, or without one of the energy; NaN where that is not positive."""
        part, whole = (kwh, self.kwh) if self.bill is None or money is None else (money, self.bill)
        return part.value / whole.value if whole.value > 0 else float("nan")

    def to_frame(self) -> pd.DataFrame:
        """One row a load, and one of the house."""
        rows = [_row(one.name, one.kwh, one.money, one.share) for one in self.loads]
        whole = self.share_of_bill(self.energy, self.kwh)
        rows.append(_row("house", self.kwh, self.energy, whole))
        return pd.DataFrame(rows)


def _row(name: str, kwh: Estimate, money: Estimate | None, share: float) -> dict[str, str | float]:
    row: dict[str, str | float] = {"name": name}
    for what, estimate in (("kwh_per_year", kwh), ("cost_per_year", money)):
        for end in ("value", "low", "high"):
            column = what if end == "value" else f"{what}_{end}"
            row[column] = float("nan") if estimate is None else getattr(estimate, end)
    return row | {"share": share}


def house_year(house: House, findings: Findings) -> HouseYear:
    """Bring the days at hand to a year of the house.

    Parameters
    ----------
    house : House
        Without circuits that are held out.
    findings : Findings
        Of all its loads.

    Returns
    -------
    HouseYear

    Raises
    ------
    HouseError
        If nothing was measured.

    Notes
    -----
    The mean of the days measured, times 365. Days of the year that were not seen may differ by
    `SEASON_LIMIT` of each load, all of them to one side, as in `annual_energy`; own rule. What the
    spread of days leaves open counts for those alone. Energy
    is paid at the average price of these days: under steps and by time of use, too. Charges for
    demand: the mean of the months seen, times those of a year in which they count. What never stops
    pays the mean price of all hours; what a circuit makes is worth what it spares and earns.
    """
    measured = [f for f in findings.appliances if f.days]
    if not measured:
        raise HouseError(
            "no circuit has readings that can be used, so there is no year to speak of",
            path=house.path,
            fix="Look at what `homeenergy check` says of this folder.",
        )
    seen = max(_seen(f) for f in measured)
    mains = findings.mains_kwh_per_day
    parts = [year_of(f) for f in measured]
    rest, left = None, findings.unmeasured_kwh_per_day
    if mains is not None and left is None:  # a circuit that is held out is part of it
        left = sum((-f.kwh_per_day for f in measured), mains)
    if left is not None:
        rest = _unseen(left.scaled(DAYS_PER_YEAR), (1 - seen) * OTHER_SEASON, "rest", seen)
    paid = None if house.tariff is None else house.tariff.export_price_per_kwh
    fed_back = 0.0 if mains is None else findings.fed_back_kwh_per_day * DAYS_PER_YEAR
    own = None if mains is None else own_power(measured, fed_back_kwh=fed_back, paid=paid)
    # Without sun the house draws what it used of its own power, and no more.
    used_share = 1.0 if own is None else own.self_share
    reach = sum(
        (1 - _seen(f)) * _limit(f) * max(f.kwh_per_day.value, -used_share * f.kwh_per_day.value)
        for f in measured
    )
    if mains is None:
        users = [f.kwh_per_day for f in measured if f.kwh_per_day.value >= 0]
        total = sum(users[1:], users[0]) if users else measured[0].kwh_per_day
    else:
        total = mains.plus(fed_back / DAYS_PER_YEAR)
        reach += (1 - seen) * OTHER_SEASON * max(0.0 if left is None else left.value, 0.0)
    limit = reach / abs(total.value) if total.value else 0.0
    kwh = _unseen(total.scaled(DAYS_PER_YEAR), limit, "house", seen)
    if total.value > 0:
        kwh = kwh.within(least=0.0)
    energy, standing, demand, no_money = _money(house, findings, measured, kwh)
    price = energy.value / kwh.value if energy is not None and kwh.value > 0 else None
    earned = fed_back * ((price or 0.0) if paid is None else paid)
    makers = [f for f in measured if f.kwh_per_day.value < 0]
    limit = max(((1 - _seen(f)) * _limit(f) for f in makers), default=1 - seen)
    returned = _unseen(
        measured_as(fed_back, unit="kWh", basis="fed back"), limit, "own power", seen
    )
    bill = energy
    if bill is not None and fed_back:
        bill = bill - returned.scaled(earned / fed_back, unit=bill.unit)
    bill = None if bill is None else bill.plus(standing + demand)
    found = HouseYear(
        kwh=kwh,
        whole_house=mains is not None,
        energy=energy,
        standing=standing,
        demand=demand,
        bill=bill,
        no_money=no_money,
        base=None,
        base_kwh=None,
        base_money=None,
        loads=(),
        share_of_year=seen,
        own=None if own is None else own.at_price(price),
        fed_back_kwh=fed_back,
        fed_back=returned if fed_back else None,
        earned=earned,
    )
    tariff = house.tariff
    if energy is not None and tariff is not None and tariff.periods:
        steady = price_of_all_hours(tariff, findings.start, timezone=house.timezone)
        found = replace(found, price_of_all_hours=steady)
    found = replace(found, loads=_loads(found, measured, parts, rest))
    return _with_base(found, house, findings)


def year_of(finding: ApplianceFinding) -> Estimate:
    """Energy of a year of one load [kWh], like the days measured; see `house_year`."""
    year = finding.kwh_per_day.scaled(DAYS_PER_YEAR)
    seen = _seen(finding)
    year = _unseen(year, (1 - seen) * _limit(finding), finding.circuit, seen)
    return clipped(year, finding)


def _limit(finding: ApplianceFinding) -> float:
    """By which share days not seen may differ; what a house makes follows the sun or the wind."""
    makes = finding.kwh_per_day.value < 0
    return SEASON_LIMIT["strong"] if makes else finding.season.limit


def _unseen(year: Estimate, limit: float, name: str, seen: float) -> Estimate:
    if not isfinite(year.value) or not year.resolved:
        return year
    basis = f"{year.basis}; days not seen"
    return with_unseen_days(year, limit, circuit=name, basis=basis, seen=seen)


def _seen(finding: ApplianceFinding) -> float:
    daily = finding.daily
    day = pd.DatetimeIndex(daily["day"][daily["covered_h"] >= LEAST_COVERAGE * daily["day_h"]])
    return share_of_year(day)


def _money(
    house: House, findings: Findings, measured: Sequence[ApplianceFinding], kwh: Estimate
) -> tuple[Estimate | None, float, float, str]:
    """Energy, standing and demand charges of a year, and why there are none."""
    tariff = house.tariff
    if tariff is None:
        return None, 0.0, 0.0, "no tariff"
    standing = tariff.versions[-1].standing_per_day * DAYS_PER_YEAR
    if tariff.single_price is not None and not tariff.demand_charges:
        return kwh.scaled(tariff.single_price, unit=tariff.currency), standing, 0.0, ""
    if findings.mains_kwh_per_day is None:
        return _of_circuits(measured, kwh, tariff, standing)
    try:
        paid = house_bill(house, tariff)
    except HouseError as error:
        return None, standing, 0.0, error.what
    if paid.price is None:
        return None, standing, 0.0, "nothing was drawn through the mains"
    demand = demand_of_a_year(paid, tariff)
    return kwh.scaled(paid.price, unit=tariff.currency), standing, demand, ""


def _of_circuits(
    measured: Sequence[ApplianceFinding], kwh: Estimate, tariff: Tariff, standing: float
) -> tuple[Estimate | None, float, float, str]:
    """Where the mains are not logged: at what the circuits paid."""
    costs = [f.cost_per_year for f in measured]
    used = sum(f.kwh_per_day.value for f in measured) * DAYS_PER_YEAR
    if any(c is None or not isfinite(c.value) for c in costs) or not used > 0:
        return None, standing, 0.0, "the tariff gives no price without the mains"
    paid = sum(c.value for c in costs if c is not None)
    return kwh.scaled(paid / used, unit=tariff.currency), standing, 0.0, ""


def _loads(
    year: HouseYear,
    measured: Sequence[ApplianceFinding],
    parts: Sequence[Estimate],
    rest: Estimate | None,
) -> tuple[LoadYear, ...]:
    values = [f.kwh_per_day.value for f in measured]
    both_ways = min(values) < -RETURNED_SHARE * max(map(abs, values))
    found = []
    for finding, kwh in zip(measured, parts, strict=True):
        cost = finding.cost_per_year
        money = None
        if cost is not None and isfinite(cost.value) and kwh.value:
            money = kwh.scaled(
                cost.value / (finding.kwh_per_day.value * DAYS_PER_YEAR), unit=cost.unit
            )
            own = year.own
            if kwh.value < 0 and own is not None and own.worth is not None and own.made_kwh > 0:
                money = kwh.scaled(own.worth / own.made_kwh, unit=cost.unit)
        found.append(
            LoadYear(
                name=finding.appliance,
                finding=finding,
                kwh=kwh,
                money=money,
                share=float("nan") if both_ways else year.share_of_bill(money, kwh),
            )
        )
    found.sort(key=lambda one: -(one.kwh if one.money is None else one.money).value)
    if rest is not None and rest.value > 0:
        price = year.price
        money = (
            None
            if price is None or year.energy is None
            else rest.scaled(price, unit=year.energy.unit)
        )
        share = float("nan") if both_ways else year.share_of_bill(money, rest)
        found.append(LoadYear(name="", finding=None, kwh=rest, money=money, share=share))
    return tuple(found)


def _all_year(base: Baseload, loads: Sequence[LoadYear], *, seen: float) -> Estimate:
    """What never stops in a year [kWh]; what heats or cools rooms all day does in other seasons."""
    of_season = {
        one.finding.circuit
        for one in loads
        if one.finding is not None and one.finding.season.strength == "strong"
    }
    rows = base.parts[base.parts["state"].isin([STANDBY, NEVER_OFF, REST])]
    stops = rows["circuit"].isin(of_season) & (rows["watts_w"] > LEAST_STOPS * base.level_w.value)
    if not stops.any() or stops.all():
        return never_stopping(base.kwh_per_year, seen=seen)
    parts = [part_w(row) for row in rows[~stops].itertuples()]
    total = sum(parts[1:], parts[0]).scaled(H_PER_YEAR / WH_PER_KWH, unit="kWh")
    return never_stopping(total, seen=seen).within(least=0.0)


def never_stopping(year: Estimate, *, seen: float) -> Estimate:
    """A year of what never stops, with what days that were not seen may change of it."""
    return _unseen(year, (1 - seen) * SEASON_LIMIT["none"], "what never stops", seen)


def _with_base(year: HouseYear, house: House, findings: Findings) -> HouseYear:
    if year.whole_house and findings.unmeasured_kwh_per_day is None:
        return year  # a circuit is held out: what runs on it would count as never stopping
    for hours in (None, NIGHT):  # power that nobody measures may flow out by day
        try:
            base = house_baseload(house, findings=findings, hours=hours)
            break
        except (HouseError, ValueError):
            continue
    else:
        return year
    kwh = _all_year(base, year.loads, seen=year.share_of_year)
    # What runs on own power is paid by no bill: what never stops then costs what it would spare.
    money = year.steady_saved(kwh) if year.fed_back_kwh else year.steady_cost(kwh)
    return replace(year, base=base, base_kwh=kwh, base_money=money)
