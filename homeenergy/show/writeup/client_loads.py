"""Half a page for each load that matters, and days from which a load took more or less."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
import pandas as pd
from matplotlib.axes import Axes

from homeenergy.errors import HouseError
from homeenergy.findings.appliance.record import ApplianceFinding, clipped
from homeenergy.findings.benchmark import standing
from homeenergy.findings.change import Change, with_errors
from homeenergy.findings.days import LEAST_COVERAGE
from homeenergy.findings.house_year import LoadYear
from homeenergy.findings.label import label_energy, usual_procedure
from homeenergy.findings.loads.idle import idle_or_use
from homeenergy.findings.saving.at_stake import loads_that_matter
from homeenergy.findings.saving.look_into import heat_pump_of
from homeenergy.findings.saving.running import is_compressor
from homeenergy.findings.several_changes import allowing_for_search
from homeenergy.findings.weather.models import LEAST_DAYS
from homeenergy.house.kinds import KINDS
from homeenergy.house.zones import country_of
from homeenergy.show.document.blocks import Block, Heading, Prose, Table, Together
from homeenergy.show.figures.runs import typical_day
from homeenergy.show.figures.style import GREY, reduce_steps
from homeenergy.show.writeup.basis import even_ticks, picture
from homeenergy.show.writeup.client import LEAST_MATTERING, MOST_LOADS, Told
from homeenergy.show.writeup.wording import Wording
from homeenergy.stats.estimate import Estimate
from homeenergy.units import NS_PER_S, S_PER_DAY, S_PER_H, WH_PER_KWH

SELDOM_A_DAY = 1.5  # runs: below, they are counted by the week
W_PER_KW = 1000.0
MOST_CHANGES = 6
NEVER_PAUSED = 0.2  # of its greatest power, that it draws half of the time at least
LEAST_WORTH = 0.97  # of the price: less is worth a sentence


def load_parts(told: Told) -> tuple[Block, ...]:
    """The loads that matter, one after the other."""
    words = told.words
    loads = loads_that_matter(told.year.loads, least_share=LEAST_MATTERING, most=MOST_LOADS)
    blocks: list[Block] = [Heading(text=words.say("The loads that matter"), new_page=True)]
    used = [one for one in told.year.loads if one.finding is not None and one.kwh.value >= 0]
    for load in loads:
        assert load.finding is not None
        blocks.append(
            Together(
                blocks=(
                    Heading(text=load.name, level=2),
                    Prose(text=" ".join(_sentences(told, load, load.finding))),
                    _figure(told, load.finding),
                )
            )
        )
    return (*blocks, _all_loads(told, used))


def _all_loads(told: Told, loads: Sequence[LoadYear]) -> Together:
    """Every load with a circuit of its own, in one table."""
    words = told.words

    def known(one: Estimate) -> str:
        if not one.resolved:
            return words.estimate(one)
        return words.alone(one) if math.isfinite(one.value) else ""

    rows = []
    for load in loads:
        assert load.finding is not None
        finding, kind = load.finding, KINDS[load.finding.kind]
        rows.append(
            (
                load.name,
                words.alone(clipped(finding.kwh_per_day, finding)),
                words.estimate(load.money or load.kwh),
                words.percent(load.share) if math.isfinite(load.share) else "",
                "" if kind.varying or kind.never_off else _runs_a_day(words, finding),
                "" if kind.varying or kind.never_off else known(clipped(finding.run_kwh, finding)),
                known(finding.standby_w) if finding.standby_w.high >= 0 else "",
            )
        )
    heads = ("load", "a day", "a year", "share", "runs a day", "a run", "at rest")
    table = Table(
        head=tuple(map(words.say, heads)),
        rows=tuple(rows),
        caption=words.say(
            "All loads with a circuit of their own. At rest: what each draws between its runs."
        ),
        numeric=frozenset(range(1, len(heads))),
    )
    return Together(blocks=(Heading(text=words.say("All loads"), level=2), table))


def _runs_a_day(words: Wording, finding: ApplianceFinding) -> str:
    covered_s = finding.cycles.covered_s
    return words.number(len(finding.cycles.table) / covered_s * S_PER_DAY, 1) if covered_s else ""


def _sentences(told: Told, load: LoadYear, finding: ApplianceFinding) -> list[str]:
    words = told.words
    money = "" if load.money is None else f", {words.estimate(load.money)}"
    said = [
        words.say(
            "{name} takes {per_day} a day, in a year {kwh}{money}.",
            name=load.name,
            per_day=clipped(finding.kwh_per_day, finding),
            kwh=load.kwh,
            money=money,
        )
    ]
    if math.isfinite(load.share):
        text = (
            "That is {part_share} of the bill."
            if told.year.bill is not None
            else "That is {part_share} of the energy."
        )
        said.append(words.say(text, part_share=load.share))
    without = load.saved_by(load.kwh)
    if without is not None and told.year.fed_back_kwh and finding.worth < LEAST_WORTH:
        said.append(
            words.say(
                "Part of it runs on power that the house makes: without this load the bill would "
                "fall by {without}.",
                without=without,
            )
        )
    said += _among_others(told, finding)
    said += _label(told, finding)
    kind = KINDS[finding.kind]
    if kind.never_off:
        said.append(
            words.say(
                "It is never off and draws {mean_w} on average.",
                mean_w=finding.kwh_per_day.value * WH_PER_KWH / 24,
            )
        )
    elif kind.varying and is_compressor(finding):
        said += _heat_pump(told, finding)
    else:
        said += _runs(told, finding)
    said += [words.said(look.rests_on) for look in told.looks if look.load == load.name]
    quiet = _quiet(told, load.name)
    said = list(dict.fromkeys(said))  # what it is like may also be what is worth a look
    return said + quiet + _to_do(told, load.name, else_fine=not quiet)


def _quiet(told: Told, name: str) -> list[str]:
    """When it had no power, did not run for far longer than it pauses, or drew another power."""
    words = told.words
    texts = {
        "without power": (
            "From {day} on it was off at the wall for {hours} hours.",
            "{times} times it was off at the wall for {hours} hours or more, first from {day} on.",
        ),
        "silent": (
            "From {day} on it did not run for {hours} hours.",
            "{times} times it did not run for {hours} hours or more, first from {day} on.",
        ),
    }
    of_it = [one for one in told.basis.findings.notable if one.appliance == name]
    quiet = [one for one in of_it if one.what in texts]
    said = []
    for what, (once, often) in texts.items():
        spans = [(one.start, one.end) for one in quiet if one.what == what]
        if spans:
            least = min(end - start for start, end in spans)
            line = words.say(
                often if len(spans) > 1 else once,
                times=len(spans),
                day=min(spans)[0].date(),
                hours=round(least.total_seconds() / S_PER_H),
            )
            said.append(line)
    steps = {
        "another power": "From {day} on it draws {after} at work, {before} before: another "
        "setting, or a clamp that was moved. Its energy a day and a year mixes both.",
        "another standby": "From {day} on it draws {after} at rest, {before} before. Its energy "
        "a day and a year mixes both.",
    }
    said += [
        words.say(
            steps[one.what],
            day=one.step.at.tz_convert(told.basis.house.timezone).date(),
            after=one.step.after,
            before=one.step.before,
        )
        for one in of_it
        if one.step is not None and not one.together
    ]
    if any(one.what == "silent" for one in quiet):
        said.append(
            words.say(
                "That is far longer than it pauses, and its energy a day and a year counts these "
                "hours: ask why."
            )
        )
    return said


def _among_others(told: Told, finding: ApplianceFinding) -> list[str]:
    """Where it stands among those of other houses, if a file of them is given."""
    if told.benchmark is None:
        return []
    found = standing(told.benchmark, finding)
    if found is None:
        return []
    return [
        told.words.say(
            "Of {houses} such loads of other houses ({climate}; {period}), {below_share} take less "
            "a day ({low_share} to {high_share}).",
            houses=found.houses,
            climate=found.climate,
            period=found.period,
            below_share=found.below_share,
            low_share=found.low_share,
            high_share=found.high_share,
        )
    ]


def _label(told: Told, finding: ApplianceFinding) -> list[str]:
    """What the label of such an appliance counts, to compare with one's own."""
    procedure = usual_procedure(finding, country=country_of(told.basis.zone))
    if procedure is None:
        return []
    found = label_energy(finding, procedure)
    text = (
        "Its label counts {days} days ({source}): as measured here they take {kwh}. Compare that "
        "with the label; rooms and habits are not those of the test."
        if found.counted == "days"
        else "Its label counts {uses} uses ({source}): as measured here they take {kwh}. Compare "
        "that with the label; programmes and loads are not those of the test."
    )
    return [
        told.words.say(
            text,
            source=told.words.say(found.source),
            kwh=found.kwh,
            **{found.counted: found.uses_per_year},
        )
    ]


def _to_do(told: Told, name: str, *, else_fine: bool) -> list[str]:
    words = told.words
    found = []
    for action in told.advice.actions:
        if action.saving.finding.appliance == name:
            found.append(
                words.say("To do: {do}. It saves {saved} a year.", do=action.do, saved=action.main)
            )
    for look in told.looks:
        if look.load == name:
            found.append(words.say("To do: {do}.", do=look.do))
    if not found and else_fine:
        found.append(words.say("Nothing in these readings says that it works badly."))
    return found


def _runs(told: Told, finding: ApplianceFinding) -> list[str]:
    words = told.words
    runs = finding.cycles.complete
    if not len(runs) or not finding.cycles.covered_s:
        return [words.say("No whole run of it was seen.")]
    days = finding.cycles.covered_s / S_PER_H / 24
    each = len(finding.cycles.table) / days
    text = (
        "It runs {often} times a day, for {length_min} as a rule, and takes {run} each "
        "time; it is on {on_share} of the time."
        if each >= SELDOM_A_DAY
        else "It runs {often} times a week, for {length_min} as a rule, and takes {run} "
        "each time; it is on {on_share} of the time."
    )
    said = [
        words.say(
            text,
            often=words.number(each if each >= SELDOM_A_DAY else 7 * each, 1),
            length_min=float(runs["duration_s"].median()) / 60,
            run=clipped(finding.run_kwh, finding),
            on_share=finding.duty_cycle,
        )
    ]
    try:
        idle = idle_or_use(finding)
    except HouseError:
        return said
    if KINDS[finding.kind].by_hand and idle.idle_w.resolved:
        said.append(
            words.say(
                "Waiting between runs it draws {idle}: {idle_kwh} a year.",
                idle=idle.idle_w,
                idle_kwh=idle.idle_kwh_per_year.value,
            )
        )
    return said


def _heat_pump(told: Told, finding: ApplianceFinding) -> list[str]:
    words = told.words
    use = heat_pump_of(told.basis.house, finding, told.basis.outdoor)
    if use is None:
        watts = finding.cycles.plateaus.mean_w
        if not len(watts) or float(np.median(watts)) < NEVER_PAUSED * float(np.max(watts)):
            return [words.say("Its compressor never ran in these days.")]
        return [
            words.say(
                "It never paused in these days and drew {mean_w} on average.",
                mean_w=finding.kwh_per_day.value * WH_PER_KWH / 24,
            )
        ]
    return [
        words.say(
            "Its compressor runs {on_share} of the time and starts {starts} times a day; the most "
            "it held was {full_w}.",
            on_share=use.running_share,
            starts=words.number(use.starts_per_day.value, 1),
            full_w=use.full_w,
        )
    ]


def _figure(told: Told, finding: ApplianceFinding):  # type: ignore[no-untyped-def]
    words, house = told.words, told.basis.house
    day = typical_day(finding.cycles, house.timezone)
    trace = house.trace(finding.circuit)
    if day is None:
        middle = trace.start + (trace.end - trace.start) / 2
        start = middle.tz_convert(house.timezone).normalize().tz_convert("UTC")
        day = (start, start + pd.Timedelta(days=1))
    shown = house.trace(finding.circuit, *day)
    date = day[0].tz_convert(house.timezone)

    def draw(axes: list[Axes]) -> None:
        at_ns, watts = reduce_steps(shown, points=1500)
        hours = (at_ns - day[0].value) / (NS_PER_S * S_PER_H)
        axes[0].plot(
            hours, watts / W_PER_KW, drawstyle="steps-post", color=told.colour, linewidth=0.9
        )
        axes[0].set_xlim(0, 24)
        axes[0].set_ylim(bottom=min(0.0, float(np.nanmin(watts, initial=0.0)) / W_PER_KW))
        axes[0].set_xticks([0, 6, 12, 18, 24])
        axes[0].set_title(words.say("kW on {day}", day=words.day(date)), fontsize=9, loc="left")
        axes[0].set_xlabel(words.say("hour of the day"), fontsize=8)
        _days(axes[1], finding, colour=told.colour)
        axes[1].set_title(words.say("kWh of each day"), fontsize=9, loc="left")
        axes[1].xaxis.set_major_formatter(lambda x, _: words.short_day(_date_at(x)))
        for ax in axes:
            ax.tick_params(labelsize=8)
            even_ticks(ax.yaxis, words)
            ax.spines[["top", "right"]].set_visible(False)
            ax.grid(axis="y", color="0.9", linewidth=0.6)
            ax.set_axisbelow(True)

    return picture(
        draw,
        caption=words.say(
            "{name}. Left: power on a day with as many runs as any. Right: energy of each day, "
            "pale where hours are missing.",
            name=finding.appliance,
        ),
        alternative=words.say(
            "Power of {name} on {day}, and its energy day by day: {per_day} a day.",
            name=finding.appliance,
            day=words.day(date),
            per_day=clipped(finding.kwh_per_day, finding),
        ),
        height_in=2.75,
        widths=(1.3, 1.0),
    )


def _date_at(number: float):  # type: ignore[no-untyped-def]
    return pd.Timestamp("1970-01-01") + pd.Timedelta(days=float(number))


def _days(ax: Axes, finding: ApplianceFinding, *, colour: str) -> None:
    daily = finding.daily
    days = pd.DatetimeIndex(daily["day"]).tz_localize(None)
    at = (days - pd.Timestamp("1970-01-01")) / pd.Timedelta(days=1)
    whole = (daily["covered_h"] >= LEAST_COVERAGE * daily["day_h"]).to_numpy()
    kwh = daily["kwh"].to_numpy(np.float64)
    ax.bar(at[whole], kwh[whole], width=0.85, color=colour)
    ax.bar(at[~whole], kwh[~whole], width=0.85, color=GREY, alpha=0.4)
    ax.locator_params(axis="x", nbins=4)


def change_part(told: Told) -> tuple[Block, ...]:
    """What changed while the house was logged, found in the readings; no saving is claimed."""
    words, basis = told.words, told.basis
    searched = sum(
        int((one.daily["covered_h"] >= LEAST_COVERAGE * one.daily["day_h"]).sum()) >= LEAST_DAYS
        for one in basis.measured
    )
    head = Heading(text=words.say("What changed while it was measured"), level=2)
    if not searched:
        text = words.say(
            "No load has {least} whole days of readings, so changes cannot be looked for.",
            least=LEAST_DAYS,
        )
        return (Together(blocks=(head, Prose(text=text))),)
    found = found_changes(told)
    weather = ""
    if basis.outdoor is None:
        weather = " " + words.say(
            "No outdoor temperatures are at hand, so a turn of the weather may look like a change."
        )
    if not found:
        text = words.say(
            "The daily energy of {loads} loads was searched for a day from which one takes more or "
            "less; none stands out from chance.",
            loads=searched,
        )
        return (Together(blocks=(head, Prose(text=text))),)
    text = words.say(
        "Nobody named these days: they were found in the daily energy of {loads} loads, at the "
        "same weekday and, where it is known, the same weather. By chance, one or more appear in "
        "fewer than 1 of 20 houses. The ranges allow for the search. A log does not say what was "
        "done: a repair, another setting, other habits, a holiday. So no saving is claimed; if you "
        "know what was done, homeenergy writeup --since verifies what it saved.",
        loads=searched,
    )
    vague = ""
    if any(change.size_kwh.low <= 0 <= change.size_kwh.high for _, change in found):
        vague = " " + words.say(
            "Where a range of the difference includes zero, something changed, but how much is "
            "not known."
        )
    return (Together(blocks=(head, Prose(text=text + weather + vague), _table(words, found))),)


def found_changes(told: Told) -> list[tuple[str, Change]]:
    """Name of the load and its change, as wide as the search and the clamp make it."""
    clamps = {one.circuit: one.clamp_errors for one in told.basis.measured}
    return [
        (one.appliance, with_errors(allowing_for_search(change), clamps[one.circuit]))
        for one in told.basis.findings.notable
        for change in (one.began, one.change)
        if change is not None and one.circuit in clamps
    ][:MOST_CHANGES]


def _table(words: Wording, found: list[tuple[str, Change]]) -> Table:
    rows = []
    for name, change in found:
        when = words.day(change.at)
        if change.earliest != change.latest:
            between = words.say(
                "{low} to {high}",
                low=words.short_day(change.earliest),
                high=words.short_day(change.latest),
            )
            when += f" ({between})"
        rows.append(
            (
                name,
                when,
                words.estimate(change.before_kwh),
                words.estimate(change.after_kwh),
                words.estimate(change.size_kwh),
            )
        )
    head = ("load", "from", "a day before", "a day after", "difference")
    return Table(
        head=tuple(map(words.say, head)),
        rows=tuple(rows),
        caption=words.say(
            "Changes that were found, not verified savings. In brackets: when each may have begun, "
            "and the range of each figure."
        ),
        numeric=frozenset({2, 3, 4}),
        sheet=words.say("changes"),
        data=pd.concat(
            [change.to_frame().assign(load=name) for name, change in found], ignore_index=True
        ),
    )
