"""The figures that are frozen, by name of the file that holds them."""

from __future__ import annotations

import itertools
from collections.abc import Callable
from functools import cache, partial
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from homeenergy import House, check_house, house_findings
from homeenergy.cycles import Cycles, thermostat_statistics
from homeenergy.cycles.programmes import find_programmes
from homeenergy.findings import (
    Findings,
    annual_energy,
    before_after,
    carbon_of,
    change_lamps,
    combine_savings,
    compare_appliances,
    compare_programmes,
    compare_weekdays,
    compare_weekend,
    energy_cost,
    find_changes,
    heat_pump_use,
    hours_of_use,
    house_baseload,
    idle_or_use,
    label_energy,
    programme_uses,
    replace_unit,
    run_costs,
    shift_in_time,
    shift_to_cheap_hours,
    stepped_cost,
    switch_off_when_idle,
    switch_programme,
    switching_off,
    weather_dependence,
)
from homeenergy.findings.appliance.record import ApplianceFinding
from homeenergy.findings.change import Change
from homeenergy.findings.comparison.circuits import compare_named
from homeenergy.findings.comparison.comparison import Comparison
from homeenergy.findings.comparison.times import compare_hours
from homeenergy.findings.cost import EnergyCost, cost_of_days
from homeenergy.findings.saving.saving import Saving
from homeenergy.findings.weather.models import daily_temperature
from homeenergy.house.clamp_errors import ClampErrors
from homeenergy.house.tariff import Tariff
from homeenergy.readings import read_outdoor
from homeenergy.show import write_up
from homeenergy.trust import logged_energy, mains_trace, panel_balance
from tests.accuracy.intervals import study_house
from tests.accuracy.runs import figures as score_figures
from tests.accuracy.runs import quantile
from tests.accuracy.score import score_appliance
from tests.golden.houses import AWKWARD
from tests.golden.plain import attempt, fields, number, plain, table, toml_line
from tests.samples import copied_sample

Figures = dict[str, Any]
idle_of = cache(idle_or_use)  # asked for four times of each circuit


def findings_figures(found: Findings) -> Figures:
    house = fields(found, "timezone currency start end mains_kwh_per_day unmeasured_kwh_per_day")
    house["order"] = [one.circuit for one in found.appliances]
    house["frame"] = table(found.to_frame(), rows=0)
    return house | {"appliances": {one.circuit: appliance_figures(one) for one in found.appliances}}


def appliance_figures(found: ApplianceFinding) -> Figures:
    names = "kind kind_sure days coverage runs run_kwh standby_w kwh_per_day idle_share duty_cycle"
    return fields(found, f"{names} cost_per_year clamp_uncertainty price_at_rest daily") | {
        "cycles": cycles_figures(found.cycles)
    }


def cycles_figures(cycles: Cycles) -> Figures:
    names = "kind kind_sure total_wh covered_s idle_wh runs_wh other_wh settings standby table"
    rest = "levels hours measured_w step_w rounding_w slope_w_per_h stable"
    return fields(cycles, names) | {"rest": fields(cycles.rest, rest)}


def check_figures(house: House) -> Figures:
    check = check_house(house)
    concerns = [
        fields(c, "weight subject share") | {"line": toml_line(c.line)} for c in check.concerns
    ]
    return {
        "contradicts": check.contradicts,
        "concerns": concerns,
        "bench": {one.circuit: bench_figures(one, house) for one in check.bench},
        "balance": attempt(lambda: balance_figures(house)),
        "meter": check.meter and meter_figures(check.meter),
        "mains": attempt(lambda: mains_figures(house)),
        "quality": table(house.quality().reset_index(), named="circuit", rows=100),
    }


def bench_figures(found: Any, house: House) -> Figures:
    names = "multiplier u_scatter u_rounding u_reference u_offset offset_w stated agrees"
    names += " stated_offset_w offset_uncertainty_w compared_at_w half_at_load"
    line = found.line_for(house.circuit(found.circuit).clamp)
    return fields(found, names) | {"line": toml_line(line)}


def balance_figures(house: House) -> Figures:
    found = panel_balance(house)
    names = "steps ratio leg_ratio legs_found leg_shares mixed"
    return fields(found, "base_w unmonitored_w below_zero remainder") | {
        "circuits": {one.circuit: fields(one, names) for one in found.circuits}
    }


def meter_figures(found: Any) -> Figures:
    doubt = "reading written_kwh fits_low_kwh fits_high_kwh"
    return fields(found, "ratio fits_all intervals") | {
        "doubted": [[fields(one, doubt) for one in each] for each in found.doubted]
    }


def mains_figures(house: House) -> Figures:
    mains = mains_trace(house)
    third = (mains.end - mains.start) / 3
    times = pd.DatetimeIndex([mains.start + i * third for i in range(4)]).round("min")
    logged = logged_energy(mains, times[1:-1])
    return {
        "energy_wh": number(mains.energy_wh),
        "covered_s": number(mains.covered_s),
        "logged": {
            name: plain(getattr(logged, name))
            for name in logged.__slots__
            if isinstance(getattr(logged, name), np.ndarray | float)
        },
    }


def baseload_figures(house: House, found: Findings) -> Figures:
    def one(hours: tuple[int, int] | None) -> Figures:
        base = house_baseload(house, findings=found, hours=hours)
        names = "level_w constant_w windows mains_logged window_s kwh_per_day kwh_per_year"
        parts = table(base.parts, named="circuit", rows=100)
        return fields(base, names) | {"parts": parts}

    return {
        "whole days": attempt(lambda: one(None)),
        "at night": attempt(lambda: one((1, 5))),
    }


def comparison_figures(found: Comparison) -> Figures:
    names = "name_a name_b per a b difference ratio p differs weekly cost_per_year needed"
    return fields(found, f"{names} worth_seeing")


def time_figures(house: House, found: ApplianceFinding, *, several_parts: bool) -> Figures:
    def several(comparisons: Any) -> Figures:
        return table(comparisons.to_frame()) | {"differing": len(comparisons.differing)}

    def hours() -> Figures:
        return several(compare_hours(house.trace(found.circuit), finding=found))

    weekend = {"weekend": attempt(lambda: comparison_figures(compare_weekend(found)))}
    if not several_parts:
        return weekend
    weekdays = attempt(lambda: several(compare_weekdays(found)))
    return weekend | {"weekdays": weekdays, "hours": attempt(hours)}


def has_steps(tariff: Tariff) -> bool:
    return any(one.blocks for one in tariff.versions)


def spending(cost: EnergyCost) -> Figures:
    """What energy cost, and what a day of 24 h does."""
    per_day = plain(cost_of_days(cost.by_day, currency=cost.currency))
    figures = "kwh cost covered_h standing by_period by_day mean_price_per_kwh"
    return fields(cost, figures) | {"cost_per_day": per_day}


def use_figures(house: House, found: ApplianceFinding, outdoor: pd.Series | None) -> Figures:
    """What follows from the findings of one circuit."""
    zone = str(house.timezone)
    tariff = house.tariff
    trace = house.trace(found.circuit)
    year = "kwh cost days share_of_year weekdays_balanced season correlation"
    idle = "parts idle_kwh_per_day use_kwh_per_day other_kwh_per_day idle_w idle_share"
    idle += " uses_per_week waiting_h_per_use break_even_per_week idle_kwh_per_year"
    idle += " away_h_per_day"
    results: dict[str, Callable[[], Any]] = {
        "year": lambda: fields(annual_energy(found, tariff=tariff), year),
        "year by weather": lambda: fields(annual_energy(found, outdoor=outdoor), year),
        "idle": lambda: fields(idle_of(found), idle),
        "off": lambda: fields(
            switching_off(idle_of(found)), "off_h_per_day kwh_per_year cost_per_year"
        ),
        "saved by switching off": lambda: saving_figures(
            switch_off_when_idle(idle_of(found), price=12.0)
        ),
        "another unit": lambda: saving_figures(
            replace_unit(found, label_kwh_per_year=95.0, price=400.0)
        ),
    }
    if found.kind == "manual":
        results["lamps"] = lambda: lamp_figures(found)
    if found.kind == "thermostatic":
        names = "cycles_per_day on_time_s off_time_s duty_cycle on_power_w defrosts_per_day"
        results["thermostat"] = lambda: fields(
            thermostat_statistics(found.cycles), f"{names} defrost_kwh spread"
        )
    if found.kind == "batch":
        results["programmes"] = lambda: programme_figures(house, found)
    if tariff is not None and not has_steps(tariff):
        results["cost"] = lambda: spending(energy_cost(trace, tariff=tariff, timezone=zone))
        results["run costs"] = lambda: table(run_costs(found.cycles, tariff=tariff, timezone=zone))
        results["shift"] = lambda: shift_figures(house, found)
    return {name: attempt(work) for name, work in results.items()}


def saving_figures(found: Saving) -> Figures:
    return fields(found, "part share kwh_per_year cost_per_year price payback_years")


def lamp_figures(found: ApplianceFinding) -> Figures:
    hours = hours_of_use(found)
    names = "hours_per_day on_w kwh_per_day levels by_hour per_day"
    saved = change_lamps(hours, then_w=0.2 * hours.on_w.value, price=60.0)
    return fields(hours, names) | {"saved": saving_figures(saved)}


def shift_figures(house: House, found: ApplianceFinding) -> Figures:
    assert house.tariff is not None
    shift = shift_to_cheap_hours(found, tariff=house.tariff, timezone=str(house.timezone))
    saved = attempt(lambda: saving_figures(shift_in_time(found, shift=shift)))
    return fields(shift, "saving_per_year paid_per_year share table") | {"saved": saved}


def programme_figures(house: House, found: ApplianceFinding) -> Figures:
    programmes = find_programmes(found.cycles, names=house.schedule.programmes)
    uses = programme_uses(found, tariff=house.tariff)
    names = list(programmes.table["name"])

    def pair(a: str, b: str) -> Figures:
        switched = partial(switch_programme, found, programmes=programmes, usual=a, instead=b)
        compare = partial(compare_programmes, found, programmes, a=a, b=b, tariff=house.tariff)
        return {
            "runs": attempt(lambda: comparison_figures(compare())),
            "saved": attempt(lambda: saving_figures(switched())),
        }

    return {
        "table": table(programmes.table, named="name", rows=30),
        "of_run": plain(programmes.of_run.value_counts().to_dict()),
        "uses": [fields(use, "name runs run_kwh minutes cost") for use in uses.uses],
        "pairs": {f"{a} | {b}": pair(a, b) for a, b in itertools.combinations(names[:3], 2)},
    }


def change_figures(found: Change) -> Figures:
    names = "at found earliest latest size_kwh before_kwh after_kwh share chance draws shown"
    return fields(found, f"{names} weekday days smallest_kwh")


def weather_figures(found: ApplianceFinding, outdoor: pd.Series, house: House) -> Figures:
    zone = str(house.timezone)
    celsius = daily_temperature(outdoor, timezone=zone)
    stated = house.circuit(found.circuit).clamp.uncertainty
    clamp = ClampErrors(name=found.circuit, uncertainty=stated)
    middle = found.daily["day"].iloc[len(found.daily) // 2]
    names = "shape base_kwh heating_balance_c cooling_balance_c heating_kwh cooling_kwh"
    names += " scatter_kwh cv_rmse weather_share choice days"

    def fit() -> Figures:
        dependence = weather_dependence(found.daily, celsius)
        wide = weather_dependence(found.daily, celsius, clamp=clamp)
        return fields(dependence, names) | {
            "expected_kwh": plain(dependence.expected_kwh([-5.0, 5.0, 15.0, 25.0])),
            "with clamp": fields(wide, "base_kwh heating_kwh cooling_kwh"),
        }

    pump = "days full_w full_given least_w running_share part_load_share load starts_per_day"
    pump += " run_hours defrosts defrost_share standby_w"
    trace = partial(heat_pump_use, cycles=found.cycles, timezone=zone, outdoor=outdoor)
    change = partial(before_after, found.daily, at=middle)
    return {
        "temperature": table(celsius),
        "fit": attempt(fit),
        "changes": attempt(lambda: [change_figures(c) for c in find_changes(found.daily).changes]),
        "before and after": attempt(lambda: change_figures(change())),
        "before and after by weather": attempt(lambda: change_figures(change(outdoor=celsius))),
        "heat pump": attempt(lambda: fields(trace(house.trace(found.circuit)), pump)),
    }


def house_figures(house: House, *, weather: str, label: dict[str, str]) -> Figures:
    """All of a house but its write-up; `weather` names a circuit, `label` a procedure for some."""
    found = house_findings(house)
    by_name = {one.circuit: one for one in found.appliances}
    outdoor = read_outdoor(house) if (house.path / "outdoor.csv").is_file() else None
    first, second, third = (list(by_name) * 3)[:3]
    figures = {
        "findings": findings_figures(found),
        "check": check_figures(house),
        "baseload": baseload_figures(house, found),
        "uses": {name: use_figures(house, one, outdoor) for name, one in by_name.items()},
        "times": {
            name: time_figures(house, one, several_parts=name in (first, second))
            for name, one in by_name.items()
        },
        "named": {
            f"{a} {b} {per}": attempt(
                lambda a=a, b=b, per=per: comparison_figures(
                    compare_named(house, a=a, b=b, per=per)
                )
            )
            for a, b, per in ((first, second, "day"), (second, third, "run"))
        },
        "appliances": attempt(
            lambda: comparison_figures(
                compare_appliances(by_name[first], by_name[third], per="day", one_price=True)
            )
        ),
        "together": attempt(lambda: together_figures(found)),
        "labels": {
            name: attempt(lambda n=name, p=procedure: label_figures(by_name[n], p))
            for name, procedure in label.items()
        },
    }
    if outdoor is not None:
        figures["weather"] = weather_figures(by_name[weather], outdoor, house)
    if (factor := house.schedule.carbon) is not None:
        days = {one.circuit: carbon_of(one.kwh_per_day, factor) for one in found.appliances}
        figures["carbon"] = plain(days)
    if house.tariff is not None:
        figures["shifting"] = attempt(lambda: shifting_figures(found, house))
        if has_steps(house.tariff):
            figures["steps"] = stepped_figures(house)
    return figures


def together_figures(found: Findings) -> Figures:
    savings = []
    for one in found.appliances:
        saving = attempt(lambda one=one: switch_off_when_idle(idle_of(one), price=5.0))
        savings += [saving] if isinstance(saving, Saving) else []
    names = "kwh_per_year cost_per_year total_kwh_per_year total_cost_per_year total_price"
    return fields(combine_savings(savings), f"{names} payback_years")


def label_figures(found: ApplianceFinding, procedure: str) -> Figures:
    names = "uses_per_year kwh own_uses_per_year own_kwh_per_year label_kwh share_above_label"
    return fields(label_energy(found, procedure, label_kwh=200.0), names)


def shifting_figures(found: Findings, house: House) -> Figures:
    assert house.tariff is not None
    asked = {"tariff": house.tariff, "timezone": found.timezone}
    return {
        one.circuit: fields(shift_to_cheap_hours(one, **asked), "saving_per_year share table")
        for one in found.appliances
    }


def stepped_figures(house: House) -> Figures:
    assert house.tariff is not None
    loads = [c.name for c in house.circuits if c.role == "load"]
    mains = [house.trace(c) for c in house.circuits if c.role == "mains"]
    zone = str(house.timezone)
    return {
        name: attempt(
            lambda name=name: fields(
                stepped_cost(house.trace(name), mains, tariff=house.tariff, timezone=zone),
                "kwh share_cost marginal_cost table",
            )
        )
        for name in loads
    }


def writeup_figures(house: House) -> Figures:
    """The tables that a write-up of a house holds."""
    day = pd.Timestamp("2026-12-01").date()
    found = write_up(house, edition="technical", written=day)
    parts = {**found.parts, "runs": found.sheets}
    return {
        part: [
            {"sheet": grid.sheet, "rows": len(grid.rows), "data": table(grid.data)}
            for grid in _grids(blocks)
            if grid.data is not None
        ]
        for part, blocks in parts.items()
    }


def _grids(blocks: Any) -> list[Any]:
    found = []
    for block in blocks:
        found += _grids(getattr(block, "blocks", ()))
        found += [block] if hasattr(block, "data") else []
    return found


def accuracy_figures(folder: Path) -> Figures:
    """How well runs are found in six kinds of simulated load, from one seed each."""
    names = ("refrigerator", "washing_machine", "dishwasher", "kettle", "television", "heat_pump")
    every = {}
    for name, period_s in itertools.product(names, (1, 10)):
        scores = score_appliance(
            name, seeds=range(1001, 1002), days=3, noise_w=2.0, period_s=period_s
        )
        for how, score in scores.items():
            every[f"{name}, {period_s} s, {how}"] = plain(score_figures(score)) | {
                "runs": [score.true_runs, score.found_runs, score.matched],
                "energy error, 95 %": number(quantile(score.energy_errors, 0.95)),
                "boundary error, 95 %": number(quantile(score.boundary_samples, 0.95)),
                "kinds": score.kinds,
            }
    return every


def interval_figures(folder: Path) -> Figures:
    """Every interval stated for two simulated houses: whether it holds the truth, its width."""
    return {
        f"seed {seed}": [plain([row, held, half]) for row, held, half, _ in study_house(seed)]
        for seed in (1001, 1002)
    }


def sample_figures(folder: Path, name: str, **settings: Any) -> Figures:
    return house_figures(copied_sample(name, folder / name), **settings)


def awkward_figures(folder: Path, name: str, **settings: Any) -> Figures:
    return house_figures(AWKWARD[name](folder / name), **settings)


def written_figures(folder: Path) -> Figures:
    houses = {"canal_flat": copied_sample("canal_flat", folder / "canal_flat")}
    houses |= {name: AWKWARD[name](folder / name) for name in ("feeding_back", "quarter_hours")}
    return {name: writeup_figures(house) for name, house in houses.items()}


FILES: dict[str, Callable[[Path], Figures]] = {
    "accuracy": accuracy_figures,
    "canal_flat": partial(
        sample_figures,
        name="canal_flat",
        weather="water_heater",
        label={"washing_machine": "eu_washing_machine", "dishwasher": "us_dishwasher_c2"},
    ),
    "feeding_back": partial(awkward_figures, name="feeding_back", weather="fridge", label={}),
    "intervals": interval_figures,
    "one_circuit": partial(awkward_figures, name="one_circuit", weather="laundry", label={}),
    "orchard_house": partial(
        sample_figures,
        name="orchard_house",
        weather="heat_pump",
        label={"fridge": "us_refrigerator"},
    ),
    "quarter_hours": partial(
        awkward_figures, name="quarter_hours", weather="panel_heater", label={}
    ),
    "write_up": written_figures,
}
"""By name of the file. Each is given an empty folder to work in."""
