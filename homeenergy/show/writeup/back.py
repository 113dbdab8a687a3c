"""Method and sources, limits, what the document rests on, and every run."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

import pandas as pd

from homeenergy.findings.appliance.record import ApplianceFinding
from homeenergy.show.document.blocks import Block, Bullets, Heading, Prose, Table
from homeenergy.show.document.page import SAFETY
from homeenergy.show.writeup.basis import Basis, grid

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
    "Cost per year is the cost of the measured days times 365 over their number; standing charges "
    "are left out. It is not corrected for the season unless a part says so.",
)
LIMITS = (
    "Two appliances on one circuit appear as one.",
    "A few weeks are not a year: weather, holidays and guests were those of the days measured.",
    "Which stretches form one run is a judgement{settings}.",
    "A clamp cannot measure a draw below its resolution; there, a bound is given and not a value.",
)
RUNS_ABREAST = 3


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
    ).astype(str)
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


def run_blocks(basis: Basis) -> tuple[Block, ...]:
    """Appendix: every run of every appliance."""
    blocks: list[Block] = [Heading(text="Appendix: every run", new_page=True)]
    with_runs = [f for f in basis.measured if len(f.cycles.table)]
    if not with_runs:
        return (*blocks, Prose(text="No run was found."))
    blocks.append(Prose(text="Local times of the start. A star marks an incomplete run."))
    return (*blocks, *(_runs(basis, finding) for finding in with_runs))


def _runs(basis: Basis, finding: ApplianceFinding) -> Table:
    table = finding.cycles.table
    start = table["start"].dt.tz_convert(basis.zone)
    cells = [
        (f"{when:%Y-%m-%d %H:%M}{'' if whole else ' *'}", f"{s / 60:.1f}", f"{wh / 1000:.3f}")
        for when, s, wh, whole in zip(
            start, table["duration_s"], table["energy_wh"], table["complete"], strict=True
        )
    ]
    # Read down the first column, then the second, as in a telephone book.
    height = -(-len(cells) // RUNS_ABREAST)
    cells += [("", "", "")] * (height * RUNS_ABREAST - len(cells))
    rows = tuple(
        tuple(text for part in range(RUNS_ABREAST) for text in cells[part * height + line])
        for line in range(height)
    )
    return Table(
        head=("start", "min", "kWh") * RUNS_ABREAST,
        rows=rows,
        caption=f"{finding.appliance}: {len(table):,} runs.",
        numeric=frozenset(i for i in range(3 * RUNS_ABREAST) if i % 3),
        sheet=f"runs {finding.circuit}",
        data=table.assign(start=start, end=table["end"].dt.tz_convert(basis.zone)),
    )
