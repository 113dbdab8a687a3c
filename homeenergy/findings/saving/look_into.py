"""What big loads show that is worth looking into: what is at stake, where no saving is measured."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import isfinite

import numpy as np
import pandas as pd

from homeenergy.cycles import Cycles
from homeenergy.errors import HouseError
from homeenergy.findings.appliance.record import ApplianceFinding
from homeenergy.findings.house_year import HouseYear, LoadYear
from homeenergy.findings.loads.baseload import REST
from homeenergy.findings.loads.heat_pump import HeatPumpUse, heat_pump_use
from homeenergy.findings.saving.advice import Said
from homeenergy.house.kinds import KINDS
from homeenergy.readings.house import House
from homeenergy.stats.estimate import Estimate
from homeenergy.stats.means import mean_of_runs
from homeenergy.units import H_PER_YEAR, S_PER_H, WH_PER_KWH

MANY_DEFROSTS = 0.05  # of a heat pump's energy. Own rule, no source.
SHORT_RUN_H, MANY_STARTS = 1 / 6, 24.0  # short cycling: common practice, no source
LEAST_HEATER_W = 500.0  # an element, and no compressor. Own rule.
LONG_REST = 0.8  # of the longest rests: nobody draws hot water in them. Own rule.
LEAST_RESTS, LEAST_REST_H = 8, 2.0


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class LookInto:
    """Something to have looked at.

    `at_stake_kwh` and `at_stake_money` are what it takes in a year: no saving was measured, and
    none can be more. `rests_on` is what was measured, `wrong_if` what would show that it is in
    order.
    """

    load: str
    do: Said
    rests_on: Said
    wrong_if: Said
    at_stake_kwh: Estimate
    at_stake_money: Estimate | None

    @property
    def main(self) -> Estimate:
        """What is at stake: money, or energy without a tariff."""
        return self.at_stake_kwh if self.at_stake_money is None else self.at_stake_money


def look_into(
    house: House,
    year: HouseYear,
    *,
    floor: float,
    outdoor: pd.Series | None = None,
) -> tuple[LookInto, ...]:
    """Facts of the loads that matter which are worth a look, the most at stake first.

    Parameters
    ----------
    house : House
    year : HouseYear
    floor : float
        What must be at stake in a year [currency; kWh without a tariff].
    outdoor : pandas.Series, optional
        Outdoor temperature, for heat pumps [deg C].

    Notes
    -----
    Own rules: a draw that never stops on no measured circuit; the heat that a tank loses
    (`tank_loss_w`); the heater of a compressor's oil; defrosts that take more than 5 % of a heat
    pump's energy.
    """
    found = [*_unmeasured(year)]
    for load in year.loads:
        finding = load.finding
        if finding is None:
            continue
        if KINDS[finding.kind].varying:
            found += _heat_pump(house, load, finding, outdoor)
        elif KINDS[finding.kind].bridging.by_itself:
            found += _tank(load, finding)
    found = [one for one in found if isfinite(one.main.value) and one.main.value >= floor]
    return tuple(sorted(found, key=lambda one: -one.main.value))


def _at_stake(load: LoadYear, share: float) -> tuple[Estimate, Estimate | None]:
    money = None if load.money is None else load.money.scaled(share)
    return load.kwh.scaled(share), money


def _unmeasured(year: HouseYear) -> list[LookInto]:
    base = year.base
    # With a circuit held out, what it takes is among what is left.
    if base is None or all(one.finding is not None for one in year.loads):
        return []
    rows = base.parts[base.parts["state"] == REST]
    if not len(rows) or not rows["low_w"].iloc[0] > 0:
        return []
    row = rows.iloc[0]
    watts = Estimate(
        value=row["watts_w"], low=row["low_w"], high=row["high_w"], unit="W", n=0, basis="rest"
    )
    kwh = watts.scaled(H_PER_YEAR / WH_PER_KWH, unit="kWh")
    price = year.price
    money = None
    if price is not None and year.energy is not None:
        money = kwh.scaled(price, unit=year.energy.unit)
    return [
        LookInto(
            load="",
            do=Said(
                text="Find out what draws {rest_w} day and night on circuits not measured",
                figures={"rest_w": watts},
            ),
            rests_on=Said(
                text="At the quietest ten minutes of every day the mains carry {rest_w} more than "
                "all measured circuits.",
                figures={"rest_w": watts},
            ),
            wrong_if=Said(
                text="With everything on these circuits unplugged, the mains still carry as much."
            ),
            at_stake_kwh=kwh,
            at_stake_money=money,
        )
    ]


def _heat_pump(
    house: House, load: LoadYear, finding: ApplianceFinding, outdoor: pd.Series | None
) -> list[LookInto]:
    use = heat_pump_of(house, finding, outdoor)
    if use is None:
        return []
    found = []
    name = finding.appliance
    if use.crankcase is not None:
        share = use.crankcase.kwh_per_day / finding.kwh_per_day.value
        kwh, money = _at_stake(load, share)
        found.append(
            LookInto(
                load=name,
                do=Said(
                    text="{appliance}: ask whether the heater of its compressor has to run so "
                    "often",
                    figures={"appliance": name},
                ),
                rests_on=Said(
                    text="While it rests, a heater of {heater_w} is on {rest_share} of the time.",
                    figures={"heater_w": use.crankcase.heater_w, "rest_share": use.crankcase.share},
                ),
                wrong_if=Said(text="Its maker asks for the heater at these temperatures."),
                at_stake_kwh=kwh,
                at_stake_money=money,
            )
        )
    if use.defrosts is not None and use.defrost_share > MANY_DEFROSTS:
        kwh, money = _at_stake(load, use.defrost_share)
        found.append(
            LookInto(
                load=name,
                do=Said(
                    text="{appliance}: have its defrosting looked at",
                    figures={"appliance": name},
                ),
                rests_on=Said(
                    text="{defrosts} defrosts took {defrost_share} of its energy.",
                    figures={
                        "defrosts": len(use.defrosts),
                        "defrost_share": use.defrost_share,
                    },
                ),
                wrong_if=Said(
                    text="The coil is clean, the sensor sits right, and it ices up in fact as "
                    "often."
                ),
                at_stake_kwh=kwh,
                at_stake_money=money,
            )
        )
    return found


def heat_pump_of(
    house: House, finding: ApplianceFinding, outdoor: pd.Series | None
) -> HeatPumpUse | None:
    """How a heat pump worked; None where its compressor never ran."""
    trace = house.trace(finding.circuit)
    try:
        return heat_pump_use(trace, finding.cycles, timezone=str(house.timezone), outdoor=outdoor)
    except HouseError:
        return None


def _tank(load: LoadYear, finding: ApplianceFinding) -> list[LookInto]:
    loss_w = tank_loss_w(finding.cycles)
    if loss_w is None or not load.kwh.value > 0:
        return []
    kwh = loss_w.scaled(H_PER_YEAR / WH_PER_KWH, unit="kWh")
    money = None
    if load.money is not None:
        money = kwh.scaled(load.money.value / load.kwh.value, unit=load.money.unit)
    return [
        LookInto(
            load=finding.appliance,
            do=Said(
                text="{appliance}: insulate tank and pipes, and set it no hotter than hygiene asks",
                figures={"appliance": finding.appliance},
            ),
            rests_on=Said(
                text="After its longest rests, with no hot water drawn, it makes up for a loss of "
                "{loss_w}: {loss_share} of all that it takes.",
                figures={"loss_w": loss_w, "loss_share": kwh.value / load.kwh.value},
            ),
            wrong_if=Said(
                text="The tank is no warmer to the hand than the room, and the pipes too."
            ),
            at_stake_kwh=kwh,
            at_stake_money=money,
        )
    ]


def tank_loss_w(cycles: Cycles) -> Estimate | None:
    """Power with which a heated tank makes up for the heat it loses while nobody draws [W].

    Parameters
    ----------
    cycles : Cycles
        Of a thermostat.

    Returns
    -------
    Estimate or None
        None where no heater is seen, or no rests long and many enough.

    Notes
    -----
    Own method. The thermostat makes up after each rest for what was lost in it, so energy of a run
    over the time since the run before it is mean power. Hot water drawn shortens rests, so those of
    at least 80 % of the longest (their 95 % point), from `LEAST_REST_H` hours on, are of losses
    alone, or nearly so: what is drawn in them still counts as a loss, and the figure is an upper
    one. The interval is from the spread between them.
    """
    table = cycles.table
    if len(table) < LEAST_RESTS + 1 or table["mean_w"].median() < LEAST_HEATER_W:
        return None
    start = pd.DatetimeIndex(table["start"]).as_unit("ns").asi8
    end = pd.DatetimeIndex(table["end"]).as_unit("ns").asi8
    whole = table["complete"].to_numpy(bool)
    cycle_h = (end[1:] - end[:-1]) / 1e9 / S_PER_H
    wh = table["energy_wh"].to_numpy(np.float64)[1:]
    seen = whole[1:] & whole[:-1] & (table["missing_s"].to_numpy(np.float64)[1:] == 0)
    rest_h = (start[1:] - end[:-1]) / 1e9 / S_PER_H
    seen &= rest_h > 0
    if seen.sum() < LEAST_RESTS:
        return None
    longest_h = float(np.quantile(rest_h[seen], 0.95))
    chosen = seen & (rest_h >= LONG_REST * longest_h)
    if longest_h < LEAST_REST_H or chosen.sum() < 3:
        return None
    power_w = wh[chosen] / cycle_h[chosen]
    day = (start[1:][chosen] // (24 * 3600 * 10**9)).astype(np.int64)
    return mean_of_runs(power_w, day, unit="W")


def loads_that_matter(
    loads: Sequence[LoadYear], *, least_share: float, most: int
) -> tuple[LoadYear, ...]:
    """Loads of a circuit of their own that are a share of the bill, at least the first three."""
    own = [one for one in loads if one.finding is not None]
    chosen = [one for number, one in enumerate(own) if number < 3 or one.share >= least_share]
    return tuple(chosen[:most])
