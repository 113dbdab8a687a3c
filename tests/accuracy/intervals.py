"""How often stated 95 % intervals contain the truth: `python -m tests.accuracy.intervals`.

Every house is worked on as a person would: logs are imported, the clamps compared on the bench,
what `homeenergy check` says is written into house.toml, and the findings are taken. The table goes
to standard output and into `results/`. Nothing is developed on these seeds; seeds from 1001 to 1999
are for looking.
"""

from __future__ import annotations

import argparse
import os
import sys
import tempfile
import time
from collections.abc import Iterable
from concurrent.futures import ProcessPoolExecutor
from functools import partial
from pathlib import Path

import numpy as np
import pandas as pd
from scipy.stats import beta

from homeenergy.findings import house_findings
from homeenergy.readings import import_logs, open_house
from homeenergy.stats.estimate import Estimate
from homeenergy.trust import check_house

from .interval_houses import DAYS, REFERENCE_ACCURACY, draw_house, house_toml
from .keep import keep

SEEDS = range(13501, 15001)
LEAST, MOST = 0.93, 0.97
GUARANTEED = "meter ratio, guaranteed bounds"
ALL = ", all circuits"
BOUNDS = ("standby, bounds", GUARANTEED)

# Why a share is as it is, for rows outside of 93 to 97 %, and guaranteed bounds that do not hold.
WHY = {
    "meter ratio": "A gap in the log may hide more than the log shows anywhere in as long a time; "
    "then what is missing is more than its bound.",
    "cool room": "Its power follows a room that is warm or cool for days, and 14 days do "
    "not show well how autocorrelated days are.",
    "television": "One use an evening: neither runs nor quarters of a day show that days are "
    "independent, so more autocorrelation is allowed for than most of these houses have.",
    "kWh per run, washer": "Some five to twelve runs of two programmes: Student's t expects 93 % "
    "here, because in 3 % of houses one programme was never seen.",
    "kWh per run": "14 days of several runs show only roughly that days have no effect of their "
    "own, and two constant errors, of readings and clamp, are allowed for besides the "
    "multiplier's.",
    "kWh per day": "Wider than needed where days are independent: 14 of them cannot show that they "
    "are, so autocorrelation is allowed for, as are two constant errors, of readings and "
    "clamp.",
    "standby": "How far rounding to whole watts averages out is estimated from the readings at "
    "rest, and where these never change it is not known.",
    "multiplier, house.toml": "The uncertainty is rounded up.",
    "multiplier, bench": "The error of the one reference meter, uniform within its accuracy, is "
    "most of it.",
}

Case = tuple[str, bool, float, bool | None]
"""Row of the table, whether the interval holds the truth, half width over truth, whether days have
something of their own (None where that does not matter)."""


def study_house(seed: int, *, offsets: str = "allowed") -> list[Case]:
    """All intervals that are stated for one house; `offsets` as in `draw_house`."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        true = draw_house(folder, seed=seed, offsets=offsets)
        import_logs(folder)
        first = open_house(folder)
        check = check_house(first, reference_accuracy=REFERENCE_ACCURACY)
        cases: list[Case] = []
        clamps = {}
        # One reference errs alike on all circuits: one of them a house, so that cases are
        # independent.
        compared = list(true.loads)[seed % len(true.loads)]
        for bench in check.bench:
            load = true.loads[bench.circuit]
            if bench.circuit == compared:
                cases += _case("multiplier, bench", bench.multiplier, load.multiplier)
            clamps[bench.circuit] = bench.line_for(first.circuit(bench.circuit).clamp)
        (folder / "house.toml").write_text(house_toml(true.loads, clamps=clamps))
        house = open_house(folder)
        clamp = house.circuit(compared).clamp
        off = abs(true.loads[compared].multiplier / clamp.multiplier - 1)
        stated = clamp.uncertainty
        cases.append(("multiplier, house.toml", bool(off <= stated), stated, None))
        for found in house_findings(house, workers=1).appliances:
            load, what = true.loads[found.circuit], found.circuit.replace("_", " ")
            cases += _case(f"kWh per run, {what}", found.run_kwh, load.run_kwh, load.alike)
            cases += _case(f"kWh per day, {what}", found.kwh_per_day, load.kwh_per_day, load.alike)
            which = "standby" if found.standby_w.resolved else "standby, bounds"
            cases += _case(which, found.standby_w, load.standby_w)
    if check.meter is not None:
        ratio = check.meter.ratio
        holds = check.meter.fits_all and ratio.low <= true.meter_over_log <= ratio.high
        cases.append((GUARANTEED, holds, (ratio.high - ratio.low) / 2, None))
    return cases


def _case(row: str, stated: Estimate, truth: float, alike: bool | None = None) -> Iterable[Case]:
    """Whether a stated interval holds the truth; none is stated where its ends are not known."""
    if not np.isfinite([stated.low, stated.high]).all():
        return []
    half = (stated.high - stated.low) / 2
    return [(row, bool(stated.low <= truth <= stated.high), half / truth, alike)]


def measure(seeds: Iterable[int], *, offsets: str = "allowed") -> pd.DataFrame:
    """Cases of all houses; two processes at a time."""
    one = partial(study_house, offsets=offsets)
    with ProcessPoolExecutor(min(2, os.cpu_count() or 1)) as pool:
        cases = [case for house in pool.map(one, seeds, chunksize=5) for case in house]
    return pd.DataFrame(cases, columns=["row", "holds", "half", "alike"])


def shares(cases: pd.DataFrame) -> pd.DataFrame:
    """One row a figure: intervals, share that holds the truth with its own interval, verdict.

    Energies of all circuits together come as a row too.
    """
    energies = cases[cases["row"].str.startswith("kWh")]
    together = energies["row"].str.replace(r",.*", ALL, regex=True)
    cases = pd.concat([cases, energies.assign(row=together)], ignore_index=True)
    table = cases.groupby("row").agg(
        n=("holds", "size"), hits=("holds", "sum"), half=("half", "median")
    )
    table["share"] = table["hits"] / table["n"]
    misses = table["n"] - table["hits"]
    # Clopper & Pearson 1934.
    table["low"] = np.where(table["hits"] > 0, beta.ppf(0.025, table["hits"], misses + 1), 0.0)
    table["high"] = np.where(misses > 0, beta.ppf(0.975, table["hits"] + 1, misses), 1.0)
    for name, alike in (("unlike", False), ("alike", True)):
        table[name] = cases[cases["alike"] == alike].groupby("row")["holds"].mean()
    table["verdict"] = [_verdict(str(row), share) for row, share in table["share"].items()]
    return table.sort_index()


def _verdict(row: str, share: float) -> str:
    """Judge a share as it is printed, to a tenth of a per cent."""
    share = round(share, 3)
    if share < LEAST:
        return "**too few**"
    if row in BOUNDS:
        return "bound"
    return "more than stated" if share > MOST else "as stated"


def report(cases: pd.DataFrame, usual: pd.DataFrame, *, houses: int) -> str:
    """The table in Markdown, with what it rests on; `usual` are cases with the usual offsets."""
    lines = [
        f"{houses} simulated houses of {DAYS} days (seeds not used while developing), each drawn "
        "anew: five circuits with their habits, clamps with errors of ratio, offset and noise "
        "logged in whole watts, gaps, a mains clamp, a bench comparison with one reference meter "
        f"good to {REFERENCE_ACCURACY:.0%}, and a utility meter read once a day. What `homeenergy "
        "check` then says of the bench is written into house.toml. The truth is the expected value "
        "of the process that draws runs and days, not the mean of those drawn. In half of the "
        "cases days have no effect of their own; in the others a part of any strength is "
        "correlated with that of the day before, by up to 0.9: of the fridge its power, of washer "
        "and "
        "kettle the chance of a use, of the television how long an evening it runs. The cool room "
        "always has one, of 0.6. In brackets: the interval of the share from so many houses (a "
        "little wider where all circuits are together, which share a reference meter). The offset "
        "of a "
        "clamp is anywhere within half a step of a 12-bit converter over the clamp's range, which "
        "is what intervals allow for before the bench shows more; in the last column offsets are "
        "the smaller ones of the sample houses. Made by `python -m tests.accuracy.intervals`.",
        "",
        "| figure | intervals | hold the truth % | half width %, median | 93 to 97 %? | "
        "independent days: hold % | autocorrelated days: hold % | usual offsets: hold % |",
        "|---|---:|---:|---:|---|---:|---:|---:|",
    ]
    table, with_usual = shares(cases), shares(usual)
    for row, s in table.iterrows():
        share = f"{100 * s['share']:.1f} ({100 * s['low']:.1f}–{100 * s['high']:.1f})"
        others = (s["unlike"], s["alike"], with_usual["share"].get(row, np.nan))
        parts = " | ".join("" if pd.isna(one) else f"{100 * one:.1f}" for one in others)
        half = f"{100 * s['half']:.2g}"
        lines.append(f"| {row} | {s['n']} | {share} | {half} | {s['verdict']} | {parts} |")
    return "\n".join([*lines, "", *reasons(table)])


def reasons(table: pd.DataFrame) -> list[str]:
    """Why rows lie outside of 93 to 97 %, or are no bounds, each reason once."""
    outside = ~table["verdict"].isin(["as stated", "bound"])
    broken = (table.index == GUARANTEED) & (table["share"] < 1)
    rows = [str(row) for row in table.index[outside | broken]]
    found: dict[str, list[str]] = {}
    for row in rows:
        why = next(text for part, text in WHY.items() if part in row)
        found.setdefault(why, []).append(row)
    return [f"- {'; '.join(which)}: {why}" for why, which in found.items()]


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--print-only", action="store_true", help="leave results/ as it is")
    parser.add_argument("--seeds", type=int, nargs=2, metavar=("FIRST", "STOP"), help="for looking")
    given = parser.parse_args()
    seeds = range(*given.seeds) if given.seeds else SEEDS
    begun = time.perf_counter()
    cases, usual = measure(seeds), measure(seeds, offsets="usual")
    text = report(cases, usual, houses=len(seeds))
    sys.stdout.write(text + "\n")
    if not given.print_only and not given.seeds:
        figures = shares(cases).assign(usual=shares(usual)["share"]).reset_index(names="figure")
        keep(
            "intervals",
            title="How often 95 % intervals hold the truth",
            text=text,
            figures=figures,
        )
    sys.stderr.write(f"measured in {time.perf_counter() - begun:.0f} s\n")


if __name__ == "__main__":
    main()
