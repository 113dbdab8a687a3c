"""What comes in through the mains, and what no measured circuit accounts for."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace

import numpy as np
import pandas as pd

from homeenergy.cycles import house_cycles
from homeenergy.cycles.decisions import read_decisions
from homeenergy.errors import HouseError
from homeenergy.findings.appliance.appliance import appliance_finding
from homeenergy.findings.appliance.record import ApplianceFinding
from homeenergy.findings.appliance.remarks import bench_remarks
from homeenergy.findings.appliance.table import Findings
from homeenergy.findings.cost.stepped import with_share_of_bill
from homeenergy.findings.days import (
    LEAST_COVERAGE,
    daily_energy,
    energy_per_day,
    hourly_energy,
    remainder_per_day,
)
from homeenergy.house.appliance_names import appliance_names
from homeenergy.house.clamp_floor import ClampFloor, clamp_floor
from homeenergy.house.schedule import Circuit
from homeenergy.readings.house import House
from homeenergy.readings.outdoor import FILE_NAME, read_outdoor
from homeenergy.readings.trace import Trace
from homeenergy.stats.estimate import Estimate
from homeenergy.stats.parts import Parts
from homeenergy.trust.clamps.corrections import clamp_over
from homeenergy.units import H_PER_DAY


def mains_per_day(
    house: House, loads: list[tuple[pd.DataFrame, ClampFloor]]
) -> tuple[Estimate, Estimate]:
    """Energy per day through the mains, of a house that logs them, and what no circuit explains.

    `loads` holds the hourly energy of each circuit, and how far its clamp may be off.
    """
    mains = house.mains
    legs = [house.trace(c) for c in mains]
    hourly = [hourly_energy(leg) for leg in legs]
    clamps = [
        replace(clamp_floor(c, house.supply), uncertainty=clamp_over(leg, c.clamp).uncertainty)
        for leg, c in zip(legs, mains, strict=True)
    ]
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
        clamps=[*clamps, *(clamp for _, clamp in loads)],
    )
    total, known = energy_per_day(days), Parts()
    for h, clamp in zip(hourly, clamps, strict=True):
        kwh = H_PER_DAY * float(h["kwh"].sum() / h["covered_h"].sum())
        known = known.plus(clamp.parts(kwh, hours=H_PER_DAY))
    if known:
        basis = f"{total.basis}; error of the clamps of the mains"
        total = total.with_parts(known, basis=basis)
    return total, left


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
    names = appliance_names(house.circuits)
    zone = str(house.timezone)
    decisions = read_decisions(house)
    known = bench_remarks(house)
    outdoor = read_outdoor(house) if (house.path / FILE_NAME).is_file() else None

    # Only what the mains are compared with is kept of a trace, so that no two are held at once.
    compared = circuits is None and bool(house.mains)

    def one(circuit: Circuit) -> tuple[ApplianceFinding, _Span, pd.DataFrame | None]:
        trace = _trace_or_nothing(house, circuit)
        finding = appliance_finding(
            trace,
            circuit=replace(circuit, appliance=names[circuit.name]),
            timezone=zone,
            tariff=house.tariff,
            supply=house.supply,
            cycles=house_cycles(house, circuit, trace=trace, decisions=decisions),
            outdoor=outdoor,
        )
        if finding.days and circuit.name in known:
            finding = replace(finding, remarks=(*finding.remarks, known[circuit.name]))
        return finding, (trace.start, trace.end), hourly_energy(trace) if compared else None

    found: list[ApplianceFinding] = []
    spans: list[_Span] = []
    hourly: list[tuple[pd.DataFrame, ClampFloor]] = []
    with ThreadPoolExecutor(max_workers=workers or 2) as pool:
        for finding, span, hours in pool.map(one, chosen):
            found.append(finding)
            if finding.days:
                spans.append(span)
                if hours is not None:
                    hourly.append((hours, finding.floor))
            if progress:
                progress(len(found), len(chosen), finding.circuit)
    if not spans:
        raise HouseError(
            "none of these circuits has readings",
            path=house.path / "store",
            fix="Check the [log.columns] of house.toml, then run: homeenergy import FOLDER",
        )
    mains, unmeasured = mains_per_day(house, hourly) if compared else (None, None)
    if house.tariff is not None and house.tariff.needs_house:
        found = with_share_of_bill(house, found, every_circuit=circuits is None)
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
