"""Where documents begin and end: for whom, summary, limits, methods, last words; sheets of runs."""

from __future__ import annotations

import math
from collections.abc import Mapping
from datetime import date
from typing import Any

import pandas as pd

from homeenergy.findings.appliance.record import (
    ApplianceFinding,
    estimate_text,
    percent_text,
    shown,
)
from homeenergy.findings.saving.advice import Advice
from homeenergy.readings.house import House
from homeenergy.show.document.blocks import Block, Bullets, Facts, Heading, Picture, Prose, Table
from homeenergy.show.document.findings import warning_blocks
from homeenergy.show.document.page import SAFETY
from homeenergy.show.writeup.actions import saving_text
from homeenergy.show.writeup.basis import Basis, grid, money_text
from homeenergy.show.writeup.client import Told
from homeenergy.show.writeup.wording import Wording
from homeenergy.stats.estimate import number_text

LARGEST = 3
METHOD = (
    "Each trace is split into stretches of constant power by penalised least squares (optimal "
    "partitioning with pruning: Killick, Fearnhead and Eckley, 2012), the penalty being chosen "
    "from the noise of the trace. Stretches are joined into runs according to the kind of the "
    "appliance: pauses within a run are distinguished from idle time by the breaks of the whole "
    "log.",
    "Intervals of means are Student's t over days, allowing for autocorrelation between days (JCGM "
    "100:2008, 4.2 and G.3). Systematic errors, of the clamp's multiplier and of the resolution, "
    "are kept separate and combined by JCGM 100:2008, 5.1.2.",
    "The utility meter is compared by guaranteed bounds: a linear program over all values that "
    "each rounded reading may have had. Clamps are judged by regression through the origin with "
    "the reference meter's accuracy (JCGM 100:2008, H.3), and by the steps that the mains and a "
    "circuit take at the same moment.",
    "Cost per year is the cost of the measured days times 365 over their number, at the prices of "
    "the log's last day and the mean of all seasons' prices; standing charges are left out. It is "
    "not corrected for the season unless a part says so.",
)
LIMITS = (
    "Appliances that share a circuit appear as one, unless house.toml names them; then their power "
    "is divided as far as the log tells them apart.",
    "A few weeks are not a year: weather, holidays and guests were those of the days measured.",
    "Which stretches form one run is a judgement{settings}.",
    "A clamp cannot measure a draw below its resolution; there, a bound is given and not a value.",
)


def first_and_last(
    house: House, start: pd.Timestamp, end: pd.Timestamp
) -> tuple[pd.Timestamp, pd.Timestamp]:
    """Local times on the first and the last day of the readings: midnight ends a day."""
    zone = str(house.timezone)
    return start.tz_convert(zone), (end - pd.Timedelta(seconds=1)).tz_convert(zone)


def front_facts(
    house: House, words: Wording, *, start: pd.Timestamp, end: pd.Timestamp, written: date
) -> tuple[Block, ...]:
    """For whom, by whom, when measured: few lines; with a cover, on a page of its own."""
    details = house.schedule.write_up
    start, end = first_and_last(house, start, end)
    measured = words.say("{start} to {end}", start=words.day(start), end=words.day(end))
    by = (details.author, details.contact, words.day(written))
    rows = (
        (words.say("For"), ", ".join(x for x in (details.client, details.site) if x)),
        (words.say("By" if details.author else "Written"), ", ".join(x for x in by if x)),
        (words.say("Measured"), measured),
        (words.say("Reference"), details.reference),
    )
    facts = Facts(rows=tuple(row for row in rows if row[1]))
    site = details.site or house.name
    logo, image = (
        ()
        if path is None
        else (
            Picture(
                image=path.read_bytes(),
                alternative=words.say(text, site=site),
                width_share=share,
            ),
        )
        for path, text, share in (
            (details.logo, "Logo.", 0.2),
            (details.image, "Picture of {site}.", 0.9 if details.cover else 0.4),
        )
    )
    if not details.cover:
        return (*logo, facts, *image)
    return (*logo, facts, *image, Heading(text=words.say("At a glance"), new_page=True))


def photo_blocks(told: Told) -> tuple[Block, ...]:
    """Photos, called by the names of their files."""
    details, words = told.basis.house.schedule.write_up, told.words
    if not details.photos:
        return ()
    pictures = tuple(
        Picture(
            image=path.read_bytes(),
            caption=path.stem.replace("_", " "),
            alternative=words.say("Photo: {name}.", name=path.stem.replace("_", " ")),
            width_share=0.7,
        )
        for path in details.photos
    )
    return (Heading(text=words.say("Photos")), *pictures)


def signed_blocks(told: Told) -> tuple[Block, ...]:
    """Last words and the author's name."""
    details = told.basis.house.schedule.write_up
    if not details.sign_off:
        return ()
    rows = [text for text in (details.author, details.contact) if text]
    return (Prose(text="\n\n".join([details.sign_off, *rows])),)


def front_blocks(basis: Basis, written: date) -> tuple[Block, ...]:
    """Author, client, site and dates, where they are known."""
    details = basis.house.schedule.write_up
    start, end = first_and_last(basis.house, basis.findings.start, basis.findings.end)
    rows = [
        ("House", basis.house.name),
        ("Client", details.client),
        ("Site", details.site),
        ("Prepared by", details.author),
        ("Measured", f"{day_text(start)} to {day_text(end)} ({basis.zone})"),
        ("Written", day_text(written)),
    ]
    blocks: list[Block] = [Facts(rows=tuple(row for row in rows if row[1]))]
    if details.image is not None:
        blocks.append(
            Picture(
                image=details.image.read_bytes(),
                caption=details.site or basis.house.name,
                alternative=f"Picture of {details.site or basis.house.name}.",
                width_share=0.6,
            )
        )
    return tuple(blocks)


def day_text(day: date) -> str:
    """Write a date so that nobody can mix up day and month."""
    return f"{day.day} {day:%B %Y}"


def summary_blocks(basis: Basis, advice: Advice) -> tuple[Block, ...]:
    """What the house uses, the largest findings in money, what to do, how far to trust it."""
    return (
        Heading(text="Summary"),
        *warning_blocks(basis.findings),
        Prose(text=_opening(basis)),
        *_largest(basis),
        *_first_actions(advice),
        Prose(text=trust_sentence(basis)),
    )


def _through_mains(basis: Basis) -> str:
    findings = basis.findings
    mains, rest = findings.mains_kwh_per_day, findings.unmeasured_kwh_per_day
    if mains is None:
        logged = any(one.role == "mains" for one in basis.house.schedule.circuits)
        why = "cannot be believed" if logged else "were not logged"
        return f" The mains {why}, so what other circuits use is not known."
    use = estimate_text(mains, of="days")
    left = "" if rest is None else estimate_text(rest)
    fed_back = findings.fed_back_kwh_per_day
    if fed_back:
        drawn = number_text(mains.value + fed_back, 1)
        text = (
            f" The mains carried {use} a day: {drawn} kWh drawn less "
            f"{number_text(fed_back, 1)} kWh fed back."
        )
        return text + (f" Unmeasured: {left} a day (mains less all circuits)." if left else "")
    unmeasured = f", {left} of it unmeasured (mains less all circuits)" if left else ""
    return f" The house used {use} a day{unmeasured}."


def _opening(basis: Basis) -> str:
    findings, measured = basis.findings, basis.measured
    circuits = f"{len(measured)} circuit{'' if len(measured) == 1 else 's'}"
    text = f"Over {basis.days:.0f} days, {circuits} of {basis.house.name} were logged."
    text += _through_mains(basis)
    if findings.currency is None:
        text += " house.toml sets no tariff, so nothing is given in money."
    if basis.days < 14:
        text += " A log this short says little about a usual week."
    return text


def _largest(basis: Basis) -> tuple[Block, ...]:
    costs = [f for f in basis.measured if f.cost_per_year is not None]
    ranked = sorted(costs, key=lambda f: -f.cost_per_year.value) if costs else basis.measured  # type: ignore[union-attr]
    top = tuple(ranked[:LARGEST])
    if not top:
        return (Prose(text="No appliance was found."),)
    rows = tuple(
        (
            f.appliance,
            money_text(shown(f, "cost_per_year")),
            estimate_text(shown(f, "kwh_per_day"), of="days"),
            percent_text(basis.share_of_house(f)),
        )
        for f in top
    )
    whole = "house" if basis.findings.mains_kwh_per_day is not None else "measured circuits"
    return (
        Table(
            head=("appliance", "cost per year", "energy per day", f"share of the {whole}"),
            rows=rows,
            caption="The largest users. In brackets: 95 % intervals. Cost per year if the whole "
            "year is like these days.",
            numeric=frozenset({1, 2, 3}),
        ),
    )


def _first_actions(advice: Advice) -> tuple[Block, ...]:
    if advice.actions:
        lines = tuple(
            f"{action.saving.measure}: saves {saving_text(action.saving)} a year."
            for action in advice.actions[:LARGEST]
        )
        return (Prose(text="What is worth doing first:"), Bullets(items=lines))
    if advice.too_small or advice.too_dear or advice.unsure:
        text = (
            "None of the actions looked at is worth the trouble; the part on recommended actions "
            "says what was looked at."
        )
    else:
        text = "These data suggest no action."
    return (Prose(text=text),)


def _nothing_wrong(basis: Basis) -> str:
    """That nothing contradicts the panel schedule, naming only what could be compared with it."""
    check = basis.check
    compared = {
        "a reference meter": bool(check.bench),
        "the mains": check.balance is not None,
        "the utility meter": check.meter is not None,
    }
    seen = [name for name, had in compared.items() if had]
    if not seen:
        return (
            "The clamps could not be compared with a reference meter, the mains or the utility "
            "meter, so all figures rest on the panel schedule being right."
        )
    listed = " and ".join([", ".join(seen[:-1]), seen[-1]] if seen[1:] else seen)
    text = f"Compared with {listed}, nothing contradicts the panel schedule"
    if not all(one.agrees for one in check.bench):
        return f"{text}, apart from the clamps that do not agree with the reference meter."
    return f"{text}."


def trust_sentence(basis: Basis) -> str:
    """How far the figures can be trusted, in a sentence or two."""
    check = basis.check
    wrong, doubtful = (
        [c for c in check.concerns if c.weight == weight] for weight in ("wrong", "doubtful")
    )
    if wrong:
        text = (
            f"{len(wrong)} finding{'' if len(wrong) == 1 else 's'} of the check contradict how the "
            "clamps are said to sit; figures of these circuits may be wrong: "
            + ", ".join(dict.fromkeys(c.subject for c in wrong))
            + "."
        )
    else:
        text = (
            "The readings named at the top cannot be."
            if check.implausible
            else _nothing_wrong(basis)
        )
    if doubtful:
        about = ", ".join(dict.fromkeys(c.subject for c in doubtful if c.subject))
        text += f" Needs a look before figures are relied on: {about}."
    if check.meter is not None:
        text += f" {check.meter.verdict}"
    return text


def method_blocks(basis: Basis, record: Mapping[str, Any]) -> tuple[Block, ...]:
    """How the figures were made, with the settings, versions and hashes behind them."""
    findings = basis.measured
    columns = {
        "appliance": lambda f: f.appliance,
        "kind": lambda f: f.kind + ("" if f.kind_sure >= 1 else " (inferred)"),
        "on from (W)": lambda f: _setting(f, "on_w"),
        "longest pause (s)": lambda f: _setting(f, "longest_pause_s"),
    }
    settings = pd.DataFrame(
        [{"circuit": f.circuit, "kind": f.kind, **f.cycles.settings} for f in findings]
    )
    versions = ", ".join(f"{name} {version}" for name, version in record["versions"].items())
    overruled = record["overruled"]
    blocks: list[Block] = [
        Heading(text="Method and sources", new_page=True),
        Prose(text="\n\n".join(METHOD)),
    ]
    if findings:
        blocks.append(
            grid(
                columns,
                findings,
                caption="Settings with which runs were found.",
                text=("appliance", "kind"),
                sheet="settings",
                data=settings,
            )
        )
    blocks += [
        Heading(text="Data and versions", level=2),
        Prose(
            text=f"Versions: {versions}. Data: {len(record['files'])} files of the house's folder, "
            f"fingerprint {record['fingerprint'][:16]}. Runs decided by hand: "
            f"{len(overruled) or 'none'}. `homeenergy writeup --check FILE FOLDER` shows whether "
            "this document still matches its data."
        ),
    ]
    if overruled:
        blocks.append(Bullets(items=tuple(overruled)))
    return tuple(blocks)


def _setting(finding: ApplianceFinding, name: str) -> str:
    value = finding.cycles.settings.get(name)
    known = isinstance(value, int | float) and not math.isnan(value)
    return f"{value:,.4g}" if known else ""


def limit_blocks(*, with_settings: bool = True) -> tuple[Block, ...]:
    """What the document cannot say, and the usual cautions."""
    settings = "; every threshold is in the table of settings" if with_settings else ""
    return (
        Heading(text="Limits and safety"),
        Bullets(items=tuple(line.format(settings=settings) for line in LIMITS)),
        Prose(
            text=f"{SAFETY} Nothing here replaces an inspection: work that local codes reserve "
            "to a licensed electrician is theirs to judge and to do."
        ),
    )


def run_sheets(basis: Basis, words: Wording) -> tuple[Table, ...]:
    """Every run of every appliance, for a spreadsheet: in a document nobody reads thousands."""
    return tuple(_runs(basis, f, words) for f in basis.measured if len(f.cycles.table))


def _runs(basis: Basis, finding: ApplianceFinding, words: Wording) -> Table:
    table = finding.cycles.table
    local = {name: table[name].dt.tz_convert(basis.zone) for name in ("start", "end")}
    return Table(
        head=(),
        rows=(),
        sheet=words.say("runs {circuit}", circuit=finding.circuit),
        data=table.assign(**local),
    )
