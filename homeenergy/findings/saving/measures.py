"""What a [[measure]] of house.toml would save, what it rests on, and what would refute it."""

from __future__ import annotations

from dataclasses import replace

from homeenergy.errors import HouseError
from homeenergy.findings.appliance.record import ApplianceFinding
from homeenergy.findings.loads.idle import idle_or_use
from homeenergy.findings.loads.lighting import hours_of_use
from homeenergy.findings.saving.advice import Action, Said, measured_use, no_less_energy
from homeenergy.findings.saving.saving import Saving, energy_now, made_saving, present_value
from homeenergy.findings.saving.what_if import change_lamps, replace_unit
from homeenergy.findings.year import annual_energy
from homeenergy.house.measures import Measure
from homeenergy.readings.house import House
from homeenergy.units import DAYS_PER_YEAR, WH_PER_KWH

# To heat a litre of water by a kelvin: 4.1868 kJ, the specific heat of water at 15 degrees (the
# calorie of old), at 1 kg a litre; hot water takes 0.5 % less a litre.
WH_PER_LITRE_K = 1.163


def hand_wash_kwh(litres: float, *, rise_k: float, efficiency: float) -> float:
    """Electricity that heats water to do a job by hand [kWh].

    Parameters
    ----------
    litres : float
        Hot water [l].
    rise_k : float
        By how much it is heated [K].
    efficiency : float
        Heat in the water over electricity.

    Notes
    -----
    litres x rise_k x 1.163 Wh, over the efficiency.

    Examples
    --------
    >>> round(hand_wash_kwh(25, rise_k=35, efficiency=0.8), 3)
    1.272
    """
    if not (litres > 0 and rise_k > 0 and efficiency > 0):
        raise ValueError("litres, rise_k and efficiency must be above 0")
    return litres * rise_k * WH_PER_LITRE_K / efficiency / WH_PER_KWH


def measure_actions(
    house: House, findings: tuple[ApplianceFinding, ...]
) -> tuple[tuple[Action, ...], tuple[Said, ...]]:
    """Give the actions of all [[measure]] tables, and a sentence for each that cannot be one."""
    by_name = {finding.circuit: finding for finding in findings}
    actions, unsaid = [], []
    for measure in house.schedule.measures:
        finding = by_name.get(measure.circuit)
        try:
            if finding is None:
                raise HouseError("its circuit has no readings that can be used")
            actions.append(_action(house, finding, measure))
        except HouseError as error:
            values = {"measure": measure.do, "why": error.what}
            unsaid.append(
                Said(text="{measure}: what it saves is not known ({why}).", figures=values)
            )
    return tuple(actions), tuple(unsaid)


def _action(house: House, finding: ApplianceFinding, measure: Measure) -> Action:
    saving, rests_on, assumes = _saving(finding, measure)
    saving = replace(saving, measure=measure.do)
    value = None
    if measure.price is not None and measure.life_years and saving.cost_per_year is not None:
        value = present_value(
            saving.cost_per_year,
            price=measure.price - measure.subsidy,
            life_years=measure.life_years,
            interest=house.schedule.write_up.interest,
        )
    if measure.source:
        assumes = (*assumes, Said(text="Source: {source}.", figures={"source": measure.source}))
    if measure.subsidy:
        assumes = (
            *assumes,
            Said(
                text="The price is {price_money}, of which {subsidy_money} is paid back.",
                figures={"price_money": measure.price, "subsidy_money": measure.subsidy},
            ),
        )
    if value is not None:
        assumes = (
            *assumes,
            Said(
                text="Net present value: it lasts {life_years} years, interest after inflation is "
                "{interest_share}, prices of energy stay, and nothing is left of it then.",
                figures={
                    "life_years": measure.life_years,
                    "interest_share": house.schedule.write_up.interest,
                },
            ),
        )
    return Action(
        do=Said(text="{what}", figures={"what": measure.do}),
        saving=saving,
        rests_on=rests_on,
        assumes=assumes,
        wrong_if=no_less_energy(finding),
        present_value=value,
    )


def _saving(
    finding: ApplianceFinding, measure: Measure
) -> tuple[Saving, tuple[Said, ...], tuple[Said, ...]]:
    price = None if measure.price is None else measure.price - measure.subsidy
    takes = measured_use(finding)
    if measure.new_kwh_per_year is not None:
        saving = replace_unit(finding, label_kwh_per_year=measure.new_kwh_per_year, price=price)
        label = Said(
            text="The new one takes {new_kwh} a year, as its label says of a test.",
            figures={"new_kwh": measure.new_kwh_per_year},
        )
        return saving, (takes,), (label,)
    if measure.new_kwh_per_100_uses is not None:
        saving = replace_unit(
            finding, label_kwh_per_100_uses=measure.new_kwh_per_100_uses, price=price
        )
        if measure.new_kwh_per_100_uses == 0:
            nothing = Said(text="It takes no electricity, and what waits stays plugged in.")
            return saving, (takes, _uses(finding)), (nothing,)
        label = Said(
            text="The new one takes {new_kwh} in 100 uses, as its label says of the programme that "
            "was tested, and waits as this one does.",
            figures={"new_kwh": measure.new_kwh_per_100_uses},
        )
        return saving, (takes, _uses(finding)), (label,)
    if measure.lamps_then_w is not None:
        saving = change_lamps(
            hours_of_use(finding),
            then_w=measure.lamps_then_w,
            now_w=measure.lamps_now_w,
            hours_per_day=measure.lamps_h_per_day,
            price=price,
        )
        light = Said(
            text="The new lamps draw {then_w} and are on as long as the old ones.",
            figures={"then_w": measure.lamps_then_w},
        )
        return saving, (takes,), (light,)
    if measure.hot_litres_per_use is not None:
        return _by_hand(finding, measure, price)
    assert measure.saves_share is not None
    year = annual_energy(finding)
    saving = made_saving(
        finding,
        measure=measure.do,
        part="all",
        before=year.kwh.value,
        kwh=year.kwh.scaled(measure.saves_share),
        share=measure.saves_share,
        price=price,
        assumptions=[],
        annual=year,
    )
    stated = Said(
        text="It saves {saved_share} of all that {appliance} takes: this was stated, and not "
        "measured here.",
        figures={"saved_share": measure.saves_share, "appliance": finding.appliance},
    )
    return saving, (takes,), (stated,)


def _uses(finding: ApplianceFinding) -> Said:
    return Said(
        text="It is used {uses} times a year, as in these days.",
        figures={
            "uses": round(idle_or_use(finding).uses_per_week.value * DAYS_PER_YEAR / 7),
        },
    )


def _by_hand(
    finding: ApplianceFinding, measure: Measure, price: float | None
) -> tuple[Saving, tuple[Said, ...], tuple[Said, ...]]:
    """Each use done with hot water by hand: what the machine takes less what the water takes."""
    assert measure.hot_litres_per_use is not None
    assert measure.rise_k is not None
    assert measure.efficiency is not None
    each = hand_wash_kwh(
        measure.hot_litres_per_use, rise_k=measure.rise_k, efficiency=measure.efficiency
    )
    found = idle_or_use(finding)
    by_hand_kwh = found.uses_per_week.scaled(DAYS_PER_YEAR / 7 * each, unit="kWh")
    saved = found.use_kwh_per_year - by_hand_kwh
    saving = made_saving(
        finding,
        measure=measure.do,
        part="use",
        before=energy_now(finding)["use"],
        kwh=saved,
        price=price,
        assumptions=[],
    )
    values = {
        "litres": measure.hot_litres_per_use,
        "rise": measure.rise_k,
        "efficiency": measure.efficiency,
        "each_kwh": each,
        "run": finding.run_kwh,
    }
    water = Said(
        text="A use by hand takes {litres} l of hot water, heated by {rise} K with an efficiency "
        "of "
        "{efficiency}: {each_kwh}; by the machine {run}.",
        figures=values,
    )
    cold = Said(text="The machine fills with cold water, and what waits stays plugged in.")
    return saving, (_uses(finding), water), (cold,)
