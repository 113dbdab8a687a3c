"""The findings as one page of HTML that needs nothing else: no scripts, no other files."""

from __future__ import annotations

import math
from base64 import b64encode
from html import escape
from io import BytesIO
from typing import TYPE_CHECKING

from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure

from homeenergy.findings.appliance.table import notes
from homeenergy.findings.appliance.wording import (
    COUNTED,
    UNKNOWN,
    interval_text,
    is_bound,
    kind_text,
    percent_text,
    shown,
    value_text,
)
from homeenergy.show.figures.energy import plot_daily_energy, plot_house_energy
from homeenergy.show.figures.local_axis import zone_of
from homeenergy.show.figures.runs import plot_run_energies, plot_runs, typical_day
from homeenergy.show.terminal import finding_sentence, heading_text, mains_text
from homeenergy.stats.estimate import decimals, number_text

if TYPE_CHECKING:
    from homeenergy.findings import Findings
    from homeenergy.findings.appliance.appliance import ApplianceFinding
    from homeenergy.readings import House


DOTS_PER_INCH = 96

SAFETY = (
    "A log shows what to look into; it is no inspection. Work inside a panel belongs to a "
    "licensed electrician: the service conductors stay live when the main breaker is off. Never "
    "open the secondary of a current transformer with a current output while its circuit "
    "carries load. A breaker is no switch for daily use, and a freezer may hang on the circuit "
    "that is switched off."
)

STYLE = """
:root { color-scheme: light; }
body { font: 16px/1.5 system-ui, "DejaVu Sans", sans-serif; color: #1a1a1a; background: #fff;
       max-width: 62rem; margin: 2rem auto; padding: 0 1rem; }
h1 { font-size: 1.7rem; margin-bottom: 0.2rem; }
h2 { font-size: 1.25rem; margin-top: 2.2rem; border-top: 1px solid #ccc; padding-top: 1rem; }
.table { overflow-x: auto; }
table { border-collapse: collapse; font-variant-numeric: tabular-nums; font-size: 0.92rem; }
caption { text-align: left; padding-bottom: 0.5rem; color: #444; }
caption div { max-width: min(60rem, 100vw - 2rem); }
th, td { padding: 0.3rem 0.6rem; text-align: right; vertical-align: top;
         border-bottom: 1px solid #ddd; white-space: nowrap; }
th:first-child, th:last-child, td:last-child { text-align: left; }
thead th { border-bottom: 2px solid #444; vertical-align: bottom; white-space: normal; }
td:last-child { white-space: normal; min-width: 6.5rem; }
td small { color: #555; display: block; }
figure { margin: 1rem 0; }
img { max-width: 100%; height: auto; }
.safety { border: 2px solid #444; padding: 0.6rem 1rem; margin-top: 2.5rem; }
@media print {
  body { max-width: none; margin: 0; font-size: 10.5pt; }
  h2 { break-after: avoid; margin-top: 0.8rem; padding-top: 0.4rem; }
  section, figure, tr { break-inside: avoid; }
  .table { overflow: visible; }
  img { max-height: 7.8cm; width: auto; }
  th, td { padding: 0.15rem 0.35rem; font-size: 8.5pt; }
}
"""


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
    name = escape(findings.house_name)
    sections = "\n".join(_appliance_section(finding, house) for finding in findings.appliances)
    return f"""<!DOCTYPE html>
<html lang="en">
<head>
<meta charset="utf-8">
<meta name="viewport" content="width=device-width, initial-scale=1">
<title>{name}: what each appliance uses</title>
<style>{STYLE}</style>
</head>
<body>
<h1>{name}: what each appliance uses</h1>
<p>{escape(heading_text(findings))} ({escape(findings.timezone)}).{_mains(findings)}</p>
{_table(findings)}
<section>
<h2>Where the energy goes</h2>
{_house_figure(findings)}
</section>
{sections}
<aside class="safety"><p><strong>Safety.</strong> {escape(SAFETY)}</p></aside>
</body>
</html>
"""


def _mains(findings: Findings) -> str:
    known = findings.mains_kwh_per_day is not None
    return f"<br>{escape(mains_text(findings))}." if known else ""


def _table(findings: Findings) -> str:
    costs = findings.currency is not None
    heads = ["appliance", "complete runs", "kWh per run", "kWh per day", "standby (W)"]
    heads += ["idle share of energy", "share of time on"]
    heads += [f"cost ({findings.currency} per year)"] if costs else []
    heads += ["days in the log", "kind"]
    head = "".join(f'<th scope="col">{escape(text)}</th>' for text in heads)
    caption = f"Below each value: its 95 % interval, in the same unit. {' '.join(notes(findings))}"
    rows = "\n".join(_row(finding, costs=costs) for finding in findings.appliances)
    return f"""<div class="table"><table>
<caption><div>{escape(caption)}</div></caption>
<thead><tr>{head}</tr></thead>
<tbody>
{rows}
</tbody>
</table></div>"""


def _row(finding: ApplianceFinding, *, costs: bool) -> str:
    cells = [
        f"<td>{finding.runs:,}</td>",
        _estimate_cell(finding, "run_kwh"),
        _estimate_cell(finding, "kwh_per_day"),
        _estimate_cell(finding, "standby_w"),
        f"<td>{percent_text(finding.idle_share)}</td>",
        f"<td>{percent_text(finding.duty_cycle)}</td>",
        *([_estimate_cell(finding, "cost_per_year")] if costs else []),
        f"<td>{finding.days:.1f}</td>",
        f"<td>{escape(kind_text(finding))}</td>",
    ]
    return f'<tr><th scope="row">{escape(finding.appliance)}</th>{"".join(cells)}</tr>'


def _estimate_cell(finding: ApplianceFinding, name: str) -> str:
    estimate = shown(finding, name)
    if estimate is None:
        return f"<td>{UNKNOWN}</td>"
    interval = interval_text(estimate, of=COUNTED.get(name, ""))
    lines = escape(interval).replace(", only", ",<br>only")
    below = f"<small>{lines}</small>" if interval else ""
    return f'<td title="{escape(estimate.basis)}">{escape(value_text(estimate))}{below}</td>'


def _appliance_section(finding: ApplianceFinding, house: House) -> str:
    remarks = "".join(f"<li>{escape(remark)}</li>" for remark in finding.remarks)
    return f"""<section>
<h2>{escape(finding.appliance)}</h2>
<p>{escape(_sentence(finding))}</p>
{_appliance_figure(finding, house)}
{f"<ul>{remarks}</ul>" if remarks else ""}
</section>"""


def _sentence(finding: ApplianceFinding) -> str:
    hours = finding.cycles.rest.hours
    standby = (
        f"The bound on its standby is what these readings can tell over {hours:,.1f} h at rest."
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
        f"±{spread} kWh is the spread of days and ±{clamp} kWh the clamp, added in squares."
    )


def _appliance_figure(finding: ApplianceFinding, house: House) -> str:
    day = typical_day(finding.cycles, house.timezone)
    if day is None:
        trace = house.trace(finding.circuit)
        if not len(trace):
            return "<p>No readings to draw.</p>"
        figure, (axes,) = _figure(1)
        plot_daily_energy(trace, timezone=house.timezone, title="Energy by day", ax=axes)
        return _image(figure, f"Bars: energy of {finding.appliance} on each day, in kWh.")
    trace = house.trace(finding.circuit, *day)
    figure, (above, below) = _figure(2)
    local = day[0].tz_convert(zone_of(house.timezone))
    title = f"{local:%A} {local.day} {local:%B %Y}:\na day with as many runs as any"
    plot_runs(trace, finding.cycles, timezone=house.timezone, title=title, ax=above)
    plot_run_energies(finding.cycles, timezone=house.timezone, title="All runs", ax=below)
    alternative = (
        f"Above: power of {finding.appliance} over {local:%Y-%m-%d}, a day with as many runs as "
        "any, in watts, with its runs shaded. Below: energy of every run, in kWh, over the whole "
        "log."
    )
    return _image(figure, alternative)


def _house_figure(findings: Findings) -> str:
    if not findings.appliances:
        return "<p>No readings to draw.</p>"
    figure = Figure(figsize=(9, 1.4 + 0.34 * len(findings.appliances)), layout="constrained")
    plot_house_energy(findings, ax=figure.subplots())
    sentences = " ".join(finding_sentence(finding) for finding in findings.appliances)
    return _image(figure, f"Bars: kWh per day of each appliance. {sentences}")


def _figure(rows: int) -> tuple[Figure, list]:
    figure = Figure(figsize=(9, 2.9 * rows), layout="constrained")
    return figure, list(figure.subplots(rows, 1, squeeze=False)[:, 0])


def _image(figure: Figure, alternative: str) -> str:
    file = BytesIO()
    FigureCanvasAgg(figure)
    figure.savefig(file, format="png", dpi=DOTS_PER_INCH)
    data = b64encode(file.getvalue()).decode("ascii")
    return f'<figure><img src="data:image/png;base64,{data}" alt="{escape(alternative)}"></figure>'
