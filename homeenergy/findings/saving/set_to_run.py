"""Big loads that run because they are set to: never off, or for the hours of a clock."""

from __future__ import annotations

from homeenergy.findings.appliance.record import ApplianceFinding
from homeenergy.findings.house_year import LoadYear
from homeenergy.findings.saving.advice import Said
from homeenergy.findings.saving.at_stake import LookInto, of_share
from homeenergy.findings.saving.running import (
    CIRCULATORS,
    LONGEST_PERIOD_S,
    SOURCES,
    by_local_clock,
    is_compressor,
    named,
)
from homeenergy.house.kinds import GUARDS_PEOPLE, KINDS
from homeenergy.readings.house import House
from homeenergy.units import H_PER_DAY, S_PER_H, WH_PER_KWH

LONG_H = 8.0  # a day, from which hours that a clock sets are worth a question. Own rule.
LEAST_RUNS, LEAST_RUN_H = 5, 2.0  # what runs more briefly starts too often to tell a clock's times


def set_to_run(
    house: House, load: LoadYear, finding: ApplianceFinding, *, big: bool
) -> list[LookInto]:
    """Ask whether a big load has to run for as long as it is set to.

    Notes
    -----
    Own rules. What is never off has no hours of its own; what runs for eight hours a day or more,
    two at a time, and starts and ends within five minutes of the same times of the next day, is
    switched by a clock: people, weather and thermostats are not so exact. What guards people is
    left alone, what heats or carries heat follows the weather, and samples longer than a minute
    hide the runs of a thermostat.
    """
    if not big or named(finding, f"{GUARDS_PEOPLE}|{SOURCES}|{CIRCULATORS}"):
        return []
    if KINDS[finding.kind].never_off:
        hidden = finding.cycles.plateaus.period_s > LONGEST_PERIOD_S  # runs of a thermostat
        return [] if hidden or is_compressor(finding) else [_never_off(load, finding)]
    runs = finding.cycles.complete
    if len(runs) < LEAST_RUNS or runs["duration_s"].median() < LEAST_RUN_H * S_PER_H:
        return []
    if finding.duty_cycle * H_PER_DAY < LONG_H:
        return []
    if all(by_local_clock(runs[edge], house.timezone) for edge in ("start", "end")):
        return [_by_clock(load, finding)]
    return []


def _never_off(load: LoadYear, finding: ApplianceFinding) -> LookInto:
    name = finding.appliance
    return of_share(
        load,
        1.0,
        do=Said(
            text="{appliance}: find out what of it has to run day and night",
            figures={"appliance": name},
        ),
        first=Said(
            text="List what is on it, ask of each what would be missed at night, and try a lower "
            "setting."
        ),
        rests_on=Said(
            text="It is never off and draws {mean_w} on average.",
            figures={"mean_w": finding.kwh_per_day.value * WH_PER_KWH / H_PER_DAY},
        ),
        wrong_if=Said(text="All of it is needed at every hour, and at this setting."),
        in_part=True,
    )


def _by_clock(load: LoadYear, finding: ApplianceFinding) -> LookInto:
    length_s = float(finding.cycles.complete["duration_s"].median())
    return of_share(
        load,
        1.0,
        do=Said(
            text="{appliance}: find out whether it has to run for so many hours",
            figures={"appliance": finding.appliance},
        ),
        first=Said(
            text="Shorten the hours of its clock step by step, or lower its speed, while it still "
            "does what it is for."
        ),
        rests_on=Said(
            text="A clock switches it: at the same times on most days, for {length_h} each time.",
            figures={"length_h": length_s / S_PER_H},
        ),
        wrong_if=Said(text="It has to run for all these hours, at this speed."),
        in_part=True,
    )
