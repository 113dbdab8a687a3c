"""Advice: what is worth doing in a house, on what it rests, and what would show it to be wrong.

Sentences are English templates with their figures aside, so that a document can say them in the
language of its reader (`homeenergy.catalogue`).
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from math import isfinite

from homeenergy.errors import HouseError
from homeenergy.findings.appliance.record import ApplianceFinding
from homeenergy.findings.house_year import HouseYear
from homeenergy.findings.loads.idle import idle_or_use
from homeenergy.findings.loads.programmes import ProgrammeUse, ProgrammeUses, programme_uses
from homeenergy.findings.saving.running import can_wait
from homeenergy.findings.saving.saving import Saving, Savings, combine_savings
from homeenergy.findings.saving.shifting import shift_to_cheap_hours
from homeenergy.findings.saving.what_if import shift_in_time, switch_off_when_idle, switch_programme
from homeenergy.house.kinds import KINDS
from homeenergy.house.schedule import ProgrammeName
from homeenergy.readings.house import House
from homeenergy.stats.estimate import Estimate

LINE = "{line}"  # a sentence that was written in English
# Under this share of the bill, or what these kWh of a year cost, nothing is advised. Own rules.
FLOOR_SHARE, FLOOR_KWH = 0.01, 20.0
PLUG_A = 20  # above it, or on two legs, an appliance is wired in: common practice, no source
# Programmes that do the same job: lengths within this ratio, equally many heatings, and each made
# often enough that it is a habit and no accident. Own rules, no source.
SAME_LENGTH = 1.35
LEAST_RUNS, LEAST_SHARE = 5, 0.1


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Said:
    """A sentence: an English template, and what goes into its braces.

    `figures` are texts, numbers and Estimates. The end of a name is its unit, as everywhere here;
    `_share` is a fraction, `_money` is in the currency of the house.
    """

    text: str
    figures: Mapping[str, object] = field(default_factory=dict)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Action:
    """One thing to do.

    Attributes
    ----------
    do : Said
        What, in a few words.
    saving : Saving
    rests_on, assumes : tuple of Said
        What was measured, and what is taken for granted.
    wrong_if : Said
        What would show that it does not save this.
    cost : Said or None
        What it costs, where no price is given; None where that is not known.
    present_value : Estimate or None
        Net present value [currency], where price and life are given.
    """

    do: Said
    saving: Saving
    rests_on: tuple[Said, ...]
    assumes: tuple[Said, ...]
    wrong_if: Said
    cost: Said | None = None
    present_value: Estimate | None = None

    @property
    def main(self) -> Estimate:
        """What it saves in a year: money, or energy without a tariff."""
        money = self.saving.cost_per_year
        return self.saving.kwh_per_year if money is None else money

    @property
    def is_sure(self) -> bool:
        """Whether it saves something at all, at 95 %."""
        return bool(self.main.resolved) and self.main.low > 0

    @property
    def is_too_dear(self) -> bool:
        """Whether it costs more than it saves while it lasts, interest counted."""
        return self.present_value is not None and self.present_value.value < 0


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Advice:
    """What to do in a house.

    Attributes
    ----------
    actions : tuple of Action
        Worth doing, the most valuable first.
    too_small, too_dear, unsure : tuple of Action
        Looked at and not advised: below the floor, costing more than they save while they last, or
        not different from nothing.
    floor : float
        What an action must save in a year at least [`unit`].
    unit : str
        Currency, or kWh without a tariff.
    together : Savings or None
        All actions, no kWh counted twice.
    unsaid : tuple of Said
        Measures of which nothing can be said, and why.
    """

    actions: tuple[Action, ...]
    too_small: tuple[Action, ...]
    too_dear: tuple[Action, ...]
    unsure: tuple[Action, ...]
    floor: float
    unit: str
    together: Savings | None
    unsaid: tuple[Said, ...] = ()


def find_advice(
    house: House,
    findings: Sequence[ApplianceFinding],
    year: HouseYear,
    *,
    measures: Iterable[Action | Saving] = (),
    floor: float | None = None,
) -> Advice:
    """Look at every load for what could be saved, and keep what is worth the trouble.

    Parameters
    ----------
    house : House
    findings : sequence of ApplianceFinding
        Of circuits with readings.
    year : HouseYear
    measures : iterable of Action or Saving
        To consider in addition to those found: another unit, other lamps.
    floor : float, optional
        What an action must save in a year [currency; kWh without a tariff]. Default: `FLOOR_SHARE`
        of the bill, before what is earned, but no less than `FLOOR_KWH` cost.

    Returns
    -------
    Advice

    Notes
    -----
    An action is advised if its saving differs from nothing at 95 %, its mean reaches the floor and
    its net present value, where price and life are known, is not below nothing.
    Programmes are compared like for like only, see `same_job`. Nothing is proposed for what must
    stay on.
    """
    found = [one if isinstance(one, Action) else _given(one) for one in measures]
    for finding in findings:
        for look in (_another_programme, _shifting):
            found += _tried(look, house, finding)
    idle = [action for f in findings for action in _tried(_switching_off, house, f)]
    bill = year.kwh if year.bill is None else year.bill
    unit = bill.unit
    earned = 0.0 if year.bill is None else year.earned
    few = FLOOR_KWH * (1.0 if year.bill is None else year.price or 0.0)
    least = max(FLOOR_SHARE * (bill.value + earned), few) if floor is None else floor
    found = [action for action in (*found, *idle) if action.main.unit == unit]
    found.sort(key=_order)
    sure = [action for action in found if action.is_sure]
    large = [action for action in sure if action.main.value >= least]
    worth = [action for action in large if not action.is_too_dear]
    return Advice(
        actions=tuple(worth),
        too_small=tuple(action for action in sure if action.main.value < least),
        too_dear=tuple(action for action in large if action.is_too_dear),
        unsure=tuple(action for action in found if not action.is_sure),
        floor=least,
        unit=unit,
        together=combine_savings([one.saving for one in worth]) if worth else None,
    )


def _order(action: Action) -> float:
    """By what it saves: where most is comes first."""
    saved = action.main.value
    return -saved if action.main.resolved and isfinite(saved) else float("inf")


def _tried(look, house: House, finding: ApplianceFinding) -> list[Action]:  # type: ignore[no-untyped-def]
    """What a look at an appliance finds; nothing where it cannot be said."""
    try:
        return list(look(house, finding))
    except HouseError:  # too few runs, must stay on, one price only: nothing to propose
        return []


def _given(saving: Saving) -> Action:
    return Action(
        do=Said(text="{measure}", figures={"measure": saving.measure}),
        saving=saving,
        rests_on=(measured_use(saving.finding),),
        assumes=tuple(Said(text=LINE, figures={"line": line}) for line in saving.assumptions),
        wrong_if=no_less_energy(saving.finding),
    )


def measured_use(finding: ApplianceFinding) -> Said:
    """What an appliance takes, on which a saving rests."""
    return Said(
        text="{appliance} takes {per_day_kwh} a day, measured over {days} days.",
        figures={
            "appliance": finding.appliance,
            "per_day_kwh": finding.kwh_per_day,
            "days": round(finding.days),
        },
    )


def no_less_energy(finding: ApplianceFinding) -> Said:
    """What would show that something done about an appliance saved nothing."""
    return Said(
        text="A log of {appliance} after it shows no less energy a day, weather taken out.",
        figures={"appliance": finding.appliance},
    )


def _switching_off(house: House, finding: ApplianceFinding) -> list[Action]:
    idle_use = idle_or_use(finding)
    if not idle_use.idle_w.resolved:
        return []
    circuit = house.circuit(finding.circuit)
    wired_in = len(circuit.legs) > 1 or (circuit.breaker_a or 0) > PLUG_A
    saving = switch_off_when_idle(idle_use)
    name = finding.appliance
    cost = (
        Said(text="an electrician has to fit a switch")
        if wired_in
        else Said(text="nothing where a switch is at hand, else a switched strip")
    )
    return [
        Action(
            do=Said(
                text="Switch {appliance} off while nobody uses it", figures={"appliance": name}
            ),
            saving=saving,
            rests_on=(
                Said(
                    text="{appliance} draws {idle_w} while it waits, {off_h} a day.",
                    figures={
                        "appliance": name,
                        "idle_w": idle_use.idle_w,
                        "off_h": idle_use.away_h_per_day,
                    },
                ),
            ),
            assumes=(
                Said(text="It is switched off every day, and starting again takes nothing more."),
                Said(text="Clocks and timers lose their time; updates and recordings are missed."),
            ),
            wrong_if=Said(
                text="Switched off at the outlet for a night, the log still shows a draw, or the "
                "use that follows takes more."
            ),
            cost=cost,
        )
    ]


def same_job(
    usual: ProgrammeUse, lean: ProgrammeUse, *, runs: int, heatings: tuple[int, int]
) -> bool:
    """Whether one programme can be taken for another that does the same job.

    `heatings` are those of both, `runs` all runs of the machine that belong to a programme.
    """
    lengths = sorted((usual.minutes.value, lean.minutes.value))
    return (
        heatings[0] == heatings[1]
        and lengths[1] <= SAME_LENGTH * lengths[0]
        and min(usual.runs, lean.runs) >= max(LEAST_RUNS, LEAST_SHARE * runs)
    )


def leaner_programme(
    finding: ApplianceFinding, *, names: Sequence[ProgrammeName] = ()
) -> tuple[ProgrammeUses, ProgrammeUse, ProgrammeUse] | None:
    """Give the programme used most, and the leanest that does the same job (`same_job`).

    None where no other does, or the machine has no programmes.
    """
    if not KINDS[finding.kind].programmes:
        return None
    found = programme_uses(finding, names=names)
    heatings = found.programmes.table.set_index("name")["heatings"]
    usual = max(found.uses, key=lambda use: use.runs)
    runs = sum(use.runs for use in found.uses)
    fit = [
        use
        for use in found.uses
        if same_job(
            usual, use, runs=runs, heatings=(int(heatings[usual.name]), int(heatings[use.name]))
        )
    ]
    lean = min(fit, key=lambda use: use.run_kwh.value, default=usual)
    differs = lean.run_kwh.high < usual.run_kwh.value
    return (found, usual, lean) if differs and lean.name != usual.name else None


def _another_programme(house: House, finding: ApplianceFinding) -> list[Action]:
    """The programme used most, made with the leanest that does the same job."""
    leaner = leaner_programme(finding, names=house.schedule.programmes)
    if leaner is None:
        return []
    found, usual, lean = leaner
    saving = switch_programme(
        finding, programmes=found.programmes, usual=usual.name, instead=lean.name
    )
    values = {
        "appliance": finding.appliance,
        "usual_kwh": usual.run_kwh,
        "usual_min": usual.minutes.value,
        "usual_runs": usual.runs,
        "lean_kwh": lean.run_kwh,
        "lean_min": lean.minutes.value,
        "lean_runs": lean.runs,
    }
    return [
        Action(
            do=Said(
                text="{appliance}: the programme of {lean_kwh} in place of that of {usual_kwh}",
                figures=values | {"lean_kwh": lean.run_kwh.value, "usual_kwh": usual.run_kwh.value},
            ),
            saving=saving,
            rests_on=(
                Said(
                    text="{usual_runs} runs of about {usual_min} took {usual_kwh} each, "
                    "{lean_runs} runs of about {lean_min} {lean_kwh}, with as many "
                    "heatings.",
                    figures=values,
                ),
            ),
            assumes=(
                Said(text="All runs of the one are made with the other, and none is repeated."),
            ),
            wrong_if=Said(
                text="Dishes or clothes do not come out clean, so that runs are repeated."
            ),
            cost=Said(text="nothing"),
        )
    ]


def _shifting(house: House, finding: ApplianceFinding) -> list[Action]:
    tariff = house.tariff
    if tariff is None or not can_wait(finding, house.timezone):
        return []
    shift = shift_to_cheap_hours(finding, tariff=tariff, timezone=house.timezone)
    saving = shift_in_time(finding, shift=shift)
    name = finding.appliance
    return [
        Action(
            do=Said(text="Start {appliance} at cheaper hours", figures={"appliance": name}),
            saving=saving,
            rests_on=(
                Said(
                    text="The start of each of {runs} measured runs, and the prices that held.",
                    figures={"runs": finding.runs},
                ),
            ),
            assumes=tuple(Said(text=LINE, figures={"line": a}) for a in shift.assumptions),
            wrong_if=Said(text="Runs cannot wait, or the tariff changes."),
            cost=Said(text="nothing"),
        )
    ]
