"""The findings as one page of HTML that needs nothing else: no scripts, no other files."""

from __future__ import annotations

import math
from io import BytesIO

from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure

from homeenergy.findings.appliance.record import ApplianceFinding, finding_sentence, is_bound
from homeenergy.findings.appliance.table import Findings, notes
from homeenergy.findings.notable import Notable
from homeenergy.readings.house import House
from homeenergy.show.document.blocks import (
    Block,
    Bullets,
    Heading,
    Note,
    Picture,
    Prose,
    Together,
    html_page,
)
from homeenergy.show.document.findings import (
    findings_table,
    heading_text,
    mains_text,
    warning_blocks,
)
from homeenergy.show.figures.comparison import plot_notable
from homeenergy.show.figures.energy import plot_daily_energy, plot_house_energy
from homeenergy.show.figures.runs import plot_run_energies, plot_runs, typical_day
from homeenergy.show.figures.style import zone_of
from homeenergy.stats.estimate import decimals, number_text

DOTS_PER_INCH = 96

SAFETY = (
    "A log shows what to look into; it is not an inspection. Work inside a panel belongs to a "
    "licensed electrician: the service conductors stay live when the main breaker is off. Never "
    "open the secondary of a current transformer with a current output while its circuit "
    "carries load. A breaker is not a switch for daily use, and a freezer may be on the circuit "
    "that is switched off."
)


def findings_page(findings: Findings, house: House) -> str:
    """Write the findings as one self-contained page of HTML.

    Parameters
    ----------
    findings : Findings
    house : House
        Gives the readings that are drawn: for each appliance the day on which most of its
        complete runs begin.

    Returns
    -------
    str
        Table, a figure for the house and one for each appliance, remarks and cautions. Figures
        are part of the page; nothing is fetched when it is opened.
    """
    caption = f"Below each value: its 95 % interval, in the same unit. {' '.join(notes(findings))}"
    mains = mains_text(findings)
    blocks: list[Block] = [
        Prose(text=f"{heading_text(findings)} ({findings.timezone})."),
        *warning_blocks(findings),
        Prose(text=f"{mains}." if mains else ""),
        findings_table(findings, place="page", caption=caption),
        Together(blocks=(Heading(text="Where the energy goes"), _house_figure(findings))),
        *(_stands_out(one, house) for one in findings.notable),
        *(_section(finding, house) for finding in findings.appliances),
        Note(about="Safety", text=SAFETY),
    ]
    return html_page(f"{findings.house_name}: what each appliance uses", blocks)


def _stands_out(one: Notable, house: House) -> Together:
    figure, (ax,) = _figure(1)
    plot_notable(one, house, ax=ax)
    picture = _image(figure, f"Picture: {one.sentence}")
    text = Prose(text=f"{one.sentence} {one.next_step}")
    return Together(blocks=(Heading(text=f"It stands out: {one.appliance}"), text, picture))


def _section(finding: ApplianceFinding, house: House) -> Together:
    remarks = (Bullets(items=finding.remarks),) if finding.remarks else ()
    return Together(
        blocks=(
            Heading(text=finding.appliance),
            Prose(text=_sentence(finding)),
            _appliance_figure(finding, house),
            *remarks,
        )
    )


def _sentence(finding: ApplianceFinding) -> str:
    hours = finding.cycles.rest.hours
    standby = (
        f"The bound on its standby is the resolution of these readings over {hours:,.1f} h at rest."
        if is_bound(finding.standby_w)
        else f"Standby: {finding.standby_w.basis}."
    )
    covered = f"Readings cover {100 * finding.coverage:.1f} % of the time."
    return f"{finding_sentence(finding)} {standby} {covered} {_clamp_words(finding)}"


def _clamp_words(finding: ApplianceFinding) -> str:
    """Say what the readings are multiplied with, and what of an interval the clamp makes."""
    text = f"Correction of its readings: {finding.correction}"
    per_day = finding.kwh_per_day
    if finding.clamp_uncertainty is None or not math.isfinite(per_day.spread):
        return f"{text}."
    places = max(decimals(per_day.low, per_day.high, value=per_day.value), 2)
    spread, clamp = (number_text(h, places) for h in (per_day.spread, per_day.systematic))
    return (
        f"{text}, known to {100 * finding.clamp_uncertainty:.2g} %. Of the interval a day, "
        f"±{spread} kWh is the spread between days and ±{clamp} kWh the clamp, "
        "combined as the root of the sum of squares."
    )


def _appliance_figure(finding: ApplianceFinding, house: House) -> Picture | Prose:
    day = typical_day(finding.cycles, house.timezone)
    if day is None:
        trace = house.trace(finding.circuit)
        if not len(trace):
            return Prose(text="No readings to draw.")
        figure, (axes,) = _figure(1)
        plot_daily_energy(trace, timezone=house.timezone, title="Energy by day", ax=axes)
        return _image(figure, f"Bars: energy of {finding.appliance} on each day, in kWh.")
    trace = house.trace(finding.circuit, *day)
    figure, (above, below) = _figure(2)
    local = day[0].tz_convert(zone_of(house.timezone))
    title = f"{local:%A} {local.day} {local:%B %Y}:\na day with as many runs as any"
    plot_runs(trace, finding.cycles, timezone=house.timezone, title=title, ax=above)
    plot_run_energies(
        finding.cycles,
        mean_kwh=finding.run_kwh,
        timezone=house.timezone,
        title="All runs",
        ax=below,
    )
    alternative = (
        f"Above: power of {finding.appliance} over {local:%Y-%m-%d}, a day with as many runs as "
        "any, in watts, with its runs shaded. Below: energy of every run, in kWh, over the whole "
        "log."
    )
    return _image(figure, alternative)


def _house_figure(findings: Findings) -> Picture | Prose:
    if not findings.appliances:
        return Prose(text="No readings to draw.")
    figure = Figure(figsize=(9, 1.4 + 0.34 * len(findings.appliances)), layout="constrained")
    plot_house_energy(findings, ax=figure.subplots())
    sentences = " ".join(finding_sentence(finding) for finding in findings.appliances)
    return _image(figure, f"Bars: kWh per day of each appliance. {sentences}")


def _figure(rows: int) -> tuple[Figure, list]:
    figure = Figure(figsize=(9, 2.9 * rows), layout="constrained")
    return figure, list(figure.subplots(rows, 1, squeeze=False)[:, 0])


def _image(figure: Figure, alternative: str) -> Picture:
    file = BytesIO()
    FigureCanvasAgg(figure)
    figure.savefig(file, format="png", dpi=DOTS_PER_INCH)
    return Picture(image=file.getvalue(), alternative=alternative)
