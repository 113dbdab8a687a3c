"""What one circuit uses: per run, per day, while idle, in a year."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd

from homeenergy.cycles import Cycles, find_cycles
from homeenergy.cycles.rest import Standby
from homeenergy.errors import HouseError
from homeenergy.findings.appliance.record import ApplianceFinding
from homeenergy.findings.appliance.remarks import remarks_on
from homeenergy.findings.cost.cost import cost_of_days, energy_cost, price_outside_runs
from homeenergy.findings.cost.mean_price import scaled
from homeenergy.findings.days.daily import daily_energy, energy_per_day, local_days, parts_of_days
from homeenergy.findings.weather.seasons import SeasonOfUse, season_of_use, season_remark
from homeenergy.house.clamp_floor import ClampFloor, clamp_floor
from homeenergy.house.schedule import Circuit, Clamp, Supply, Tariff
from homeenergy.readings.trace import Trace
from homeenergy.stats.estimate import Estimate
from homeenergy.stats.means import mean_of_runs
from homeenergy.trust.clamps.systematic import (
    clamp_over,
    correction_words,
    with_clamp,
    with_even_error,
    with_systematic,
)
from homeenergy.units import DAYS_PER_YEAR, H_PER_DAY, S_PER_DAY, S_PER_H, WH_PER_KWH


def appliance_finding(
    trace: Trace,
    *,
    circuit: Circuit,
    timezone: str,
    tariff: Tariff | None = None,
    supply: Supply | None = None,
    cycles: Cycles | None = None,
    outdoor: pd.Series | None = None,
) -> ApplianceFinding:
    """What one circuit uses; see `ApplianceFinding`.

    `cycles` are its runs as a person has decided them (`house_cycles`). Default: as found.
    `outdoor` are temperatures [deg C] on instants (`read_outdoor`), which tell how much the weather
    drives it where house.toml does not; they are ignored where they cover none of its whole days.
    """
    floor = clamp_floor(circuit, supply)
    if cycles is None:
        cycles = find_cycles(trace, circuit.kind, floor=floor)
    daily = daily_energy(trace, timezone=timezone)
    clamp = clamp_over(trace, circuit.clamp)
    whole = cycles.complete
    run_h = float(whole["duration_s"].mean()) / S_PER_H if len(whole) else np.nan
    of_runs = _run_kwh(whole, timezone)
    run_w = of_runs.value / run_h * WH_PER_KWH
    run_kwh = with_offset(of_runs, floor, rest=cycles.rest, hours=run_h, power_w=run_w)
    of_days = energy_per_day(daily, parts=parts_of_days(trace, daily))
    day_w = of_days.value / H_PER_DAY * WH_PER_KWH
    per_day = with_offset(of_days, floor, rest=cycles.rest, hours=H_PER_DAY, power_w=day_w)
    covered_s = trace.covered_s
    in_runs_s = float((cycles.table["duration_s"] - cycles.table["missing_s"]).sum())
    rests = len(cycles.table) > 0 and cycles.total_wh != 0
    # Where power flows both ways, energies of either sign have no shares.
    one_way = rests and cycles.runs_wh / cycles.total_wh < 1.02
    season = _season(circuit, cycles, daily, outdoor)
    remarks = remarks_on(trace, replace(circuit, clamp=clamp), cycles, per_day)
    remark = season_remark(season, kind=cycles.kind, runs=whole)
    return ApplianceFinding(
        circuit=circuit.name,
        appliance=circuit.appliance,
        kind=cycles.kind,
        kind_sure=cycles.kind_sure,
        days=covered_s / S_PER_DAY,
        coverage=covered_s / trace.span_s if len(trace) else 0.0,
        runs=len(whole),
        run_kwh=with_clamp(run_kwh, clamp),
        standby_w=with_clamp(cycles.standby, clamp),
        kwh_per_day=with_clamp(per_day, clamp),
        idle_share=1 - cycles.runs_wh / cycles.total_wh if one_way else float("nan"),
        duty_cycle=in_runs_s / covered_s if rests and covered_s else float("nan"),
        cost_per_year=_cost_per_year(
            with_clamp(per_day, clamp),
            trace,
            tariff=tariff,
            timezone=timezone,
            clamp=clamp,
            floor=floor,
            rest=cycles.rest,
        ),
        remarks=(*remarks, remark) if remark else remarks,
        cycles=cycles,
        daily=daily,
        correction=correction_words(clamp),
        clamp_uncertainty=clamp.uncertainty,
        price_at_rest=price_outside_runs(cycles, tariff=tariff, timezone=timezone),
        floor=floor,
        season=season,
    )


def _season(
    circuit: Circuit, cycles: Cycles, daily: pd.DataFrame, outdoor: pd.Series | None
) -> SeasonOfUse:
    try:
        return season_of_use(daily, kind=cycles.kind, stated=circuit.season, outdoor=outdoor)
    except HouseError:  # temperatures of another time
        return season_of_use(daily, kind=cycles.kind, stated=circuit.season)


def _run_kwh(whole: pd.DataFrame, timezone: str) -> Estimate:
    day = local_days(whole["start"], timezone)
    return mean_of_runs(whole["energy_wh"].to_numpy(np.float64) / WH_PER_KWH, day)


def with_offset(
    estimate: Estimate, floor: ClampFloor, *, rest: Standby, hours: float, power_w: float
) -> Estimate:
    """Widen an energy of so many hours at this mean power by what constant errors make of it.

    As for the standby: a steady draw between two steps of the readings, as far as noise at `rest`
    does not average that out (`homeenergy.cycles.rest`), and an offset of the clamp. Where
    nothing else is known of that, it is anywhere within half a step of the clamp's.
    """
    kwh_per_w = hours / WH_PER_KWH
    left = floor.left_at(power_w)
    words = []
    if rest.step_w or floor.even_w:
        words.append(f"readings in steps of {max(rest.step_w, 2 * floor.even_w):.3g} W")
    if floor.normal_w:
        words.append(f"the clamp's offset known to {floor.normal_w:.2g} W")
    if not words or not np.isfinite([estimate.value, hours, power_w]).all():
        return estimate
    basis = "; ".join([estimate.basis, *words])
    joined = with_systematic(estimate, left * floor.normal_w * kwh_per_w, basis=basis)
    limits_kwh = (rest.rounding_w * kwh_per_w, left * floor.even_w * kwh_per_w)
    return with_even_error(joined, *limits_kwh, basis=basis)


def _cost_per_year(
    per_day: Estimate,
    trace: Trace,
    *,
    tariff: Tariff | None,
    timezone: str,
    clamp: Clamp,
    floor: ClampFloor,
    rest: Standby,
) -> Estimate | None:
    """A year like these days, at the average price that they paid; None under steps."""
    if tariff is None or tariff.is_stepped:
        return None
    if tariff.is_flat and tariff.price_per_kwh is not None:
        price_text, which = f"{tariff.price_per_kwh:g}", ""
        cost = scaled(per_day, DAYS_PER_YEAR * tariff.price_per_kwh, unit=tariff.currency)
    else:
        by_day = energy_cost(trace, tariff=tariff, timezone=timezone).by_day
        parts = parts_of_days(trace, by_day)
        bill = cost_of_days(by_day, currency=tariff.currency, parts=parts)
        price = bill.value / per_day.value if per_day.value else float("nan")
        day_w = per_day.value / H_PER_DAY * WH_PER_KWH
        bill = with_offset(bill, floor, rest=rest, hours=abs(price) * H_PER_DAY, power_w=day_w)
        cost = scaled(with_clamp(bill, clamp), DAYS_PER_YEAR)
        price_text, which = f"{price:.3g}", ", the average paid on these days"
    basis = f"{per_day.basis}; times 365 days and {price_text} {tariff.currency} a kWh{which}"
    return replace(cost, basis=f"{basis}, as if the whole year were like these days")
