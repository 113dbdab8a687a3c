"""What each circuit of a house uses: per run, per day, while idle, in a year."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from math import isfinite
from pathlib import Path

import numpy as np
import pandas as pd

from homeenergy.cycles import Cycles, find_cycles, house_cycles
from homeenergy.cycles.decisions import read_decisions
from homeenergy.cycles.rest import Standby
from homeenergy.cycles.shared.house_loads import as_divided
from homeenergy.errors import HouseError
from homeenergy.findings.appliance.record import ApplianceFinding
from homeenergy.findings.appliance.remarks import (
    amps_remark,
    bench_remarks,
    coarse_remark,
    doubt_remark,
    missed_remark,
    remarks_on,
    sharing_question,
    sharing_remark,
    unchecked_remarks,
)
from homeenergy.findings.appliance.table import Findings
from homeenergy.findings.bill import fed_back_kwh_per_day, with_share_of_bill
from homeenergy.findings.cost import cost_of_days, energy_cost, price_outside_runs
from homeenergy.findings.days import (
    LEAST_COVERAGE,
    daily_energy,
    energy_per_day,
    hourly_energy,
    local_days,
    parts_of_days,
    remainder_per_day,
)
from homeenergy.findings.notable import notable
from homeenergy.findings.weather.seasons import SeasonOfUse, season_of_use, season_remark
from homeenergy.findings.worth import with_worth
from homeenergy.house.clamp_errors import ClampErrors, clamp_errors
from homeenergy.house.schedule import Circuit, Supply, Tariff, appliance_names
from homeenergy.house.tariff import constant_price
from homeenergy.readings.house import House
from homeenergy.readings.outdoor import FILE_NAME, read_outdoor
from homeenergy.readings.trace import Trace
from homeenergy.stats.estimate import Estimate
from homeenergy.stats.means import mean_of_runs
from homeenergy.stats.parts import Parts
from homeenergy.trust.clamps.reading import clamp_over, correction_words
from homeenergy.trust.coarse_logs import coarse_steps_w
from homeenergy.trust.concern import Implausible, held_out
from homeenergy.trust.plausible import implausible_readings
from homeenergy.units import DAYS_PER_YEAR, H_PER_DAY, S_PER_DAY, S_PER_H, WH_PER_KWH


class NothingBelievedError(HouseError):
    """No circuit of a house has readings that can be believed, for these reasons."""

    def __init__(self, what: str, *, path: Path, fix: str, implausible: tuple[Implausible, ...]):
        super().__init__(what, path=path, fix=fix)
        self.implausible = implausible


def appliance_finding(
    trace: Trace,
    *,
    circuit: Circuit,
    timezone: str,
    tariff: Tariff | None = None,
    supply: Supply | None = None,
    cycles: Cycles | None = None,
    outdoor: pd.Series | None = None,
    step_w: float = 0.0,
) -> ApplianceFinding:
    """What one circuit uses; see `ApplianceFinding`.

    `cycles` are its runs as a person has decided them (`house_cycles`). Default: as found.
    `outdoor` are temperatures [deg C] on instants (`read_outdoor`), which tell how much the weather
    drives it where house.toml does not; they are ignored where they cover none of its whole days.
    `step_w` is the step of its readings where the other circuits of its log show one
    (`homeenergy.trust.coarse_logs`).
    """
    clamp = clamp_over(trace, circuit.clamp)
    errors = clamp_errors(circuit, supply).in_steps(step_w)
    errors = replace(errors, uncertainty=clamp.uncertainty)
    if cycles is None:
        cycles = find_cycles(trace, circuit.kind, floor=errors)
    daily = daily_energy(trace, timezone=timezone)
    whole = cycles.complete
    run_h = float(whole["duration_s"].mean()) / S_PER_H if len(whole) else np.nan
    run_kwh = _with_clamp(_run_kwh(whole, timezone), errors, rest=cycles.rest, hours=run_h)
    of_days = energy_per_day(daily, parts=parts_of_days(trace, daily))
    per_day = _with_clamp(of_days, errors, rest=cycles.rest, hours=H_PER_DAY)
    covered_s = trace.covered_s
    in_runs_s = float((cycles.table["duration_s"] - cycles.table["missing_s"]).sum())
    rests = len(cycles.table) > 0 and cycles.total_wh != 0
    # Where power flows both ways, energies of either sign have no shares.
    one_way = rests and cycles.runs_wh / cycles.total_wh < 1.02
    season = _season(circuit, cycles, daily, outdoor)
    remarks = remarks_on(trace, replace(circuit, clamp=clamp), cycles, per_day)
    if step_w:
        remarks += (coarse_remark(step_w),)
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
        standby_w=errors.with_ratio(cycles.standby),
        kwh_per_day=per_day,
        idle_share=1 - cycles.runs_wh / cycles.total_wh if one_way else float("nan"),
        duty_cycle=in_runs_s / covered_s if rests and covered_s else float("nan"),
        cost_per_year=_cost_per_year(per_day, trace, tariff=tariff, timezone=timezone),
        remarks=(*remarks, remark) if remark else remarks,
        cycles=cycles,
        daily=daily,
        correction=correction_words(clamp),
        price_at_rest=price_outside_runs(cycles, tariff=tariff, timezone=timezone),
        clamp_errors=errors,
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


def _with_clamp(kwh: Estimate, errors: ClampErrors, *, rest: Standby, hours: float) -> Estimate:
    """An energy of so many hours with what its clamp may be off, and what rounding leaves.

    As for the standby: a steady draw lies between two steps of the readings, as far as noise at
    `rest` does not average that out (`homeenergy.cycles.rest`), and an offset of the clamp, of
    which nothing else is known, anywhere within half a step of the clamp's.
    """
    parts = errors.parts(kwh.value, hours=hours, rounding_w=rest.rounding_w)
    known, words = isfinite(kwh.value) and isfinite(hours), [kwh.basis]
    if known and (rest.step_w or errors.offset_limit_w):
        words.append(f"readings in steps of {max(rest.step_w, 2 * errors.offset_limit_w):.3g} W")
    if known and errors.offset_half_w:
        words.append(f"the clamp's offset known to {errors.offset_half_w:.2g} W")
    if known and errors.uncertainty:
        words.append(f"clamp known to {100 * errors.uncertainty:.2g} %")
    return kwh.with_parts(parts, basis="; ".join(words))


def _cost_per_year(
    per_day: Estimate,
    trace: Trace,
    *,
    tariff: Tariff | None,
    timezone: str,
) -> Estimate | None:
    """A year like these days, at the average price that they paid; None under steps."""
    prices = None if tariff is None else tariff.prices(trace.start, trace.end, timezone=timezone)
    if tariff is None or prices is None:
        return None
    price = constant_price(prices)
    if price is not None:
        price_text, which = f"{price:g}", ""
        cost = per_day.scaled(DAYS_PER_YEAR * price, unit=tariff.currency)
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


def mains_per_day(
    house: House, loads: list[tuple[pd.DataFrame, ClampErrors]]
) -> tuple[Estimate, Estimate, float]:
    """Energy per day through the mains, what no circuit explains, and what is fed back.

    `loads` holds the hourly energy of each circuit, and how far its clamp may be off.
    """
    mains = house.mains
    legs = [house.trace(c).sure() for c in mains]
    hourly = [hourly_energy(leg) for leg in legs]
    clamps = [
        replace(clamp_errors(c, house.supply), uncertainty=clamp_over(leg, c.clamp).uncertainty)
        for leg, c in zip(legs, mains, strict=True)
    ]
    zone = str(house.timezone)
    every = pd.concat([daily_energy(leg, timezone=zone) for leg in legs])
    whole = every["covered_h"] >= LEAST_COVERAGE * every["day_h"]
    hours = every["covered_h"].mask(whole, every["day_h"])
    every = every.assign(kw=every["kwh"] / every["covered_h"], covered_h=hours)
    days = (
        every[whole if whole.any() else hours > 0]
        .groupby("day")
        .agg(
            kw=("kw", "sum"),
            covered_h=("covered_h", "min"),
            day_h=("day_h", "first"),
            n=("kw", "size"),
        )
    )
    days = days[days["n"] == len(legs)].assign(kwh=lambda d: d["kw"] * d["covered_h"])
    left = remainder_per_day(
        hourly,
        [hours for hours, _ in loads],
        timezone=zone,
        clamps=[*clamps, *(clamp for _, clamp in loads)],
    )
    total, known = energy_per_day(days.reset_index()), Parts()
    for h, clamp in zip(hourly, clamps, strict=True):
        kwh = H_PER_DAY * float(h["kwh"].sum() / h["covered_h"].sum())
        known = known.plus(clamp.parts(kwh, hours=H_PER_DAY))
    if known:
        basis = f"{total.basis}; error of the clamps of the mains"
        total = total.with_parts(known, basis=basis)
    return total, left, fed_back_kwh_per_day(legs, timezone=zone)


Progress = Callable[[int, int, str], None]
_Span = tuple[pd.Timestamp, pd.Timestamp]


def house_findings(
    house: House,
    *,
    circuits: Sequence[str] | None = None,
    workers: int | None = None,
    progress: Progress | None = None,
) -> Findings:
    """What each appliance of a house uses.

    Parameters
    ----------
    house : House
        From `open_house`, with its logs imported.
    circuits : sequence of str, optional
        Only these. Default: all that are loads and not mains.
    workers : int, optional
        Circuits worked on at the same time. Default: two.
    progress : callable, optional
        Called with (done, of how many, name of the circuit).

    Returns
    -------
    Findings
        Intervals hold the spread between runs and between days and, separately in `systematic`,
        what all readings share: the clamp's uncertainty where house.toml states it, and rounding.

    Raises
    ------
    HouseError
        If a circuit is unknown, nothing has been imported, or run_decisions.csv or outdoor.csv
        cannot be used.

    Notes
    -----
    Runs are those of `homeenergy.cycles.house_cycles`: what a person decided about them counts.
    Where there is an outdoor.csv, it shows how much the weather drives an appliance (`season`).
    Appliances of one name have that of their circuit in brackets.
    Circuits whose readings cannot be believed (`homeenergy.trust.plausible`) are held out: listed,
    without figures, and part of no total.

    Examples
    --------
    >>> import homeenergy as he
    >>> report = he.import_logs("sample_data/canal_flat")
    >>> findings = he.house_findings(he.open_house("sample_data/canal_flat"))
    >>> first = findings.appliances[0]
    >>> first.appliance, f"{first.kwh_per_day.value:.1f} {first.kwh_per_day.unit} a day"
    ('Water heater', '6.6 kWh a day')
    """
    chosen = [c for c in house.circuits if c.role == "load"]
    if circuits is not None:
        chosen = [house.circuit(name) for name in circuits]
    if not chosen:
        raise HouseError(
            "the panel schedule has no circuit that is a load",
            path=house.path / "house.toml",
            fix="Add a [[circuit]] for each appliance circuit; or, for figures of the whole house "
            'as of one load, take role = "mains" out of its [[circuit]].',
        )
    names = appliance_names(house.circuits)
    zone = str(house.timezone)
    decisions = read_decisions(house)
    known = bench_remarks(house)
    unchecked = unchecked_remarks(house)
    implausible = implausible_readings(house)
    reasons = held_out(implausible)
    steps_w = coarse_steps_w(house)
    house = house.without(reasons)
    outdoor = read_outdoor(house) if (house.path / FILE_NAME).is_file() else None

    # Only what the mains are compared with is kept of a trace, so that no two are held at once.
    compared = circuits is None and bool(house.mains)

    def one(circuit: Circuit) -> tuple[ApplianceFinding, _Span, pd.DataFrame | None]:
        trace = _trace_or_nothing(house, circuit)
        sharing = sharing_remark(house, circuit, trace)
        circuit = as_divided(house, circuit)
        step_w = steps_w.get(circuit.part_of or circuit.name, 0.0)
        finding = appliance_finding(
            trace,
            circuit=replace(circuit, appliance=names[circuit.name]),
            timezone=zone,
            tariff=house.tariff,
            supply=house.supply,
            cycles=house_cycles(house, circuit, trace=trace, decisions=decisions, step_w=step_w),
            outdoor=outdoor,
            step_w=step_w,
        )
        if circuit.name in reasons:
            reason = reasons[circuit.name]
            finding = replace(
                finding, held_out=reason, remarks=(f"held out of all figures: {reason}",)
            )
        more = [sharing]
        if finding.days:
            more = [
                sharing or sharing_question(house, circuit, trace, cycles=finding.cycles),
                doubt_remark(house.doubts(circuit), trace),
                missed_remark(house, circuit),
                amps_remark(house, circuit),
                known.get(circuit.name),
                unchecked.get(circuit.name),
            ]
        if circuit.name in house.switched and not house.has_readings(circuit):
            without = "its log says when it is on, not what it draws: state its watts"
            finding, more = replace(finding, remarks=(without,)), []
        finding = replace(finding, remarks=(*finding.remarks, *filter(None, more)))
        return finding, (trace.start, trace.end), hourly_energy(trace) if compared else None

    found: list[ApplianceFinding] = []
    spans: list[_Span] = []
    hourly: list[tuple[pd.DataFrame, ClampErrors]] = []
    with ThreadPoolExecutor(max_workers=workers or 2) as pool:
        for finding, span, hours in pool.map(one, chosen):
            found.append(finding)
            if finding.days:
                spans.append(span)
                if hours is not None:
                    hourly.append((hours, finding.clamp_errors))
            if progress:
                progress(len(found), len(chosen), finding.circuit)
    if not spans and reasons:
        together: dict[str, list[str]] = {}
        for name, reason in reasons.items():
            together.setdefault(reason, []).append(name)
        said = [*together.items()][:3]
        more = len(reasons) - sum(len(names) for _, names in said)
        listed = "; ".join(f"{', '.join(names)}: {reason}" for reason, names in said)
        listed += f"; and {more} more" if more else ""
        raise NothingBelievedError(
            f"no circuit has readings that can be believed. {listed}",
            path=house.path,
            fix="`homeenergy check` says what to do about each.",
            implausible=implausible,
        )
    if not spans:
        if any(house.has_log(name) for name in house.switched):
            raise HouseError(
                "no circuit has watts: its logs say when loads are on, and no more",
                path=house.path,
                fix="Write watts into the [[circuit]] of each; the hours are in house_states.",
            )
        raise HouseError(
            "none of these circuits has readings",
            path=house.path / "store",
            fix="Check the [log.columns] of house.toml, then run: homeenergy import FOLDER",
        )
    mains, unmeasured, fed_back = mains_per_day(house, hourly) if compared else (None, None, 0.0)
    if any(one.held_out for one in found):
        unmeasured = None  # they would be part of it
    if house.tariff is not None:
        found = with_share_of_bill(house, found, every_circuit=circuits is None)
        found = with_worth(house, found)
    found.sort(key=lambda f: -np.nan_to_num(f.kwh_per_day.value, nan=-1.0))
    return Findings(
        house_name=house.name,
        timezone=zone,
        currency=house.tariff.currency if house.tariff else None,
        start=min(start for start, _ in spans),
        end=max(end for _, end in spans),
        appliances=tuple(found),
        mains_kwh_per_day=mains,
        unmeasured_kwh_per_day=unmeasured,
        fed_back_kwh_per_day=fed_back,
        implausible=implausible,
        notable=notable([one for one in found if one.days], timezone=zone, outdoor=outdoor),
    )


def _trace_or_nothing(house: House, circuit: Circuit) -> Trace:
    if not house.has_store or house.has_readings(circuit):
        return house.trace(circuit).sure()
    nothing = np.empty(0, np.float32)
    start = pd.Timestamp(0, tz="UTC")
    return Trace(label=circuit.appliance, start=start, period_s=1.0, watts=nothing)
