"""What the commands print: blocks laid out as lines of text."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from math import isfinite, isnan, nan
from typing import Any

import pandas as pd

from homeenergy.findings.appliance.columns import Column, columns_for
from homeenergy.findings.appliance.record import (
    estimate_text,
    interval_text,
    value_text,
)
from homeenergy.findings.appliance.table import Findings, notable_lines, notes, shared_remarks
from homeenergy.findings.comparison.comparison import Comparison, p_remark
from homeenergy.findings.loads.programmes import ProgrammeUses
from homeenergy.findings.many import LEAST_HOUSES, Survey, failure_text
from homeenergy.readings.states import SwitchedLoad
from homeenergy.show.document.blocks import (
    Block,
    Bullets,
    Cell,
    Code,
    Heading,
    Note,
    Prose,
    Table,
    text_lines,
)
from homeenergy.show.document.findings import (
    findings_table,
    heading_text,
    mains_text,
    warning_blocks,
)
from homeenergy.stats.estimate import decimals, number_text
from homeenergy.trust.check import Concern, HouseCheck
from homeenergy.trust.concern import Implausible, held_out
from homeenergy.trust.panel.balance import PanelBalance
from homeenergy.trust.panel.circuit import ENOUGH, CircuitBalance
from homeenergy.trust.panel.told import odds_words, times_switched
from homeenergy.trust.panel.walk import CAUTIONS, Walk, WalkStep
from homeenergy.units import S_PER_DAY, S_PER_H


def findings_lines(findings: Findings, *, width: int = 100) -> list[str]:
    """Lay the findings out as text of at most `width` characters: table, remarks, notes."""
    blocks: list[Block] = [Heading(text=heading_text(findings)), *warning_blocks(findings)]
    blocks.append(Prose(text=mains_text(findings)))
    if not findings.appliances:
        blocks.append(Prose(text="No circuit has readings in this time."))
        return text_lines(blocks, width=width)
    blocks.append(findings_table(findings, place="terminal", unknown="-"))
    if findings.notable:
        items = tuple(notable_lines(findings))
        blocks += [Heading(text="What stands out"), Bullets(items=items)]
    remarks = [f"{names}: {remark}" for names, remark in shared_remarks(findings.appliances)]
    if remarks:
        blocks += [Heading(text="Remarks"), Bullets(items=tuple(remarks))]
    blocks.append(Prose(text=f"In brackets: 95 % intervals. {' '.join(notes(findings))}"))
    return text_lines(blocks, width=width)


def states_lines(loads: Sequence[SwitchedLoad], *, width: int = 100) -> list[str]:
    """Lay out what is known of loads whose logs say when they are on, at most `width` wide."""
    items = []
    for one in loads:
        if isnan(one.hours.value):
            items.append(f"{one.circuit.appliance}: its temperature shows no switching")
            continue
        runs = f"{len(one.runs)} run{'s' if len(one.runs) != 1 else ''}"
        energy = "no energy, as its watts are not stated"
        if one.energy is not None:
            energy = estimate_text(one.energy)
        of = f"{one.duty:.0%} of {one.covered_h:,.0f} h" if one.covered_h else "nothing was logged"
        if unsure := int(one.runs["in_doubt"].sum()):
            runs += f", {unsure} in doubt (warmed by more or less than the load does, as by sun)"
        items.append(
            f"{one.circuit.appliance}: {runs}, on for {estimate_text(one.hours)} ({of}); {energy}"
        )
    return text_lines(
        [Heading(text="On and off, without watts in the log"), Bullets(items=tuple(items))],
        width=width,
    )


HEADINGS = {
    "wrong": "Does not match house.toml",
    "doubtful": "Needs a look",
    "note": "Worth knowing",
}
CAUTION = (
    "Work inside a panel belongs to a licensed electrician where local codes say so. Service "
    "conductors stay live with the main breaker off. Never open the secondary of a current "
    "transformer with a current output while its circuit carries load. These findings prompt a "
    "look; they never prove that wiring is safe."
)


def check_lines(check: HouseCheck, *, width: int = 100) -> list[str]:
    """Lay a check out as text of at most `width` characters; lines of house.toml stay whole."""
    blocks: list[Block] = [Heading(text=check.house_name)]
    if check.balance is not None:
        base = "cannot be told, as the mains do not show all of the supply"
        if check.balance.whole:
            base = estimate_text(check.balance.base_w)
        unread = held_out(check.implausible).keys() - {c.circuit for c in check.balance.circuits}
        if unread and check.balance.whole:
            base += f", with what {', '.join(sorted(unread))} draws"
        blocks.append(Prose(text=f"Baseload that no circuit accounts for: {base}"))
    if check.implausible:
        number = len(check.implausible)
        text = f"Readings that cannot be: {number}, listed first below. Mend these first."
        blocks.append(Prose(text=text))
    elif not check.contradicts:
        doubts = any(concern.weight == "doubtful" for concern in check.concerns)
        found = "No certain mismatch" if doubts else "No mismatch"
        text = f"{found} with house.toml. {compared_with(check)}"
        blocks.append(Prose(text=text))
    for weight, heading in HEADINGS.items():
        alike: dict[tuple[str, ...], list[Concern]] = {}
        for number, one in enumerate(check.concerns):
            if one.weight == weight:
                own = (one.do, one.line) if weight == "note" else (str(number),)
                alike.setdefault(own, []).append(one)
        if alike:
            points = tuple(_point(*concerns) for concerns in alike.values())
            blocks += [Heading(text=heading), Bullets(items=points, mark="1.")]
    balance = check.balance
    if balance is not None and balance.circuits and len(balance.explanation.matrix) > 1:
        blocks += _legs(balance)
    return text_lines([*blocks, Note(text=CAUTION)], width=width)


def _legs(balance: PanelBalance) -> list[Block]:
    """The leg of every circuit: as stated, as found, how sure, and from how many steps."""
    rows = tuple(
        (
            one.circuit,
            " and ".join(one.legs_stated) or "-",
            _leg_found(one),
            odds_words(one.leg_odds) if one.legs_found else "-",
            f"{one.slow_changes} slow" if one.slow_changes else str(one.steps),
        )
        for one in balance.circuits
    )
    head = ("circuit", "leg stated", "leg found", "odds of that", "steps")
    table = Table(head=head, rows=rows, numeric=frozenset({4}))
    text = "Steps: times it was switched on or off while no other circuit was."
    if any(one.slow_changes for one in balance.circuits):
        text += " Slow: it changes without clear steps; stretches of 20 minutes that tell."
    return [Heading(text="The leg of every circuit"), table, Prose(text=text)]


def _leg_found(one: CircuitBalance) -> str:
    if one.legs_found:
        found, stated = set(one.legs_found), set(one.legs_stated)
        text = " and ".join(one.legs_found)
        if found < stated and one.answer != "contradicts":
            return f"{text}, no step on {' or '.join(sorted(stated - found))}"
        return f"{text}, not as stated" if stated and found != stated else text
    if one.switched_on <= 2:
        return f"cannot be told: it was {times_switched(one.switched_on)}"
    if one.steps < ENOUGH:
        return f"cannot be told: it was {times_switched(one.switched_on)}, {one.steps} steps alone"
    return "cannot be told: the mains do not step with it"


def walk_lines(walk: Walk, *, width: int = 100) -> list[str]:
    """Lay a walk out as text of at most `width` characters, cautions first."""
    blocks: list[Block] = []
    for heading, said in (("Settled", walk.settled), ("Still open", walk.still_open)):
        if said:
            blocks += _listed(f"{heading} since the walk before", list(said))
    blocks.append(Heading(text="A walk that settles what cannot be told"))
    if not (walk.steps or walk.left_alone or walk.questions):
        return text_lines([*blocks, Prose(text="Nothing is open: no walk is needed.")], width=width)
    if walk.steps:
        blocks.append(Bullets(items=CAUTIONS))
        rows = tuple(
            (step.appliance, str(step.times), _held(step), step.why) for step in walk.steps
        )
        head = ("switch on and off", "times", "each for", "to tell")
        table = Table(head=head, rows=rows, numeric=frozenset({1, 2}))
        text = (
            f"About {max(walk.minutes, 2):.0f} minutes of switching, the largest load first. While "
            "the logger runs, switch each on, wait, off, wait; then export the log, save it with "
            "the others, and run this command again."
        )
        blocks += [table, Prose(text=text)]
    if walk.left_alone:
        alone = [f"{name}: {why}" for name, why in walk.left_alone.items()]
        blocks += _listed("Leave these alone", alone)
    if walk.questions:
        blocks += _listed("What switching cannot settle", list(walk.questions))
    return text_lines(blocks, width=width)


def _held(step: WalkStep) -> str:
    return f"{step.hold_s:.0f} s" if isfinite(step.hold_s) else "one programme"


def _point(*concerns: Concern) -> tuple[Prose | Code | Bullets, ...]:
    """What is to be said of concerns to which the same is to be done."""
    do, text = concerns[0].do, concerns[0].line
    line = (Code(text=text),) if text else ()
    whats = [Prose(text=one.what) for one in concerns]
    return *whats, Bullets(items=((Prose(text=do), *line),), mark="->")


def compared_with(check: HouseCheck) -> str:
    """Say what the circuits were compared with: without a comparison, a check proves nothing."""
    had = {
        "a reference meter (bench.csv)": bool(check.bench),
        "the mains": check.balance is not None and bool(check.balance.circuits),
        "the utility meter": check.meter is not None,
    }
    seen = [name for name, there in had.items() if there]
    return (
        f"Compared with: {', '.join(seen)}." if seen else "But there was nothing to compare with."
    )


FIRST_TO_VISIT = 5
MOST_UNUSUAL = 10
UNRESOLVED = "?"


def survey_lines(survey: Survey, *, width: int = 100) -> list[str]:
    """Lay a survey out as text of at most `width` characters."""
    houses = survey.table["house"].nunique() if len(survey.table) else 0
    kept = f", {survey.unchanged} of them unchanged" if survey.unchanged else ""
    text = f"{houses} {'house' if houses == 1 else 'houses'} worked out{kept}"
    blocks: list[Block] = [Heading(text=text)]
    if "implausible" in survey.table:
        told = survey.table.drop_duplicates("house")
        told = told[told["implausible"].fillna("") != ""]
        lines = [f"{row.house_name} ({row.house}): {row.implausible}" for row in told.itertuples()]
        blocks += _listed("Look at these first: readings that cannot be", lines) if lines else []
    summary = survey.summary()
    if len(summary):
        blocks += _survey_table(summary)
    blocks += _house_table(survey)
    visits = survey.to_visit()
    if len(visits):
        visits = visits[(visits["beyond_kwh_per_year"] > 0) & (visits["flag"] == "")]
    if len(visits):
        blocks += _listed(
            "Visit first (kWh a year above the median, and the appliance with the largest share)",
            [
                f"{row.house_name}: {row.beyond_kwh_per_year:.0f}, "
                f"{row.most} {row.most_kwh_per_year:.0f} ({row.house})"
                for row in visits.head(FIRST_TO_VISIT).itertuples()
            ],
        )
    odd = survey.unusual()
    if len(odd):
        more = len(odd) - MOST_UNUSUAL
        blocks += _listed(
            "Outliers",
            [
                f"{row.house_name}, {row.appliance}: {row.figure} {_plain(row.value)}, "
                f"usual {_plain(row.usual)}"
                for row in odd.head(MOST_UNUSUAL).itertuples()
            ]
            + ([f"and {more} more"] if more > 0 else []),
        )
    if len(survey.failures):
        failures = survey.failures.itertuples()
        lines = [
            f"{row.house}: {failure_text(str(row.house), str(row.reason))}" for row in failures
        ]
        blocks += _listed("Not analysed", lines)
    return text_lines(blocks, width=width)


def _listed(heading: str, items: list[str]) -> list[Block]:
    return [Heading(text=heading), Bullets(items=tuple(items))]


def _house_table(survey: Survey) -> list[Block]:
    """All houses that were worked out, with money."""
    houses = survey.houses()
    houses = houses[houses["kwh_per_year"].notna()]
    if not len(houses) or "cost_per_year" not in survey.table:
        return []
    shown: Any = houses.itertuples(index=False)
    rows = tuple(
        (
            str(row.house_name),
            number_text(row.kwh_per_year, 0),
            f"{number_text(row.cost_per_year, 0)} {row.currency}"
            if isfinite(row.cost_per_year)
            else "-",
            "look first" if row.flag else "",
        )
        for row in shown
    )
    return [
        Table(
            head=("house", "energy a year", "circuits' cost a year", "flag"),
            units=("", "kWh", "", ""),
            rows=rows,
            numeric=frozenset({1, 2}),
        )
    ]


def _survey_table(summary: pd.DataFrame) -> list[Block]:
    columns = columns_for("survey")
    rows: tuple[tuple[str | Cell, ...], ...] = tuple(
        (str(name), f"{row['houses']:.0f}", *(_middle(row, column) for column in columns))
        for name, row in summary.iterrows()
    )
    table = Table(
        head=("appliance", "houses", *(column.heading for column in columns)),
        units=("", "", *(column.unit for column in columns)),
        rows=rows,
        numeric=frozenset(range(1, len(columns) + 2)),
    )
    note = f"Medians of the houses; in brackets, from {LEAST_HOUSES} on, the middle half."
    if any(summary[column.unresolved].any() for column in columns if column.resolved):
        note += f" {UNRESOLVED} = below the resolution of the clamps of these houses."
    return [table, Prose(text=note)]


def _middle(row: pd.Series, column: Column) -> Cell:
    """Median of the houses, and between which values the middle half of them lies."""
    times = 100.0 if column.kind == "share" else 1.0
    ends = [times * float(row[f"{column.name}{part}"]) for part in ("", "_q1", "_q3")]
    value, low, high = ends
    if not isfinite(value):
        return Cell(UNRESOLVED if column.resolved and row[column.unresolved] else "-")
    places = decimals(low, high, value=value, unit=column.unit)
    low_text, high_text = (
        number_text(x, places) if isfinite(x) else UNRESOLVED for x in (low, high)
    )
    few = row["houses"] < LEAST_HOUSES
    return Cell(number_text(value, places), "" if few else f"{low_text}–{high_text}")


def _plain(value: object) -> str:
    number = float(value)  # type: ignore[arg-type]
    return number_text(number, decimals(nan, nan, value=number))


def implausible_lines(found: Sequence[Implausible], *, width: int = 100) -> list[str]:
    """Lay out what cannot be in the readings of a house, as text of at most `width`."""
    points = tuple(_point(one.concern()) for one in found)
    return text_lines(
        [Heading(text="Readings that cannot be"), Bullets(items=points, mark="1.")], width=width
    )


def _count(count: float) -> str:
    """Write a count; what could not be counted at this period is a dash."""
    return f"{int(count):,}" if isfinite(count) else "-"


def _percent(share: float) -> str:
    return number_text(100 * share, 2) if isfinite(share) else "-"


def duration_text(duration_s: float) -> str:
    """Write a duration in the unit that suits it: "45 s", "12 min", "3.5 h", "2.1 days"."""
    if not isfinite(duration_s):
        return "-"
    if duration_s == 0:
        return "none"
    if duration_s < 120:
        return f"{duration_s:g} s"
    if duration_s < 2 * S_PER_H:
        return f"{duration_s / 60:.0f} min"
    if duration_s < 2 * S_PER_DAY:
        return f"{duration_s / S_PER_H:.1f} h"
    return f"{duration_s / S_PER_DAY:.1f} days"


# Columns of `House.quality`: heading, unit, and how a value is written.
QUALITY: dict[str, tuple[str, str, Callable[..., str]]] = {
    "period_s": ("one sample", "s", "{:g}".format),
    "coverage": ("covered", "%", _percent),
    "longest_gap_s": ("longest gap", "", duration_text),
    "gaps": ("gaps", "", _count),
    "repeats": ("repeated rows", "", _count),
    "conflicts": ("conflicting", "", _count),
    "out_of_order": ("late rows", "", _count),
    "resets": ("counter resets", "", _count),
    "negative_share": ("negative", "% of time", _percent),
    "doubt": ("samples in doubt", "", lambda words: words or "none"),
}


def quality_lines(quality: pd.DataFrame, *, width: int = 100) -> list[str]:
    """Lay out what `House.quality` reports, one row a circuit, as text of at most `width`."""
    if not len(quality):
        return ["No circuit has readings."]
    headings, units, texts = zip(*QUALITY.values(), strict=True)
    table = Table(
        head=("circuit", *headings),
        units=("", *units),
        rows=tuple(
            (str(name), *(text(x) for text, x in zip(texts, row[list(QUALITY)], strict=True)))
            for name, row in quality.iterrows()
        ),
        numeric=frozenset(range(1, len(QUALITY))),
    )
    return text_lines([table], width=width)


def programme_lines(found: ProgrammeUses, *, circuit: str, width: int = 100) -> list[str]:
    """Lay out what each programme of a circuit uses per run as text of at most `width`."""
    number = {name: k + 1 for k, name in enumerate(found.programmes.table["name"])}
    rows = tuple((f"{circuit}:{number[row[0]]}", *row) for row in found.cells())
    head: tuple[str, ...] = ("", "programme", "runs", "energy per run", "lasts")
    units: tuple[str, ...] = ("", "", "", "kWh", "min")
    if found.currency:
        head, units = (*head, "cost per run"), (*units, found.currency)
    table = Table(head=head, units=units, rows=rows, numeric=frozenset(range(2, len(head))))
    note = "In brackets: 95 % intervals. To compare two, name both."
    return text_lines([Heading(text=found.appliance), table, Prose(text=note)], width=width)


def comparison_table(found: Comparison, *, width: int = 100) -> list[str]:
    """Lay a comparison out as text of at most `width`: the sentence, and figures behind it."""
    rows = (
        (found.name_a, f"{found.a.n:,}", value_text(found.a), interval_text(found.a)),
        (found.name_b, f"{found.b.n:,}", value_text(found.b), interval_text(found.b)),
        ("difference", "", value_text(found.difference), interval_text(found.difference)),
        ("ratio", "", value_text(found.ratio), interval_text(found.ratio)),
    )
    head = ("", f"{found.per}s", f"energy per {found.per}", "95 % interval")
    method = f"Method: {found.method}; p = {found.p:.2g}{p_remark(found)}."
    blocks: list[Block] = [
        Prose(text=found.sentence),
        Table(head=head, units=("", "", "kWh", ""), rows=rows, numeric=frozenset({1, 2, 3})),
        Prose(text=method),
    ]
    blocks += [Bullets(items=found.remarks)] if found.remarks else []
    return text_lines(blocks, width=width)
