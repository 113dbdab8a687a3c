"""What big loads show that is worth looking into: what is at stake, where no saving is measured."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from math import isfinite

import numpy as np
import pandas as pd

from homeenergy.errors import HouseError
from homeenergy.findings.appliance.record import ApplianceFinding
from homeenergy.findings.before_after import before_after
from homeenergy.findings.change import SURE, with_errors
from homeenergy.findings.house_year import HouseYear, LoadYear, never_stopping
from homeenergy.findings.loads.baseload import REST, part_w
from homeenergy.findings.loads.heat_pump import HeatPumpUse, heat_pump_use
from homeenergy.findings.notable import Notable
from homeenergy.findings.saving.advice import Said
from homeenergy.findings.saving.at_stake import LookInto, at_stake, loads_that_matter, of_share
from homeenergy.findings.saving.renewing import worth_renewing
from homeenergy.findings.saving.running import (
    COLD_STORES,
    COMPRESSORS,
    HEATERS,
    LONG_ON,
    PUMPS,
    USUAL_ON,
    at_odds,
    can_wait,
    common,
    energy_share,
    hours,
    is_compressor,
    long_runs,
    named,
    refills,
    short_cycling,
    tank_loss_w,
    without_source,
    working,
)
from homeenergy.findings.saving.set_to_run import set_to_run
from homeenergy.findings.several_changes import allowing_for_search
from homeenergy.findings.year import with_unseen_days
from homeenergy.house.kinds import KINDS
from homeenergy.readings.house import House
from homeenergy.stats.coverage import coverage_factor
from homeenergy.stats.estimate import Estimate
from homeenergy.stats.regression import fit_line
from homeenergy.units import DAYS_PER_YEAR, H_PER_YEAR, WH_PER_KWH

BIG = 0.05  # of the bill, from which a load is asked whether it has to run as it is set. Own rule.
LARGE_W = 1000.0  # from which less of a load tells at the greatest power. Own rule, no source.
MANY_DEFROSTS = 0.05  # of a heat pump's energy. Own rule, no source.
NO_TANKS = f"{PUMPS}|{COMPRESSORS}|{HEATERS}"


def look_into(
    house: House,
    year: HouseYear,
    *,
    floor: float,
    outdoor: pd.Series | None = None,
    notable: Sequence[Notable] = (),
) -> tuple[LookInto, ...]:
    """Facts of the loads that matter which are worth a look, the most at stake first.

    Parameters
    ----------
    house : House
    year : HouseYear
    floor : float
        What must be at stake in a year [currency; kWh without a tariff].
    outdoor : pandas.Series, optional
        Outdoor temperature [deg C].
    notable : sequence of Notable
        Of the house's findings.

    Notes
    -----
    Own rules: a draw that never stops on no measured circuit; the heat that a tank loses
    (`tank_loss_w`); the heater of a compressor's oil; defrosts that take more than 5 % of a heat
    pump's energy; a day from which a load takes more (`notable`), or a rise over weeks; and how
    loads run (`homeenergy.findings.saving.running`): short cycling, a pump that runs without the
    source of heat or far longer than usual, heating and cooling at the same time; a load that
    somebody starts and that bears much of the charges for the greatest power (`demand_share`); big
    ones whose hours are set and not needed (`set_to_run`); those that could run while the house
    feeds back, where that earns less than a kWh costs, the largest first, and no kWh for two.
    """
    found = [*_unmeasured(year), *_fights(year)]
    every = [one.finding for one in year.loads if one.finding is not None]
    big = loads_that_matter(year.loads, least_share=BIG, most=len(every))
    for load in year.loads:
        finding = load.finding
        if finding is None or finding.kwh_per_day.value < 0:
            continue  # what feeds power back is no load
        found += _more_since(load, finding, notable, outdoor=outdoor, many=len(every))
        found += _running(house, load, finding, every)
        found += _at_the_peak(house, year, load, finding)
        found += set_to_run(house, load, finding, big=load in big)
        found += worth_renewing(house, load, finding)
        if KINDS[finding.kind].varying and is_compressor(finding):
            found += _heat_pump(house, load, finding, outdoor)
        elif KINDS[finding.kind].bridging.by_itself and not named(finding, NO_TANKS):
            found += _tank(year, load, finding)
    found += _on_own_power(house, year)
    found = [one for one in found if isfinite(one.main.value) and one.main.value >= floor]
    return tuple(sorted(found, key=lambda one: -one.main.value))


def _unmeasured(year: HouseYear) -> list[LookInto]:
    base = year.base
    # With a circuit held out, what it takes is among what is left.
    if base is None or all(one.finding is not None for one in year.loads):
        return []
    rows = base.parts[base.parts["state"] == REST]
    if not len(rows) or not rows["low_w"].iloc[0] > 0:
        return []
    watts = replace(part_w(rows.iloc[0]), basis="rest")
    kwh = watts.scaled(H_PER_YEAR / WH_PER_KWH, unit="kWh")
    kwh = never_stopping(kwh, seen=year.share_of_year)
    return [
        LookInto(
            load="",
            do=Said(
                text="Find out what draws {rest_w} day and night on circuits not measured",
                figures={"rest_w": watts},
            ),
            first=Said(
                text="Unplug what is on these circuits, one thing after the other, and watch the "
                "utility meter or the power of the mains."
            ),
            rests_on=Said(
                text="At the quiet times of every day the mains carry {rest_w} more than all "
                "measured circuits.",
                figures={"rest_w": watts},
            ),
            wrong_if=Said(
                text="With everything on these circuits unplugged, the mains still carry as much."
            ),
            at_stake_kwh=kwh,
            at_stake_money=year.steady_saved(kwh),
        )
    ]


def _more_since(
    load: LoadYear,
    finding: ApplianceFinding,
    notable: Sequence[Notable],
    *,
    outdoor: pd.Series | None,
    many: int,
) -> list[LookInto]:
    """A rise over weeks, or a day from which a load takes more."""
    name = finding.appliance
    more = _rise(finding, outdoor, many=many)
    rests_on = Said(
        text="From the first day to the last, its energy of a day rose by {more}, little by "
        "little, at the same outdoor temperature.",
        figures={"more": more},
    )
    if more is None:
        own = [one for one in notable if one.circuit == finding.circuit]
        changes = [one.change for one in own if one.change and one.began is None]
        if not changes:
            return []
        change = with_errors(allowing_for_search(changes[-1]), finding.clamp_errors)
        if not change.size_kwh.low > 0:
            return []  # the last change was for the better, or by nobody knows how much
        more = change.size_kwh
        rests_on = Said(
            text="From {day} on it takes {more} a day more than before.",
            figures={"day": change.at, "more": more},
        )
    kwh = more.scaled(DAYS_PER_YEAR)
    return [
        LookInto(
            load=name,
            do=Said(text="{appliance}: find out why it takes more", figures={"appliance": name}),
            first=Said(
                text="Ask what changed then: a setting, its place, a seal, a filter, how it is "
                "used."
            ),
            rests_on=rests_on,
            wrong_if=Said(
                text="It is used more, its room or the weather changed, or somebody set it so."
            ),
            at_stake_kwh=kwh,
            at_stake_money=load.saved_by(kwh),
        )
    ]


def _rise(finding: ApplianceFinding, outdoor: pd.Series | None, *, many: int) -> Estimate | None:
    """Rise of a day's energy over the log [kWh]; None where a step on one day fits better.

    Of what works by itself, and at the same outdoor temperature: habits rise and fall, and so does
    what the season drives. The slope must be as sure as one of `many` (Bonferroni's bound).
    """
    kind = KINDS[finding.kind]
    if outdoor is None or not (kind.bridging.by_itself or kind.varying or kind.never_off):
        return None
    try:
        step = before_after(finding.daily, outdoor=outdoor)
    except HouseError:
        return None
    if step.responds:
        return None
    regression = step.regression
    design, along = regression.design.copy(), regression.position.astype(np.float64)
    design[:, 1] = (along - along[0]) / (along[-1] - along[0])
    kwh = step.days["kwh"].to_numpy(np.float64)
    try:
        line = fit_line(design, kwh, position=regression.position)
    except ValueError:
        return None
    if line.residuals @ line.residuals >= regression.residuals @ regression.residuals:
        return None
    contrast = np.zeros(design.shape[1])
    contrast[1] = 1.0
    basis = f"regression on {regression.n} days: straight line in time"
    rise = line.estimate(contrast, unit="kWh", basis=basis)
    half, usual = rise.value - rise.low, coverage_factor(line.freedom)
    if rise.value <= half * coverage_factor(line.freedom, level=1 - SURE / many) / usual:
        return None
    return finding.clamp_errors.with_errors(rise)


def _running(
    house: House, load: LoadYear, finding: ApplianceFinding, every: Sequence[ApplianceFinding]
) -> list[LookInto]:
    """Short cycling, a pump that runs on, runs of a pump that do not end."""
    name, found = finding.appliance, []
    cycling = short_cycling(finding, house)
    if cycling is not None:
        text = (
            "For {cycling_h} it started {often} times an hour, running {run_min} each time "
            "(usually {usual_min}). More than six starts an hour are too many for a compressor "
            "(common practice, no source)."
            if isfinite(cycling.usual_min)
            else "For {cycling_h} it started {often} times an hour, running {run_min} each time. "
            "More than six starts an hour are too many for a compressor (common practice, no "
            "source)."
        )
        figures: dict[str, object] = {
            "cycling_h": cycling.hours,
            "often": cycling.starts_per_hour,
            "run_min": cycling.run_min,
        }
        if isfinite(cycling.usual_min):
            figures["usual_min"] = cycling.usual_min
        found.append(
            of_share(
                load,
                cycling.share,
                do=Said(
                    text="{appliance}: find out why it starts so often",
                    figures={"appliance": name},
                ),
                first=Said(
                    text="Have a technician look at its thermostat, its charge and its air flow."
                ),
                rests_on=Said(text=text, figures=figures),
                wrong_if=Said(text="Its maker allows as many starts, or it is no compressor."),
                in_part=True,
            )
        )
    found += _water_lost(house, load, finding)
    found += _long_on(load, finding)
    alone = without_source(finding, every)
    if alone is not None and len(alone):
        found.append(
            of_share(
                load,
                energy_share(finding, alone),
                do=Said(
                    text="{appliance}: let it stop once there is no heat to carry",
                    figures={"appliance": name},
                ),
                first=Said(
                    text="Find the time that it runs on in the control of what heats, and "
                    "shorten it."
                ),
                rests_on=Said(
                    text="It ran for {alone_h} a day though no source of heat had run for an hour.",
                    figures={"alone_h": hours(alone) / max(finding.days, 1.0)},
                ),
                wrong_if=Said(
                    text="It serves something else too, such as hot water, or its control needs "
                    "the flow to measure a temperature."
                ),
            )
        )
    return found


def _long_on(load: LoadYear, finding: ApplianceFinding) -> list[LookInto]:
    """A refrigerator whose compressor hardly rests; what it takes beyond a usual one's share."""
    on_share = finding.duty_cycle
    by_itself = KINDS[finding.kind].bridging.by_itself
    if not by_itself or not named(finding, COLD_STORES) or not on_share >= LONG_ON:
        return []
    return [
        of_share(
            load,
            1 - USUAL_ON / on_share,
            do=Said(
                text="{appliance}: find out why it runs for so long",
                figures={"appliance": load.name},
            ),
            first=Said(
                text="Clean its coil, see that air reaches it and that its door closes tightly, "
                "and set it no colder than its food needs."
            ),
            rests_on=Said(
                text="Its compressor is on {on_share} of the time; a third is usual (US Department "
                "of Energy, Energy Saver).",
                figures={"on_share": on_share},
            ),
            wrong_if=Said(
                text="It is opened often, stands in a warm room, or is built to run long at little "
                "power."
            ),
        )
    ]


def _water_lost(house: House, load: LoadYear, finding: ApplianceFinding) -> list[LookInto]:
    """Runs of a pump for water that do not end, or come when nobody draws any."""
    long, often = long_runs(finding), refills(finding, house.timezone)
    if long is not None:
        share = long.share
        rests_on = Said(
            text="{long_runs} of its {runs} runs were far longer than others, up to "
            "{longest_h}; the usual one lasts {usual_min}.",
            figures={
                "long_runs": long.number,
                "runs": long.runs,
                "longest_h": long.longest_h,
                "usual_min": long.usual_min,
            },
        )
        wrong = "Somebody drew water all that time, or much water had to be lifted."
    elif often is not None:
        share = often.share
        rests_on = Said(
            text="At the three hours of the day when it starts least it still does so {often} "
            "times an hour: at that rate, {lost_share} of its energy.",
            figures={"often": often.starts_per_hour, "lost_share": often.share},
        )
        wrong = "Something draws water at those hours: a garden, animals, a softener."
    else:
        return []
    return [
        of_share(
            load,
            share,
            do=Said(
                text="{appliance}: look for a leak, or a valve that does not close",
                figures={"appliance": load.name},
            ),
            first=Said(
                text="Close every tap for an hour: if it still runs, water escapes behind it."
            ),
            rests_on=rests_on,
            wrong_if=Said(text=wrong),
        )
    ]


def _at_the_peak(
    house: House, year: HouseYear, load: LoadYear, finding: ApplianceFinding
) -> list[LookInto]:
    """A load that somebody starts, by what it bears of the charges for the greatest power."""
    demand = finding.demand_per_year
    kind = KINDS[finding.kind]
    movable = kind.by_hand or can_wait(finding, house.timezone)
    if demand is None or year.energy is None or not movable:
        return []
    if not np.max(finding.cycles.plateaus.mean_w, initial=0.0) >= LARGE_W:
        return []
    return [
        LookInto(
            load=load.name,
            do=Said(
                text="{appliance}: run it at less power, or while little else runs",
                figures={"appliance": load.name},
            ),
            first=Said(
                text="Set it to a lower power or a later start, and keep other large loads off "
                "meanwhile."
            ),
            rests_on=Said(
                text="By its power when the house drew most, it bears {demand} of the charges for "
                "the greatest power.",
                figures={"demand": demand},
            ),
            wrong_if=Said(
                text="Without it something else draws as much at another time, or it has to run "
                "then."
            ),
            at_stake_kwh=load.kwh.scaled(0.0),
            at_stake_money=demand,
        )
    ]


def _on_own_power(house: House, year: HouseYear) -> list[LookInto]:
    """Loads whose runs can be moved, by what is paid for them beyond what feeding back earns."""
    earned = None if house.tariff is None else house.tariff.export_price_per_kwh
    if earned is None:
        return []
    found, left_kwh = [], year.fed_back_kwh
    for load in sorted(year.loads, key=lambda one: -one.kwh.value):
        if load.finding is None or not load.kwh.value > 0:
            continue
        if not can_wait(load.finding, house.timezone):
            continue
        now = load.saved_by(load.kwh)
        if now is None or left_kwh <= 0:
            continue
        share = min(1.0, left_kwh / load.kwh.value)
        left_kwh -= share * load.kwh.value
        found.append(
            LookInto(
                load=load.name,
                do=Said(
                    text="{appliance}: run it while the house feeds power back",
                    figures={"appliance": load.name},
                ),
                first=Said(
                    text="Use its timer or a delayed start, and look at the log again after two "
                    "weeks."
                ),
                rests_on=Said(
                    text="A kWh of it costs {price_money} at the hours at which it runs; one fed "
                    "back earns {earned_money}.",
                    figures={
                        "price_money": now.value / load.kwh.value,
                        "earned_money": earned,
                    },
                ),
                wrong_if=Said(text="It has to run when the house feeds nothing back."),
                at_stake_kwh=load.kwh.scaled(0.0),
                at_stake_money=now.plus(-load.kwh.value * earned).scaled(share),
            )
        )
    return found


def _fights(year: HouseYear) -> list[LookInto]:
    """Loads that work against each other at the same time."""
    found = []
    for one in year.loads:
        for other in year.loads:
            a, b = one.finding, other.finding
            if a is None or b is None or not at_odds(a, b):
                continue
            both = common(working(a), working(b))
            if not len(both):
                continue
            kwh, money = at_stake(one, energy_share(a, both))
            kwh_b, money_b = at_stake(other, energy_share(b, both))
            found.append(
                LookInto(
                    load=other.name,
                    do=Said(
                        text="Do not run {one} and {other} at the same time",
                        figures={"one": one.name, "other": other.name},
                    ),
                    first=Said(
                        text="Set their controls so far apart that neither starts while the "
                        "other runs."
                    ),
                    rests_on=Said(
                        text="{one} and {other} ran together for {both_h} in {days} days.",
                        figures={
                            "one": one.name,
                            "other": other.name,
                            "both_h": hours(both),
                            "days": round(a.days),
                        },
                    ),
                    wrong_if=Said(text="They serve rooms that share no air."),
                    at_stake_kwh=kwh + kwh_b,
                    at_stake_money=None if money is None or money_b is None else money + money_b,
                )
            )
    return found


def _heat_pump(
    house: House, load: LoadYear, finding: ApplianceFinding, outdoor: pd.Series | None
) -> list[LookInto]:
    use = heat_pump_of(house, finding, outdoor)
    if use is None:
        return []
    found = []
    name = finding.appliance
    if use.crankcase is not None:
        found.append(
            of_share(
                load,
                use.crankcase.kwh_per_day / finding.kwh_per_day.value,
                do=Said(
                    text="{appliance}: ask whether the heater of its compressor has to run so "
                    "often",
                    figures={"appliance": name},
                ),
                first=Said(
                    text="Ask the installer from which outdoor temperature on it may stay off."
                ),
                rests_on=Said(
                    text="While it rests, a heater of {heater_w} is on {rest_share} of the time.",
                    figures={"heater_w": use.crankcase.heater_w, "rest_share": use.crankcase.share},
                ),
                wrong_if=Said(text="Its maker asks for the heater at these temperatures."),
            )
        )
    if use.defrosts is not None and use.defrost_share > MANY_DEFROSTS:
        found.append(
            of_share(
                load,
                use.defrost_share,
                do=Said(
                    text="{appliance}: have its defrosting looked at",
                    figures={"appliance": name},
                ),
                first=Said(
                    text="Clean the coil outdoors and see that air flows freely; then count the "
                    "defrosts of another week."
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


def _tank(year: HouseYear, load: LoadYear, finding: ApplianceFinding) -> list[LookInto]:
    loss_w = tank_loss_w(finding.cycles)
    if loss_w is None or not load.kwh.value > 0:
        return []
    kwh = with_unseen_days(
        loss_w.scaled(H_PER_YEAR / WH_PER_KWH, unit="kWh"),
        (1 - year.share_of_year) * finding.season.limit,
        circuit=finding.circuit,
        basis=f"{loss_w.basis}; days not seen",
        seen=year.share_of_year,
    )
    return [
        LookInto(
            load=finding.appliance,
            do=Said(
                text="{appliance}: insulate tank and pipes, and set it no hotter than hygiene asks",
                figures={"appliance": finding.appliance},
            ),
            first=Said(
                text="Feel the jacket and the pipes next to the tank: where they are warm, "
                "insulation is missing."
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
            at_stake_money=load.saved_by(kwh),
        )
    ]
