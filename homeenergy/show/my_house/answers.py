"""What a notebook says first: its question's answer for this house, from its figures alone."""

from __future__ import annotations

from math import isfinite
from pathlib import Path

import numpy as np

from homeenergy.errors import HouseError
from homeenergy.findings import Findings, programme_uses
from homeenergy.findings.appliance.record import (
    ApplianceFinding,
    estimate_text,
    is_bound,
    percent_text,
    shown,
    value_text,
)
from homeenergy.findings.comparison.comparison import LEAST_VALUES
from homeenergy.findings.loads.programmes import ProgrammeUses
from homeenergy.findings.many import Survey, failure_text
from homeenergy.house.kinds import KINDS
from homeenergy.readings import House
from homeenergy.show.my_house.has import largest, log_of
from homeenergy.show.viewer.view import circuit_labels, energies_kwh, length_text
from homeenergy.stats.estimate import Estimate, number_text, rounded_up
from homeenergy.trust.check import HouseCheck
from homeenergy.units import DAYS_PER_YEAR, H_PER_DAY, NS_PER_S, S_PER_DAY

KWH_PER_YEAR = DAYS_PER_YEAR * H_PER_DAY / 1000  # of one watt
LEAST_NEGATIVE = 0.01  # of the readings: less is noise
NAMED = 3  # appliances that the answer names


def house_answer(findings: Findings) -> str:
    """What a house uses a day, and on which appliances most of it goes."""
    days = (findings.end - findings.start).total_seconds() / 86_400
    rows = largest(findings, most=len(findings.appliances) or 1)
    measured = sum(row.kwh_per_day.value for row in rows)
    mains = findings.mains_kwh_per_day
    total = measured if mains is None else mains.value
    if len(rows) == 1 and mains is None:
        first = rows[0]
        text = f"{_first(first.appliance)}, the only circuit with energy, used {_per_day(first)}"
        return f"**The answer.** {text} in {_days(days)}.{_run_words(rows)}"
    used = "the house used" if mains is not None else f"its {len(rows)} circuits used"
    fed_back = findings.fed_back_kwh_per_day
    if fed_back:
        used, total = "the house drew from the grid", total + fed_back
    back = f" and fed {number_text(fed_back, 1)} kWh back" if fed_back else ""
    said = [
        f"{_first(row.appliance)} took {_per_day(row) if at == 0 else _kwh(row)}"
        + (f", {percent_text(row.kwh_per_day.value / total)}" if total > 0 and not fed_back else "")
        for at, row in enumerate(rows[:NAMED])
    ]
    return (
        f"**The answer.** In {_days(days)} {used} about "
        f"{number_text(total, 0 if total >= 10 else 1)} kWh a day{back}. {'; '.join(said)}."
        f"{_run_words(rows)}"
    )


def _per_day(row: ApplianceFinding) -> str:
    return f"{told(shown(row, 'kwh_per_day'))} a day"


def told(estimate: Estimate | None) -> str:
    """Write an estimate; without an interval where none is known, as the table says with a mark."""
    if estimate is None or isfinite(estimate.high - estimate.low) or is_bound(estimate):
        return estimate_text(estimate)
    return f"about {value_text(estimate)} {estimate.unit}"


def _days(number: float) -> str:
    text = number_text(number, 0 if number >= 1.95 else 1).removesuffix(".0")
    return "one day" if text == "1" else f"{text} days"


def _first(text: str) -> str:
    return text[:1].upper() + text[1:]


def _kwh(row: ApplianceFinding) -> str:
    estimate = shown(row, "kwh_per_day")
    return f"{value_text(estimate)} {row.kwh_per_day.unit}" if estimate is not None else ""


def _run_words(rows: list[ApplianceFinding]) -> str:
    """Say what a run takes of the first that a person starts and that ran some times."""
    by_hand = [row for row in rows if KINDS[row.kind].by_hand and row.runs >= LEAST_VALUES]
    by_hand.sort(key=lambda row: (not KINDS[row.kind].programmes, -row.runs))
    if not by_hand:
        return ""
    row = by_hand[0]
    return f" A run of {row.appliance} takes {told(shown(row, 'run_kwh'))}."


def appliance_answer(row: ApplianceFinding, *, uses: ProgrammeUses | None = None) -> str:
    """What one appliance does: how often, how much a run takes, with which programmes."""
    text = f"**The answer for {row.appliance}.** It uses {_per_day(row)}."
    if row.runs:
        often = len(row.cycles.table) / row.days
        text += (
            f" It ran {len(row.cycles.table):,} times in {_days(row.days)} "
            f"({number_text(often, 1)} a day); a run takes "
            f"{told(shown(row, 'run_kwh'))}."
        )
    if uses is not None and len(uses.uses) > 1:
        most, least = uses.uses[0], uses.uses[-1]
        text += (
            f" It has {len(uses.uses)} programmes, from {told(least.run_kwh)} to "
            f"{told(most.run_kwh)} a run."
        )
    if row.cost_per_year is not None and row.cost_per_year.value > 0:
        text += f" A year like these days costs {told(shown(row, 'cost_per_year'))}."
    return text


def standby_answer(row: ApplianceFinding) -> str:
    """What an appliance draws between its runs, in watts and in a year."""
    draw = row.standby_w
    if KINDS[row.kind].never_off:
        return f"{_first(row.appliance)} is never off, so it has no standby."
    if is_bound(draw):
        most = rounded_up(draw.high * KWH_PER_YEAR)
        return (
            f"{row.appliance} draws {value_text(draw)} between runs: less than {most} kWh a year."
        )
    if not isfinite(draw.value):
        return f"{_first(row.appliance)} was never seen at rest, so its standby is not known."
    year = number_text(draw.value * KWH_PER_YEAR, 0 if draw.value > 1 else 1)
    text = f"{_first(row.appliance)} draws {estimate_text(draw)} between runs"
    return f"{text}. All year long that would be {year} kWh."


def log_answer(house: House) -> str:
    """How long a house was logged, how finely, and what its readings hold."""
    start, end = log_of(house)
    energies = energies_kwh(house)
    labels = circuit_labels(house)
    if not energies:
        return "**The answer.** This house has no readings yet."
    steps = {house.overview.period_ns(name) / NS_PER_S for name in energies}
    every = length_text(min(steps)) if len(steps) == 1 else f"{length_text(min(steps))} or more"
    days = (end - start).total_seconds() / S_PER_DAY
    circuits = f"{len(energies)} circuits were" if len(energies) > 1 else "one circuit was"
    text = (
        f"**The answer.** From {start:%A} {start.day} {start:%B %Y} on, {circuits} read for "
        f"{number_text(days, 0 if days >= 10 else 1)} days, a reading every {every}."
    )
    loads = [c.name for c in house.circuits if c.role == "load" and c.name in energies]
    if loads:
        most = max(loads, key=lambda name: energies[name])
        digits = 0 if energies[most] >= 10 else 2
        text += (
            f" {_first(labels[most])} used most, {number_text(energies[most], digits)} kWh in all."
        )
    gaps = house.quality()["longest_gap_s"].dropna()
    if len(gaps) and gaps.max() > 0:
        of = "" if (gaps == gaps.max()).all() else f" of {labels[str(gaps.idxmax())]}"
        text += f" The longest gap{of} is {length_text(float(gaps.max()))}."
    return text


def uses_of(row: ApplianceFinding, house: House) -> ProgrammeUses | None:
    """What the programmes of an appliance use; None where too few runs were seen to group them."""
    try:
        return programme_uses(row, tariff=house.tariff, names=house.schedule.programmes)
    except HouseError:
        return None


def trust_answer(check: HouseCheck) -> str:
    """How far the figures of a house can be trusted, in three sentences, and the worst concern."""
    counts = {w: sum(c.weight == w for c in check.concerns) for w in ("wrong", "doubtful")}
    if counts["wrong"]:
        text = f"{_things(counts['wrong'])} not match house.toml"
    else:
        text = "Nothing contradicts house.toml"
    text += f"; {_looks(counts['doubtful'])} a look." if counts["doubtful"] else "."
    compared = []
    if check.bench:
        agree = sum(result.agrees for result in check.bench)
        compared.append(
            f"{agree} of {len(check.bench)} clamps agree with a reference meter within what both "
            "can know."
        )
    if check.meter is not None:
        compared.append(check.meter.verdict)
    if not compared and check.balance is None:
        compared.append(
            "There are neither mains, nor a bench comparison, nor readings of the utility meter "
            "to compare the clamps with, so a wrong unit or multiplier would not show."
        )
    worst = check.concerns[0] if check.concerns else None
    first = f"\n\n**First.** {worst.what} {worst.do}" if worst else ""
    return f"**The answer.** {' '.join([text, *compared])}{first}"


def _things(number: int) -> str:
    return "One thing does" if number == 1 else f"{number} things do"


def _looks(number: int) -> str:
    return "one thing needs" if number == 1 else f"{number} things need"


def survey_answer(survey: Survey) -> str:
    """Which appliance differs most between houses, which houses stand out, where to go first."""
    table = survey.summary()
    everywhere = table[table["houses"] == table["houses"].max()]
    spread = everywhere["kwh_per_day_q3"] / everywhere["kwh_per_day_q1"]
    spread = spread[np.isfinite(spread)]
    houses = survey.table["house"].nunique()
    said = [f"{houses} house{' was' if houses == 1 else 's were'} surveyed."]
    if len(spread):
        most = spread.idxmax()
        low, high = (table.loc[most, f"kwh_per_day_{q}"] for q in ("q1", "q3"))
        said.append(
            f"Of what most of them have, {most} differs most: the middle half lies between "
            f"{number_text(low, 2)} and {number_text(high, 2)} kWh a day."
        )
    visits = survey.to_visit()
    if len(visits) and visits["most_kwh_per_year"].iloc[0] > 0:
        first = visits.iloc[0]
        said.append(
            f"A visit would find most in {first['house_name']}: {first['most']}, at least "
            f"{number_text(first['most_kwh_per_year'], 0)} kWh a year above the usual."
        )
    failed = "".join(
        f"\n- {Path(str(one.house)).name}: {failure_text(str(one.house), str(one.reason))}"
        for one in survey.failures.itertuples()
    )
    if failed:
        failed = f"\n\n**{len(survey.failures)} could not be:**\n{failed}"
    return f"**The answer.** {' '.join(said)}{failed}"


def brought_in_answer(house: House) -> str:
    """What came in from files, and what of it needs a look."""
    quality = house.quality()
    start, end = log_of(house)
    days = (end - start).total_seconds() / S_PER_DAY
    text = (
        f"**The answer.** The files became a house of {len(quality)} circuits over {_days(days)}; "
        f"{percent_text(float(quality['coverage'].min()))} or more of the time has readings."
    )
    negative = quality.index[quality["negative_share"] > LEAST_NEGATIVE]
    for name in negative:
        share = percent_text(float(quality.loc[name, "negative_share"]))
        text += f" {_first(circuit_labels(house)[name])} is negative in {share} of its readings:"
        text += " it makes power, or its clamp is on backwards."
    return text
