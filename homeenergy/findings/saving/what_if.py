"""What would be saved by another programme, other hours or lamps, a new unit, switching off."""

from __future__ import annotations

from dataclasses import replace
from math import isfinite

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from homeenergy.cycles.programmes import Programmes
from homeenergy.errors import HouseError
from homeenergy.findings.appliance.record import ApplianceFinding, estimate_text
from homeenergy.findings.days import day_edges_ns
from homeenergy.findings.loads.idle import IdleUse, idle_or_use
from homeenergy.findings.loads.lighting import HoursOfUse
from homeenergy.findings.saving.saving import (
    Part,
    Saving,
    as_estimate,
    energy_now,
    given_text,
    made_saving,
    need_readings,
    of_the_year,
    payback,
    unseen_days,
)
from homeenergy.findings.saving.shifting import Shift
from homeenergy.findings.saving.switching_off import switching_off
from homeenergy.findings.year import AnnualEnergy, annual_energy
from homeenergy.stats.estimate import Estimate, measured
from homeenergy.stats.means import mean_of_runs, ratio_of_days
from homeenergy.units import DAYS_PER_YEAR, H_PER_YEAR, S_PER_H, WH_PER_KWH

USES_OF_A_LABEL = 100.0


def replace_unit(
    finding: ApplianceFinding,
    *,
    label_kwh_per_year: float | Estimate | None = None,
    label_kwh_per_100_uses: float | Estimate | None = None,
    new_idle_w: float | None = None,
    annual: AnnualEnergy | None = None,
    price: float | Estimate | None = None,
) -> Saving:
    """What a new unit would save, by what its label says.

    Parameters
    ----------
    finding : ApplianceFinding
        The unit there is.
    label_kwh_per_year : float or Estimate, optional
        Annual energy of the new one as its label states it, idle included [kWh].
    label_kwh_per_100_uses : float or Estimate, optional
        Or what it says of a hundred cycles [kWh]: they are counted as often as this one runs. The
        product information sheet of a washing machine gives kWh per cycle: a hundred times that.
    new_idle_w : float, optional
        What the new one draws between uses [W], with a label for 100 uses. Default: as much as
        this one.
    annual : AnnualEnergy, optional
        What this one takes in a year. Default: `annual_energy(finding)`; with outdoor temperatures
        it knows more of the seasons.
    price : float or Estimate, optional
        What it costs [currency].

    Returns
    -------
    Saving
        Below zero where the new one takes more. The interval allows for seasons that were not
        seen, as `annual_energy` does.

    Raises
    ------
    ValueError
        If not exactly one of the labels is given, or a figure is below zero.
    HouseError
        Without readings, or, with a label for 100 uses, without any run.

    Examples
    --------
    >>> import homeenergy as he
    >>> from homeenergy.findings import replace_unit
    >>> house = he.open_house("sample_data/orchard_house")
    >>> fridge = he.house_findings(house, circuits=["fridge"]).appliances[0]
    >>> saving = replace_unit(fridge, label_kwh_per_year=180, price=900)
    >>> f"{saving.kwh_per_year.value:.0f} kWh, paid back in {saving.payback_years.value:.0f} years"
    '177 kWh, paid back in 34 years'
    """
    if (label_kwh_per_year is None) == (label_kwh_per_100_uses is None):
        raise ValueError("give either label_kwh_per_year or label_kwh_per_100_uses, and not both")
    need_readings(finding)
    lines = []
    if label_kwh_per_year is not None:
        if new_idle_w is not None:
            raise ValueError("new_idle_w goes with label_kwh_per_100_uses; a year holds it already")
        annual = annual_energy(finding) if annual is None else annual
        now = annual.kwh
        lines.append(f"This one takes {estimate_text(now)} a year, as measured.")
        then = as_estimate(label_kwh_per_year, unit="kWh", what="label_kwh_per_year")
        lines.append(
            f"The new one takes {given_text(then)} a year, as its label says of a test: other "
            "rooms, loads and habits take more or less."
        )
        saved = replace(now - then, n=now.n)
        of: Part = "all"
        before = now.value
    else:
        assert label_kwh_per_100_uses is not None
        if annual is not None:
            raise ValueError("annual goes with label_kwh_per_year; uses are counted as they were")
        each = as_estimate(label_kwh_per_100_uses, unit="kWh", what="label_kwh_per_100_uses")
        saved, before, of, more = _by_uses(finding, each, new_idle_w)
        lines += more
    return made_saving(
        finding,
        measure=f"A new unit in place of {finding.appliance}",
        part=of,
        before=before,
        kwh=replace(saved, basis="measured use less what the label says"),
        price=price,
        assumptions=lines,
        annual=annual,
    )


def _by_uses(
    finding: ApplianceFinding, per_100: Estimate, new_idle_w: float | None
) -> tuple[Estimate, float, Part, list[str]]:
    """Saved by a unit whose label is for a hundred uses; what it is a share of; and assumptions."""
    if not len(finding.cycles.table):
        raise HouseError(
            f"{finding.appliance} ({finding.circuit}) was not used in these days, so a label for "
            "100 uses says nothing of it",
            fix="Give label_kwh_per_year, or log for longer.",
        )
    found = idle_or_use(finding)
    per_year = found.uses_per_week.scaled(DAYS_PER_YEAR / 7)
    now = found.use_kwh_per_year
    # What a use takes and how many there are go together: the new use energy goes with the number.
    share = per_100.value / USES_OF_A_LABEL
    per_use = ratio_of_days(
        *(_whole(found, name) for name in ("use_kwh", "starts")), unit="kWh", basis="a use"
    )
    value = now.value - per_year.value * share
    of_days = _of_days(found, share)
    saved = replace(of_days.plus(value - of_days.value), n=now.n)
    saved = saved.with_parts(now.parts.chosen(observed=False))
    saved = saved.with_parts(per_100.parts.scaled(-per_year.value / USES_OF_A_LABEL))
    lines = [
        f"It is used {per_year.value:,.0f} times a year, as in these days, and takes "
        f"{estimate_text(per_use)} a use.",
        f"The new one takes {given_text(per_100.scaled(1 / USES_OF_A_LABEL))} a use, as its "
        "label says of the programme that was tested.",
    ]
    if new_idle_w is None:
        return saved, now.value, "use", [*lines, "Between uses it draws as much as this one."]
    idle_h = found.away_h_per_day * DAYS_PER_YEAR
    new_idle = as_estimate(new_idle_w, unit="W", what="new_idle_w").value * idle_h / WH_PER_KWH
    idle = found.idle_kwh_per_year
    lines.append(f"Between uses it draws {new_idle_w:g} W.")
    before = energy_now(finding)
    middle = idle.value if idle.resolved else before["idle"]
    total = saved.with_parts(idle.parts).plus(middle - new_idle)
    return total, before["idle"] + before["use"], "all", lines


def _whole(found: IdleUse, name: str) -> NDArray[np.float64]:
    days = found.parts[found.parts["whole"]] if found.parts["whole"].any() else found.parts
    return days[name].to_numpy(np.float64)


def _of_days(found: IdleUse, kwh_per_use: float) -> Estimate:
    """Use energy less so much for every use, from how days differ [kWh a year]."""
    off = ratio_of_days(
        _whole(found, "use_kwh") - kwh_per_use * _whole(found, "starts"),
        _whole(found, "covered_h"),
        unit="kW",
        basis="",
    )
    return off.scaled(H_PER_YEAR, unit="kWh")


def switch_programme(
    finding: ApplianceFinding,
    *,
    programmes: Programmes,
    usual: str,
    instead: str,
    price: float | Estimate | None = 0.0,
) -> Saving:
    """What it would save to use one programme in place of another.

    Parameters
    ----------
    finding : ApplianceFinding
    programmes : Programmes
        Of its cycles, from `find_programmes`.
    usual, instead : str
        Names of programmes: all runs of the first are made with the second.
    price : float or Estimate, optional
        Default: nothing.

    Returns
    -------
    Saving

    Raises
    ------
    HouseError
        If there is no programme of such a name.
    ValueError
        If both are the same.
    """
    if usual == instead:
        raise ValueError(f"both programmes are {usual!r}: give two that differ")
    need_readings(finding)
    old, often, old_h = _programme(finding, programmes, usual)
    new, _, new_h = _programme(finding, programmes, instead)
    # The uses of days that were seen are counted; what others take is known from their mean alone.
    per_year = of_the_year(
        often.scaled(H_PER_YEAR), finding, seen=unseen_days(finding, None)[0], limit=0.0
    )
    old_kwh, new_kwh = (
        each.with_parts(finding.clamp_parts(each.value, hours=hours))
        for each, hours in ((old, old_h), (new, new_h))
    )
    kwh = replace(
        (old_kwh - new_kwh).times(per_year, unit="kWh"),
        n=min(old.n, new.n),
        basis="difference of the means of runs, times how often",
    )
    return made_saving(
        finding,
        measure=f"{finding.appliance}: {instead!r} in place of {usual!r}",
        part="use",
        before=energy_now(finding)["use"],
        kwh=kwh,
        price=price,
        assumptions=[
            f"{usual!r} takes {estimate_text(old, of='runs')} a run, seen {old.n} times.",
            f"{instead!r} takes {estimate_text(new, of='runs')} a run, seen {new.n} times.",
            f"{usual!r} is used {per_year.value:,.0f} times a year; all of these are changed, and "
            "none has to be repeated.",
        ],
        measured=False,
    )


def _programme(
    finding: ApplianceFinding, programmes: Programmes, name: str
) -> tuple[Estimate, Estimate, float]:
    """Energy of a run [kWh], runs begun an hour, and hours a run; all runs, complete or not."""
    chosen = programmes.runs(name)
    runs = finding.cycles.table[chosen]
    start_ns = pd.DatetimeIndex(runs["start"]).as_unit("ns").asi8
    edges_ns = day_edges_ns(finding.daily)
    day = np.searchsorted(edges_ns, start_ns, side="right") - 1
    each = mean_of_runs(runs["energy_wh"].to_numpy(np.float64) / WH_PER_KWH, day)
    daily = finding.daily
    often = ratio_of_days(
        np.bincount(day, minlength=len(daily)).astype(np.float64),
        daily["covered_h"].to_numpy(np.float64),
        unit="a year",
        basis="runs begun",
    )
    return each, often, float(runs["duration_s"].mean()) / S_PER_H


def switch_off_when_idle(
    idle_use: IdleUse,
    *,
    off_h_per_day: float | None = None,
    price: float | Estimate | None = None,
) -> Saving:
    """What it would save to switch an appliance off while nobody uses it.

    Parameters
    ----------
    idle_use : IdleUse
    off_h_per_day : float, optional
        Hours of a day for which it is off, outside its runs [h]. Default: all of them.
    price : float or Estimate, optional
        Of a switched outlet, say [currency].

    Returns
    -------
    Saving

    Raises
    ------
    HouseError
        If it has to stay on.
    """
    found = switching_off(idle_use, off_h_per_day=off_h_per_day)
    finding = idle_use.finding
    if found.kwh_per_year is None:
        raise HouseError(
            f"{finding.appliance} has to stay on: {found.reason}",
            fix="Leave it out, or look at a unit that takes less.",
        )
    return made_saving(
        finding,
        measure=f"{finding.appliance} off for {found.off_h_per_day:.1f} h a day",
        part="idle",
        before=energy_now(finding)["idle"],
        share=found.off_h_per_day / idle_use.away_h_per_day if idle_use.away_h_per_day else 0.0,
        kwh=found.kwh_per_year,
        price=price,
        assumptions=[
            "While off it draws nothing, and starting again takes nothing more.",
            "It is switched off on every day of the year.",
            *found.cautions,
        ],
    )


def shift_in_time(
    finding: ApplianceFinding, *, shift: Shift, price: float | Estimate | None = 0.0
) -> Saving:
    """What it would save to start its runs at cheaper hours: money and no energy.

    Parameters
    ----------
    finding : ApplianceFinding
    shift : Shift
        From `shift_to_cheap_hours` of the same finding.
    price : float or Estimate, optional
        Default: nothing.

    Returns
    -------
    Saving

    Raises
    ------
    HouseError
        If nothing is proposed for this appliance.
    """
    saved, paid = shift.saving_per_year, shift.paid_per_year
    if saved is None or paid is None:
        raise HouseError(
            f"the runs of {finding.appliance} are not moved, as it {shift.why_not}",
            fix="Leave it out: only loads that can wait are moved.",
        )
    nothing = measured(0.0, unit="kWh", n=saved.n, basis="no energy")
    seen, limit, season = unseen_days(finding, None)
    if saved.value > 0:
        saved = of_the_year(saved, finding, seen=seen, limit=limit).within(least=0.0)
    given = None if price is None else as_estimate(price, unit=saved.unit, what="price")
    return Saving(
        measure=f"{finding.appliance} started at cheaper hours",
        finding=finding,
        part="price",
        share=saved.value / paid.value if paid.value else 0.0,
        kwh_per_year=nothing,
        cost_per_year=saved,
        price=given,
        payback_years=payback(given, saved),
        assumptions=(*shift.assumptions, season),
    )


def change_lamps(
    hours: HoursOfUse,
    *,
    then_w: float,
    now_w: float | None = None,
    hours_per_day: float | None = None,
    price: float | Estimate | None = None,
) -> Saving:
    """What other lamps would save, with the hours as measured.

    Parameters
    ----------
    hours : HoursOfUse
        Of the circuit of the lamps.
    then_w : float
        Watts of the new lamps [W].
    now_w : float, optional
        Watts of the lamps that they replace [W]. Default: what the circuit draws on average while
        anything is on.
    hours_per_day : float, optional
        Hours for which just these lamps are on [h]. Default: all lamps of the circuit are
        changed in proportion, and its energy while on falls by the ratio of the watts.
    price : float or Estimate, optional
        Of the lamps [currency].

    Returns
    -------
    Saving

    Raises
    ------
    HouseError
        If nothing was ever on.
    ValueError
        If watts are below zero, or the hours more than the circuit was on.

    Examples
    --------
    >>> import homeenergy as he
    >>> from homeenergy.findings import change_lamps, hours_of_use
    >>> house = he.open_house("sample_data/orchard_house")
    >>> lights = hours_of_use(he.house_findings(house, circuits=["lights"]).appliances[0])
    >>> f"{change_lamps(lights, now_w=60, then_w=8).kwh_per_year.value:.0f} kWh a year"
    '114 kWh a year'
    """
    finding = hours.finding
    if not (hours.hours_per_day.value > 0 and hours.on_w.value > 0):
        raise HouseError(
            f"{finding.appliance} ({finding.circuit}) was never on in these days, so other lamps "
            "have nothing to save",
            fix="Log for longer, or choose the circuit that the lamps are on.",
        )
    old_w = hours.on_w.value if now_w is None else now_w
    if not (old_w > 0 and then_w >= 0):
        raise ValueError(f"watts must be above zero, got {old_w!r} now and {then_w!r} then")
    share = 1 - then_w / old_w
    lines = [f"{old_w:.4g} W now, {then_w:g} W then, for as many hours."]
    if hours_per_day is None:
        kwh = hours.kwh_per_day.scaled(share * DAYS_PER_YEAR)
        lines.append(
            f"All lamps of the circuit are changed in this proportion; it is on for "
            f"{hours.hours_per_day.value:.1f} h a day."
        )
    else:
        most = hours.hours_per_day.high if isfinite(hours.hours_per_day.high) else 24.0
        if not 0 <= hours_per_day <= max(most, hours.hours_per_day.value):
            raise ValueError(
                f"hours_per_day must lie between 0 and the {hours.hours_per_day.value:.1f} h for "
                f"which the circuit is on, got {hours_per_day!r}"
            )
        exact = (old_w - then_w) * hours_per_day * DAYS_PER_YEAR / WH_PER_KWH
        habits = hours.hours_per_day
        kwh = habits.scaled(exact / habits.value, unit="kWh")
        kwh = replace(kwh, basis=hours.kwh_per_day.basis)
        lines.append(
            f"These lamps are on for {hours_per_day:g} h a day, as given; habits vary as those of "
            "the circuit do."
        )
    lines += [
        "The new lamps are assumed to give enough light: watts do not show it.",
        "Heating that replaces the heat of the old lamps is not counted.",
        "Hours of darkness change with the season.",
    ]
    return made_saving(
        finding,
        measure=f"{finding.appliance}: lamps of {then_w:g} W for {old_w:.4g} W",
        part="use",
        before=energy_now(finding)["use"],
        kwh=kwh,
        price=price,
        assumptions=lines,
        measured=hours_per_day is None,
    )
