"""What one circuit uses: per run, per day, while idle, in a year."""

from __future__ import annotations

from dataclasses import replace
from math import isfinite

import numpy as np
import pandas as pd

from homeenergy.cycles import Cycles, find_cycles
from homeenergy.cycles.rest import Standby
from homeenergy.errors import HouseError
from homeenergy.findings.appliance.record import ApplianceFinding
from homeenergy.findings.appliance.remarks import remarks_on
from homeenergy.findings.cost.cost import cost_of_days, energy_cost, price_outside_runs
from homeenergy.findings.days import daily_energy, energy_per_day, local_days, parts_of_days
from homeenergy.findings.weather.seasons import SeasonOfUse, season_of_use, season_remark
from homeenergy.house.clamp_floor import ClampFloor, clamp_floor
from homeenergy.house.schedule import Circuit, Supply, Tariff
from homeenergy.readings.trace import Trace
from homeenergy.stats.estimate import Estimate
from homeenergy.stats.means import mean_of_runs
from homeenergy.trust.clamps.corrections import clamp_over, correction_words
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
    clamp = clamp_over(trace, circuit.clamp)
    floor = replace(clamp_floor(circuit, supply), uncertainty=clamp.uncertainty)
    if cycles is None:
        cycles = find_cycles(trace, circuit.kind, floor=floor)
    daily = daily_energy(trace, timezone=timezone)
    whole = cycles.complete
    run_h = float(whole["duration_s"].mean()) / S_PER_H if len(whole) else np.nan
    run_kwh = _with_clamp(_run_kwh(whole, timezone), floor, rest=cycles.rest, hours=run_h)
    of_days = energy_per_day(daily, parts=parts_of_days(trace, daily))
    per_day = _with_clamp(of_days, floor, rest=cycles.rest, hours=H_PER_DAY)
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
        run_kwh=run_kwh,
        standby_w=floor.with_ratio(cycles.standby),
        kwh_per_day=per_day,
        idle_share=1 - cycles.runs_wh / cycles.total_wh if one_way else float("nan"),
        duty_cycle=in_runs_s / covered_s if rests and covered_s else float("nan"),
        cost_per_year=_cost_per_year(per_day, trace, tariff=tariff, timezone=timezone),
        remarks=(*remarks, remark) if remark else remarks,
        cycles=cycles,
        daily=daily,
        correction=correction_words(clamp),
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


def _with_clamp(kwh: Estimate, floor: ClampFloor, *, rest: Standby, hours: float) -> Estimate:
    """An energy of so many hours with what its clamp may be off, and what rounding leaves.

    As for the standby: a steady draw lies between two steps of the readings, as far as noise at
    `rest` does not average that out (`homeenergy.cycles.rest`), and an offset of the clamp, of
    which nothing else is known, anywhere within half a step of the clamp's.
    """
    parts = floor.parts(kwh.value, hours=hours, rounding_w=rest.rounding_w)
    known, words = isfinite(kwh.value) and isfinite(hours), [kwh.basis]
    if known and (rest.step_w or floor.offset_limit_w):
        words.append(f"readings in steps of {max(rest.step_w, 2 * floor.offset_limit_w):.3g} W")
    if known and floor.offset_half_w:
        words.append(f"the clamp's offset known to {floor.offset_half_w:.2g} W")
    if known and floor.uncertainty:
        words.append(f"clamp known to {100 * floor.uncertainty:.2g} %")
    return kwh.with_parts(parts, basis="; ".join(words))


def _cost_per_year(
    per_day: Estimate,
    trace: Trace,
    *,
    tariff: Tariff | None,
    timezone: str,
) -> Estimate | None:
    """A year like these days, at the average price that they paid; None under steps."""
    if tariff is None or not tariff.priced_by_time:
        return None
    if tariff.single_price is not None:
        price_text, which = f"{tariff.single_price:g}", ""
        cost = per_day.scaled(DAYS_PER_YEAR * tariff.single_price, unit=tariff.currency)
    else:
        by_day = energy_cost(trace, tariff=tariff, timezone=timezone).by_day
        parts = parts_of_days(trace, by_day)
        bill = cost_of_days(by_day, currency=tariff.currency, parts=parts)
        price = bill.value / per_day.value if per_day.value else float("nan")
        if isfinite(price):
            bill = bill.with_parts(per_day.parts.chosen(observed=False).scaled(price))
        cost = bill.scaled(DAYS_PER_YEAR)
        price_text, which = f"{price:.3g}", ", the average paid on these days"
    basis = f"{per_day.basis}; times 365 days and {price_text} {tariff.currency} a kWh{which}"
    return replace(cost, basis=f"{basis}, as if the whole year were like these days")
