"""The findings of a house: what each appliance uses per run, per day, while idle and in a year."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd
from scipy.stats import norm

from homeenergy.cycles import Cycles, find_cycles
from homeenergy.errors import HouseError
from homeenergy.estimate import Estimate
from homeenergy.findings.daily import (
    LEAST_COVERAGE,
    daily_energy,
    energy_per_day,
    hourly_energy,
    remainder_per_day,
)
from homeenergy.findings.means import mean_of_runs
from homeenergy.findings.tables import findings_frame, findings_markdown
from homeenergy.findings.wording import kind_words, percent_text
from homeenergy.house.schedule import Circuit, Kind, Supply, Tariff
from homeenergy.readings.house import House
from homeenergy.readings.trace import Trace
from homeenergy.trust.systematic import (
    correction_text,
    correction_words,
    with_clamp,
    with_systematic,
)
from homeenergy.units import DAYS_PER_YEAR, S_PER_DAY, S_PER_H, WH_PER_KWH

Progress = Callable[[int, int, str], None]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ApplianceFinding:
    """What one circuit uses, and how far that is known.

    Attributes
    ----------
    circuit, appliance : str
        Name in the panel schedule, and what a person calls it.
    kind, kind_sure : str, float
        How it behaves, and how well that fits: 1 where house.toml says so, else a score, which is
        no probability.
    days, coverage : float
        Days with readings, and share of the time from first to last that has them.
    runs : int
        Runs seen whole.
    run_kwh, standby_w, kwh_per_day, cost_per_year : Estimate
        Per run [kWh], between runs [W], per day [kWh], per year [currency; None without tariff].
    idle_share, duty_cycle : float
        Share of the energy spent outside runs, and of the time spent in runs; NaN if never at rest.
    remarks : tuple of str
        What a reader must know about these figures.
    cycles : Cycles
        The runs behind them.
    daily : pandas.DataFrame
        Energy of each local day.
    correction : str
        What house.toml multiplies the readings with, and from when: "none", "x 2".
    clamp_uncertainty : float or None
        Share by which the clamp's multiplier may be off at 95 %, where house.toml states it. The
        intervals of the figures above include it, and keep it apart as their `systematic` part;
        those of `cycles` leave it out.
    """

    circuit: str
    appliance: str
    kind: Kind
    kind_sure: float
    days: float
    coverage: float
    runs: int
    run_kwh: Estimate
    standby_w: Estimate
    kwh_per_day: Estimate
    idle_share: float
    duty_cycle: float
    cost_per_year: Estimate | None
    remarks: tuple[str, ...]
    cycles: Cycles
    daily: pd.DataFrame
    correction: str = "none"
    clamp_uncertainty: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Findings:
    """Findings of all circuits of a house, the greatest user first.

    `mains_kwh_per_day` and `unmeasured_kwh_per_day` are None where the mains are not logged.
    """

    house_name: str
    timezone: str
    currency: str | None
    start: pd.Timestamp
    end: pd.Timestamp
    appliances: tuple[ApplianceFinding, ...]
    mains_kwh_per_day: Estimate | None
    unmeasured_kwh_per_day: Estimate | None

    def to_frame(self) -> pd.DataFrame:
        """One row an appliance; intervals as columns ending in `_low` and `_high`.

        `kind_sure` is a score of how well a kind that nobody stated fits, 1 where house.toml says
        it; it is no probability. Where the standby is below what can be told, `standby_resolved`
        is False, `standby_w` empty, and `standby_w_high` the bound.
        """
        return findings_frame(self)

    def to_markdown(self) -> str:
        """A Markdown table of the figures a person would paste, with the remarks below it."""
        return findings_markdown(self)

    def _repr_html_(self) -> str:
        return self.to_frame().to_html()


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
        Intervals hold the spread between runs and between days and, kept apart in `systematic`,
        what all readings share: the clamp's uncertainty where house.toml states it, and rounding.

    Raises
    ------
    HouseError
        If a circuit is unknown, or nothing has been imported.

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
            fix="Add a [[circuit]] for each appliance circuit.",
        )
    zone = str(house.timezone)

    def one(circuit: Circuit) -> tuple[ApplianceFinding, Trace, pd.DataFrame]:
        trace = _trace_or_nothing(house, circuit)
        finding = appliance_finding(
            trace, circuit=circuit, timezone=zone, tariff=house.tariff, supply=house.supply
        )
        return finding, trace, hourly_energy(trace)

    found: list[ApplianceFinding] = []
    spans: list[tuple[pd.Timestamp, pd.Timestamp]] = []
    hourly: list[tuple[pd.DataFrame, float | None]] = []
    with ThreadPoolExecutor(max_workers=workers or 2) as pool:
        for finding, trace, hours in pool.map(one, chosen):
            found.append(finding)
            if finding.days:
                spans.append((trace.start, trace.end))
                hourly.append((hours, finding.clamp_uncertainty))
            if progress:
                progress(len(found), len(chosen), finding.circuit)
    if not spans:
        raise HouseError(
            "none of these circuits has readings",
            path=house.path / "store",
            fix="Check the [log.columns] of house.toml, then run: homeenergy import FOLDER",
        )
    mains, unmeasured = _mains(house, hourly) if circuits is None else (None, None)
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
    )


def _trace_or_nothing(house: House, circuit: Circuit) -> Trace:
    if not house.has_store or house.has_readings(circuit):
        return house.trace(circuit)
    nothing = np.empty(0, np.float32)
    start = pd.Timestamp(0, tz="UTC")
    return Trace(label=circuit.appliance, start=start, period_s=1.0, watts=nothing)


def appliance_finding(
    trace: Trace,
    *,
    circuit: Circuit,
    timezone: str,
    tariff: Tariff | None = None,
    supply: Supply | None = None,
) -> ApplianceFinding:
    """What one circuit uses; see `ApplianceFinding`."""
    resolution_w = _resolution_w(circuit, supply)
    cycles = find_cycles(trace, circuit.kind, resolution_w=resolution_w)
    daily = daily_energy(trace, timezone=timezone)
    clamp = circuit.clamp
    whole = cycles.complete
    step_w = max(cycles.rest.step_w, resolution_w)
    run_h = float(whole["duration_s"].mean()) / S_PER_H if len(whole) else np.nan
    run_kwh = with_step(_run_kwh(whole, timezone), step_w, hours=run_h)
    per_day = with_step(energy_per_day(daily), step_w, hours=S_PER_DAY / S_PER_H)
    covered_s = trace.covered_s
    in_runs_s = float((cycles.table["duration_s"] - cycles.table["missing_s"]).sum())
    rests = len(cycles.table) > 0 and cycles.total_wh != 0
    # Where power flows both ways, energies of either sign have no shares.
    one_way = rests and cycles.runs_wh / cycles.total_wh < 1.02
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
        cost_per_year=_cost_per_year(with_clamp(per_day, clamp), tariff),
        remarks=_remarks(trace, circuit, cycles, per_day),
        cycles=cycles,
        daily=daily,
        correction=correction_words(clamp),
        clamp_uncertainty=clamp.uncertainty,
    )


def _run_kwh(whole: pd.DataFrame, timezone: str) -> Estimate:
    days = pd.DatetimeIndex(whole["start"]).tz_convert(timezone).tz_localize(None)
    day = days.as_unit("s").astype(np.int64).to_numpy() // int(S_PER_DAY)
    return mean_of_runs(whole["energy_wh"].to_numpy(np.float64) / WH_PER_KWH, day)


def with_step(estimate: Estimate, step_w: float, *, hours: float) -> Estimate:
    """Widen an energy by what a constant error within a step of the readings makes of it.

    As for the standby: noise averages rounding out, but a constant error of the same size (an
    offset, or a steady draw between two steps) stays (JCGM 100:2008, F.2.2.1: step / sqrt 12).
    """
    if not step_w or not np.isfinite([estimate.value, hours]).all():
        return estimate
    half = norm.ppf(0.975) * step_w / np.sqrt(12) * hours / WH_PER_KWH
    basis = f"{estimate.basis}; readings in steps of {step_w:.3g} W"
    return with_systematic(estimate, half, basis=basis)


def _resolution_w(circuit: Circuit, supply: Supply | None) -> float:
    """Least power that a clamp can tell from nothing [W]; 0 where its rating is not stated.

    A 12-bit converter spans the range of the clamp (common practice, no source).
    """
    if supply is None or supply.volts_v is None or circuit.clamp.rating_a is None:
        return 0.0
    range_w = circuit.clamp.rating_a * supply.volts_v
    return range_w / 2**12 * abs(circuit.clamp.multiplier)


def _cost_per_year(per_day: Estimate, tariff: Tariff | None) -> Estimate | None:
    if tariff is None:
        return None
    factor = DAYS_PER_YEAR * tariff.price_per_kwh
    ends = sorted((per_day.low * factor, per_day.high * factor))
    return replace(
        per_day,
        value=per_day.value * factor,
        low=ends[0],
        high=ends[1],
        systematic=per_day.systematic * abs(factor),
        unit=tariff.currency,
        basis=f"{per_day.basis}; times 365 days and {tariff.price_per_kwh:g} {tariff.currency} "
        "a kWh, as if the whole year were like these days",
    )


def _remarks(trace: Trace, circuit: Circuit, cycles: Cycles, per_day: Estimate) -> tuple[str, ...]:
    if not cycles.covered_s:
        return ("no readings: no log names this circuit, or its columns are empty",)
    remarks = []
    if circuit.clamp.uncertainty is not None or correction_words(circuit.clamp) != "none":
        remarks.append(f"readings {correction_text(circuit.clamp)}")
    if circuit.kind is None:
        words = kind_words(
            cycles.kind,
            cycles.kind_sure,
            runs=len(cycles.complete),
            days=trace.covered_s / S_PER_DAY,
            period_s=trace.period_s,
        )
        remarks.append(f"{words}; house.toml can say otherwise")
    cut = len(cycles.table) - len(cycles.complete)
    if cut:
        remarks.append(f"{_count(cut, 'run')} cut by a gap or an end of the data")
    if len(cycles.complete) == 1:
        remarks.append("one complete run: its spread is not known")
    if cycles.kind == "modulating" and len(cycles.table):
        remarks.append("its runs last as long as the weather: look at kWh a day, not kWh a run")
    if np.isinf(per_day.high):
        remarks.append("too few whole days: the spread between days is not known")
    returned_wh = float(-cycles.plateaus.sum_w[cycles.plateaus.mean_w < 0].sum())
    returned_wh *= trace.period_s / S_PER_H
    if returned_wh > 0.03 * max(cycles.total_wh + returned_wh, returned_wh):
        remarks.append(
            f"{returned_wh / WH_PER_KWH:.2g} kWh below zero: "
            "a clamp on backwards, or power fed back"
        )
    missing = 1 - trace.covered_s / trace.span_s
    if missing > 0.05:
        remarks.append(f"{percent_text(missing)} of the time has no readings")
    if trace.period_s >= 10:
        remarks.append(
            f"samples of {trace.period_s:g} s: uses shorter than {2 * trace.period_s:g} s, or as "
            "close together, cannot be told apart"
        )
    return tuple(remarks)


def _count(n: int, noun: str) -> str:
    return f"{n} {noun}" if n == 1 else f"{n} {noun}s"


def _mains(
    house: House, loads: list[tuple[pd.DataFrame, float | None]]
) -> tuple[Estimate | None, Estimate | None]:
    """Energy per day through the mains, and what no circuit accounts for.

    `loads` holds the hourly energy of each circuit and the stated uncertainty of its clamp.
    """
    mains = [c for c in house.circuits if c.role == "mains" and house.has_readings(c)]
    if not mains:
        return None, None
    legs = [house.trace(c) for c in mains]
    hourly = [hourly_energy(leg) for leg in legs]
    known = [c.clamp.uncertainty for c in mains]
    zone = str(house.timezone)
    every = pd.concat([daily_energy(leg, timezone=zone) for leg in legs])
    every = every[every["covered_h"] >= LEAST_COVERAGE * every["day_h"]]
    every = every.assign(kwh=every["kwh"] / every["covered_h"] * every["day_h"])
    days = every.groupby("day").agg(kwh=("kwh", "sum"), day_h=("day_h", "first"), n=("kwh", "size"))
    days = days[days["n"] == len(legs)].assign(covered_h=lambda d: d["day_h"])
    left = remainder_per_day(
        hourly,
        [hours for hours, _ in loads],
        timezone=zone,
        uncertainties=[*known, *(u for _, u in loads)],
    )
    total = energy_per_day(days)
    if any(known):
        each = [
            24 * h["kwh"].sum() / h["covered_h"].sum() * (u or 0.0)
            for h, u in zip(hourly, known, strict=True)
        ]
        basis = f"{total.basis}; clamps of the mains known as stated"
        total = with_systematic(total, float(np.linalg.norm(each)), basis=basis)
    return total, left
