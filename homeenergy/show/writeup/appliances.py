"""What the document says of the readings, and of each appliance."""

from __future__ import annotations

import math
from dataclasses import replace

import pandas as pd

from homeenergy.errors import HouseError
from homeenergy.findings.appliance.record import (
    ApplianceFinding,
    estimate_text,
    finding_sentence,
    percent_text,
    shown,
)
from homeenergy.findings.appliance.table import notes
from homeenergy.findings.loads.heat_pump import heat_pump_use
from homeenergy.findings.loads.idle import idle_or_use
from homeenergy.findings.loads.programmes import programme_uses
from homeenergy.findings.saving.running import is_compressor
from homeenergy.findings.weather.fit import weather_dependence
from homeenergy.house.kinds import KINDS
from homeenergy.house.schedule import Circuit
from homeenergy.show.document.blocks import Block, Bullets, Heading, Picture, Prose, Table, Together
from homeenergy.show.document.findings import findings_table
from homeenergy.show.figures.energy import (
    plot_daily_energy,
    plot_house_energy,
    plot_load,
    plot_weather,
)
from homeenergy.show.figures.runs import plot_run_energies, plot_runs, typical_day
from homeenergy.show.figures.trust import plot_meter, plot_multipliers
from homeenergy.show.terminal import HEADINGS, duration_text
from homeenergy.show.writeup.basis import Basis, for_author, grid, money_text, picture
from homeenergy.show.writeup.ends import day_text

# How an appliance behaves, for a reader who has not met the trade's word for it.
MOST_NUMBERS = 12  # of runs over a picture of this width


def measured_blocks(basis: Basis) -> tuple[Block, ...]:
    """Panel schedule, clamps, dates, coverage and gaps."""
    house = basis.house
    quality = house.quality()
    start, end = basis.local(basis.findings.start), basis.local(basis.findings.end)
    supply = house.supply
    volts = f", {supply.volts_v:g} V from leg to neutral" if supply.volts_v else ""
    fed: dict[str, list[str]] = {}
    for one in house.circuits:
        if one.part_of:
            fed.setdefault(one.part_of, []).append(one.appliance)
    columns = {
        "circuit": lambda c: c.name,
        "feeds": lambda c: ", ".join(fed.get(c.name, [c.appliance])),
        "legs": lambda c: " ".join(c.legs),
        "breaker (A)": lambda c: _plain(c.breaker_a),
        "clamp (A)": lambda c: _plain(c.clamp.rating_a),
        "times": lambda c: f"{c.clamp.multiplier:g}",
        "sample": lambda c: _of(quality, c, lambda q: duration_text(q["period_s"])),
        "covered": lambda c: _of(quality, c, lambda q: percent_text(q["coverage"])),
        "longest gap": lambda c: _of(quality, c, lambda q: duration_text(q["longest_gap_s"])),
    }
    measured = [c for c in house.circuits if not c.part_of]
    silent = [c.appliance for c in measured if c.name not in quality.index]
    text = (
        f"From {day_text(start)} to {day_text(end)}, {basis.days:.1f} days, on a {supply.system} "
        f"supply{volts}. Each reading is the mean power of a sample; times are local, and days "
        "have 23 to 25 hours where clocks change. Missing readings stay missing: nothing is "
        "filled in."
    )
    if silent:
        text += f" Without readings: {', '.join(silent)}."
    return (
        Heading(text="What was measured", new_page=True),
        Prose(text=text),
        grid(
            columns,
            measured,
            caption="Panel schedule, clamps and readings. “Times”: what the clamp's readings are "
            "multiplied with. Covered: share of the time with readings.",
            text=("circuit", "feeds", "legs"),
            sheet="circuits",
            data=_by_the_clock(basis, quality.reset_index()),
        ),
    )


def _by_the_clock(basis: Basis, table: pd.DataFrame) -> pd.DataFrame:
    """Instants by the clock of the house."""
    times = table.select_dtypes("datetimetz").columns
    return table.assign(**{name: table[name].dt.tz_convert(basis.zone) for name in times})


def _plain(number: float | None) -> str:
    return "" if number is None else f"{number:g}"


def _of(quality, circuit: Circuit, show) -> str:  # type: ignore[no-untyped-def]
    return show(quality.loc[circuit.name]) if circuit.name in quality.index else "none"


def trust_blocks(basis: Basis) -> tuple[Block, ...]:
    """Bench, balance, utility meter, and what contradicts the panel schedule."""
    check = basis.check
    blocks: list[Block] = [Heading(text="How far it can be trusted")]
    blocks += _bench(basis)
    if check.balance is not None:
        base = estimate_text(check.balance.base_w)
        blocks.append(
            Prose(
                text="Panel balance: the mains were compared with the sum of the circuits, step by "
                f"step. At quiet times the unmeasured part of the house draws {base}."
            )
        )
    else:
        blocks.append(
            Prose(text="The mains were not logged, so the circuits could not be checked with them.")
        )
    if check.meter is not None:
        blocks.append(Prose(text=f"Utility meter: {check.meter.verdict}"))
        blocks.append(
            picture(
                lambda ax: plot_meter(check.meter, ax=ax),  # type: ignore[arg-type]
                caption="Utility meter and logged mains from reading to reading, each with its "
                "guaranteed bounds. Where both overlap they agree.",
                alternative=f"Bars of mean power by interval. {check.meter.verdict}",
                height_in=3.0,
                reword=basis.reword,
            )
        )
    else:
        blocks.append(Prose(text="There were no readings of the utility meter to compare with."))
    for weight, heading in HEADINGS.items():
        said = check.meter.verdict if check.meter is not None else ""
        concerns = [c for c in check.concerns if c.weight == weight and c.what != said]
        # The figure of the bench comparison shows the clamps that agree.
        concerns = [c for c in concerns if weight != "note" or not c.what.startswith("Bench:")]
        if concerns:
            blocks.append(Heading(text=heading, level=2))
            items = tuple(c.what if for_author(c.do) else f"{c.what} {c.do}" for c in concerns)
            blocks.append(Bullets(items=items))
    return tuple(blocks)


def _bench(basis: Basis) -> list[Block]:
    bench = basis.check.bench
    if not bench:
        return [
            Prose(
                text="No clamp was compared with a reference meter, so errors of the clamps are "
                "known only where house.toml sets them."
            )
        ]
    agree = sum(result.agrees for result in bench)
    return [
        Prose(
            text=f"Bench comparison: {agree} of {len(bench)} clamps agree with the reference meter "
            "within what both can know."
        ),
        picture(
            lambda ax: plot_multipliers(bench, ax=ax),
            caption="By how much each clamp reads too high against the reference meter, with 95 % "
            "intervals.",
            alternative=" ".join(result.verdict for result in bench),
            height_in=0.9 + 0.27 * len(bench),
            reword=basis.reword,
        ),
    ]


def appliance_blocks(basis: Basis) -> tuple[Block, ...]:
    """All appliances in one figure and table, then one by one."""
    blocks: list[Block] = [Heading(text="Findings for each appliance", new_page=True)]
    if not basis.measured:
        return (*blocks, Prose(text="No circuit has readings, so nothing could be found."))
    blocks.append(Prose(text=" ".join(notes(basis.findings))))
    blocks.append(
        picture(
            lambda ax: plot_house_energy(basis.findings, ax=ax),
            caption="Energy of each appliance per day, with 95 % intervals.",
            alternative=" ".join(finding_sentence(f) for f in basis.measured),
            height_in=1.2 + 0.3 * len(basis.measured),
            reword=basis.reword,
        )
    )
    caption = "What each appliance uses; only complete runs count. In brackets: 95 % intervals."
    measured = replace(basis.findings, appliances=basis.measured)
    table = findings_table(measured, place="write-up", caption=caption, sheet="findings")
    blocks.append(replace(table, data=basis.findings.to_frame()))
    for finding in basis.measured:
        blocks += _one(basis, finding)
    return tuple(blocks)


def _one(basis: Basis, finding: ApplianceFinding) -> list[Block]:
    blocks: list[Block] = [
        Together(
            blocks=(
                Heading(text=finding.appliance, level=2),
                Prose(text=_sentences(basis, finding)),
                _figure(basis, finding),
            )
        )
    ]
    blocks += _weather(basis, finding)
    table = _programmes(basis, finding)
    if table is not None:
        blocks.append(table)
    remarks = tuple(remark for remark in finding.remarks if not for_author(remark))
    if remarks:
        blocks.append(Bullets(items=remarks))
    return blocks


def _sentences(basis: Basis, finding: ApplianceFinding) -> str:
    first = finding_sentence(finding)
    part = basis.share_of_house(finding)
    share = "less than 1 %" if 0 <= part < 0.005 else percent_text(part)
    whole = "the house" if basis.findings.mains_kwh_per_day is not None else "what was measured"
    cost = shown(finding, "cost_per_year")
    said = [f"takes {share} of {whole}"] if math.isfinite(part) else []
    said += [f"costs {money_text(cost)} a year"] if cost and math.isfinite(cost.value) else []
    second = f"It {' and '.join(said)}; it" if said else "It"
    second += f" {KINDS[finding.kind].words}."
    try:
        return f"{first} {second} {idle_or_use(finding).sentence}"
    except HouseError:
        return f"{first} {second}"


def _figure(basis: Basis, finding: ApplianceFinding) -> Picture:
    day = typical_day(finding.cycles, basis.house.timezone)
    name, zone = finding.appliance, basis.house.timezone
    if day is None:
        trace = basis.house.trace(finding.circuit)
        return picture(
            lambda ax: plot_daily_energy(trace, timezone=zone, title="", ax=ax),
            caption=f"{name}: energy of each day.",
            alternative=f"Bars: energy of {name} on each day, in kWh.",
            height_in=2.4,
            reword=basis.reword,
        )
    trace = basis.house.trace(finding.circuit, *day)
    date = day_text(basis.local(day[0]))

    def draw(axes: list) -> None:
        plot_runs(trace, finding.cycles, timezone=zone, title=date, ax=axes[0])
        plot_run_energies(
            finding.cycles,
            mean_kwh=finding.run_kwh,
            timezone=zone,
            title="every run",
            ax=axes[1],
        )
        if len(axes[0].texts) > MOST_NUMBERS:
            for number in list(axes[0].texts):
                number.remove()
        for ax in axes:
            ax.set_xlabel("")
            if ax.get_legend() is not None:
                ax.get_legend().remove()  # the caption says it

    return picture(
        draw,
        caption=f"{name}. Left: its power on {date}, a day with as many runs as any; runs shaded, "
        "hatched where incomplete, the dashed line its standby. Right: the energy of "
        "every run, squares for incomplete ones, the dashed line the mean of the others.",
        alternative=f"Power of {name} on {date} in watts with runs shaded, and energy of all its "
        f"runs in kWh. {finding_sentence(finding)}",
        height_in=2.5,
        widths=(1.5, 1.0),
        reword=basis.reword,
    )


def _programmes(basis: Basis, finding: ApplianceFinding) -> Table | None:
    """Programmes of a machine that has more than one, with what a run of each takes."""
    if not KINDS[finding.kind].programmes:
        return None
    try:
        found = programme_uses(
            finding, tariff=basis.house.tariff, names=basis.house.schedule.programmes
        )
    except HouseError:
        return None
    if len(found.uses) < 2:
        return None
    rows = tuple(
        (
            use.name,
            f"{use.runs}",
            estimate_text(use.minutes, of="runs").replace(" min", ""),
            estimate_text(use.run_kwh, of="runs"),
            "" if use.cost is None else money_text(use.cost),
        )
        for use in found.uses
    )
    return Table(
        head=("programme", "runs", "minutes", "energy per run", "cost per run"),
        rows=rows,
        caption=f"{finding.appliance}: programmes, distinguished by energy, duration and shape.",
        numeric=frozenset({1, 2, 3, 4}),
        sheet=f"programmes {finding.circuit}",
        data=found.to_frame(),
    )


def _weather(basis: Basis, finding: ApplianceFinding) -> list[Block]:
    """How a heat pump works, and how it depends on the weather where temperatures are at hand."""
    if not KINDS[finding.kind].varying:
        return []
    blocks = _load(basis, finding) if is_compressor(finding) else []
    if basis.outdoor is None:
        return blocks
    try:
        fit = weather_dependence(finding.daily, basis.outdoor, clamp=finding.clamp_errors)
    except HouseError as error:
        why = f"Its dependence on the weather cannot be estimated: {error.what}."
        return [*blocks, Prose(text=why)]
    return [
        *blocks,
        Prose(text=fit.sentence),
        picture(
            lambda ax: plot_weather(fit, title="", ax=ax),
            caption=f"{finding.appliance}: energy of each day against the mean outdoor "
            "temperature, with the line fitted to it.",
            alternative=fit.sentence,
            height_in=2.6,
            reword=basis.reword,
        ),
    ]


def _load(basis: Basis, finding: ApplianceFinding) -> list[Block]:
    trace = basis.house.trace(finding.circuit)
    try:
        use = heat_pump_use(trace, finding.cycles, timezone=basis.zone, outdoor=basis.outdoor)
    except HouseError:
        return []
    return [
        Prose(text=use.sentence),
        picture(
            lambda ax: plot_load(use, title="", ax=ax),
            caption=f"{finding.appliance}: power while it runs.",
            alternative=use.sentence,
            height_in=2.4,
            reword=basis.reword,
        ),
    ]
