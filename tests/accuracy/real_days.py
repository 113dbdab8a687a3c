"""Runs of real appliances: `python -m tests.accuracy.real_days [--folder ../shared/real_days]`.

Thirty-five days are kept with the tests (`tests/cycles/real_days`). All 122 labelled days, among
weeks of others, are scored where their folder is there; every log then goes in by the front door,
a house made from its files, with nothing corrected by hand and no kind given.
"""

from __future__ import annotations

import argparse
import contextlib
import io
import sys
import tempfile
import warnings
from collections.abc import Callable, Iterator
from pathlib import Path

import numpy as np
import pandas as pd
import pyarrow.parquet as pq

from homeenergy.cycles import find_cycles
from homeenergy.readings import import_logs, new_house, open_house
from homeenergy.readings.trace import Trace

from .keep import keep
from .labelled import Tally, tally, ten_lines

ROOT = Path(__file__).parents[2]
KEPT = ROOT / "tests" / "cycles" / "real_days"
WHOLE = ROOT.parent / "shared" / "real_days"
DAY = pd.Timedelta(days=1)
COARSE_S = 10.0
Find = Callable[[Trace], pd.DataFrame]
Tallies = dict[tuple[str, str], Tally]
"""By appliance and day."""


def labels_of(folder: Path) -> dict[tuple[str, str], pd.DataFrame]:
    """Runs of each labelled day, as `tally` takes them; a day may have none."""
    days, runs = pd.read_csv(folder / "days.csv"), pd.read_csv(folder / "runs.csv")
    labels = {}
    for key in zip(days["appliance"], days["day"], strict=True):
        of = runs[(runs["appliance"] == key[0]) & (runs["day"] == key[1])]
        start, last = (
            pd.to_datetime(of[c], format="%Y-%m-%dT%H:%M:%S", utc=True) for c in ("start", "end")
        )
        labels[key] = pd.DataFrame(
            {
                "start": start,
                # Labels name the last sample; runs here are half-open.
                "end": last + pd.Timedelta(seconds=1),
                "energy_wh": of["energy_wh"],
                "arguable": (of["truncated"] == 1) | (of["ambiguous"] == 1),
            }
        ).sort_values("start", ignore_index=True)
    return labels


def kept_rows() -> dict[tuple[str, str], pd.Series]:
    """Watts of each day that is kept with the tests, by the logger's own stamps."""
    table = pq.read_table(KEPT / "rows.parquet").to_pandas()
    rows = {}
    for (appliance, day), of in table.groupby(["appliance", "day"], observed=True, sort=False):
        at_s = pd.to_timedelta(of["step_s"].cumsum().to_numpy(), unit="s")
        index = pd.Timestamp(day, tz="UTC") + at_s
        rows[(appliance, day)] = pd.Series(
            of["watts"].to_numpy(np.float64), index=index, name=appliance
        )
    return rows


def word(appliance: str) -> str:
    """What kind of thing an appliance is: its name without the number."""
    return appliance.rsplit("_", 1)[0]


def find(trace: Trace) -> pd.DataFrame:
    return find_cycles(trace).table


def one_day(truth: pd.DataFrame, found: pd.DataFrame, day: str) -> Tally:
    return tally(truth, found, start=pd.Timestamp(day, tz="UTC"), days=1)


def score_kept(*, period_s: float | None = None, find: Find = find) -> Tallies:
    """Score each kept day by itself, from its bare rows."""
    rows = kept_rows()
    return {
        key: one_day(truth, find(Trace.from_series(rows[key], period_s=period_s)), key[1])
        for key, truth in labels_of(KEPT).items()
    }


def by_front_door(folder: Path, houses: Path) -> Iterator[tuple[str, Trace]]:
    """Each appliance's whole log, imported as a house of one circuit."""
    for logs in sorted((folder / "logs").iterdir()):
        house = houses / logs.name
        with warnings.catch_warnings(), contextlib.redirect_stdout(io.StringIO()):
            warnings.simplefilter("ignore")
            new_house(house, logs=sorted(logs.glob("*.gz")), timezone="UTC")
            import_logs(house)
            opened = open_house(house)
        yield logs.name, opened.trace(opened.circuits[0].name)


def coarser(trace: Trace) -> Trace:
    """The same log with a reading every 10 s."""
    return Trace.from_series(trace.to_series().dropna(), period_s=COARSE_S, hold_s=30.0)


def score_whole(folder: Path = WHOLE) -> dict[str, Tallies]:
    """Score all labelled days in each of the ways that the page shows."""
    labels = labels_of(folder)
    ways: dict[str, Tallies] = {
        way: {}
        for way in ("whole log", "single days", "whole log, 10 s", "single days, 10 s", "ten lines")
    }
    with tempfile.TemporaryDirectory() as houses:
        for appliance, trace in by_front_door(folder, Path(houses)):
            days = [day for name, day in labels if name == appliance]
            for at, one in (("", trace), (", 10 s", coarser(trace))):
                table = find(one)
                for day in days:
                    truth, midnight = labels[(appliance, day)], pd.Timestamp(day, tz="UTC")
                    alone = one.between(midnight, midnight + DAY)
                    key = (appliance, day)
                    ways[f"whole log{at}"][key] = one_day(truth, table, day)
                    ways[f"single days{at}"][key] = one_day(truth, find(alone), day)
                    if not at:
                        ways["ten lines"][key] = one_day(truth, ten_lines(alone), day)
    return ways


def by_word(tallies: Tallies) -> dict[str, Tally]:
    """Days of one kind of thing together; those that have nothing to find are left out."""
    together: dict[str, Tally] = {}
    for (appliance, _), one in tallies.items():
        together.setdefault(word(appliance), Tally()).add(one)
    return {name: t for name, t in sorted(together.items()) if t.right + t.too_many + t.missing}


def macro_f1(tallies: Tallies) -> float:
    """Mean of F1 over kinds of things."""
    return float(np.mean([t.f1 for t in by_word(tallies).values()]))


def exact_days(tallies: Tallies) -> float:
    return float(np.mean([t.exact for t in tallies.values()]))


def report(ways: dict[str, Tallies], *, what: str) -> str:
    """The page: F1 of each kind of thing in each way, and the two figures of all."""
    lines = [
        f"{what} Labels read by eye; a run counts as found where intersection over union with the "
        "labelled one is at least 0.5; what is cut by midnight or could be read in two ways is not "
        'counted. No kind is given. "Ten lines" are those a person would write in pandas: 10 W '
        "above the most frequent level, bridge five minutes. Data: "
        "[real days](../../cycles/real_days/README.md), with their licence. Made by "
        "`python -m tests.accuracy.real_days`.",
        "",
        "Targets: F1 0.97 and 94 % of days exact with whole logs, 0.95 and 91 % with single days; "
        "no kind of appliance below 0.90; 10 s within 0.02.",
        "",
        "| F1 | days | runs | " + " | ".join(ways) + " |",
        "|---|---:|---:|" + "---:|" * len(ways),
    ]
    grouped = {way: by_word(t) for way, t in ways.items()}
    first = next(iter(grouped.values()))
    for name, t in first.items():
        cells = " | ".join(f"{grouped[way][name].f1:.3f}" for way in ways)
        lines.append(f"| {name.replace('_', ' ')} | {t.days} | {t.right + t.missing} | {cells} |")
    number = len(next(iter(ways.values())))
    runs = sum(t.right + t.missing for t in first.values())
    for what_, of in (("**mean**", macro_f1), ("**exact days**", exact_days)):
        cells = " | ".join(f"**{of(t):.3f}**" for t in ways.values())
        lines.append(f"| {what_} | {number} | {runs} | {cells} |")
    return "\n".join([*lines, "", *calibration(ways)])


# Bins of `sure`.
SURE = (0.0, 0.7, 0.9, 0.99, 1.0)


def calibration(ways: dict[str, Tallies]) -> list[str]:
    """How many runs are right, by how sure they are said to be, over all ways that say it."""
    runs = pd.DataFrame(
        [
            one
            for way, t in ways.items()
            if way != "ten lines"
            for d in t.values()
            for one in d.sure
        ],
        columns=["sure", "right"],
    )
    bins = pd.cut(runs["sure"], SURE, include_lowest=True)
    table = runs.groupby(bins, observed=True).agg(
        runs=("right", "size"), sure=("sure", "mean"), right=("right", "mean")
    )
    return [
        "How sure runs are said to be (`sure`), and how many of these runs are right:",
        "",
        "| sure | runs | mean of sure | right |",
        "|---|---:|---:|---:|",
        *(
            f"| to {at.right:.2g} | {one.runs:.0f} | {one.sure:.3f} | {one.right:.3f} |"
            for at, one in table.iterrows()
        ),
    ]


def in_rows(ways: dict[str, Tallies]) -> pd.DataFrame:
    """One row for each day and way."""
    return pd.DataFrame(
        [
            {
                "appliance": appliance,
                "day": day,
                "way": way,
                "right": t.right,
                "too_many": t.too_many,
                "missing": t.missing,
            }
            for way, tallies in ways.items()
            for (appliance, day), t in tallies.items()
        ]
    )


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--folder", type=Path, default=WHOLE, help="where all labelled days lie")
    parser.add_argument("--kept", action="store_true", help="only the days kept with the tests")
    parser.add_argument("--print-only", action="store_true", help="leave results/ as it is")
    chosen = parser.parse_args()
    if chosen.kept or not chosen.folder.exists():
        ways = {
            "single days": score_kept(),
            "single days, 10 s": score_kept(period_s=COARSE_S),
            "ten lines": score_kept(find=ten_lines),
        }
        what = f"{len(labels_of(KEPT))} real days of real appliances, each by itself."
    else:
        ways = score_whole(chosen.folder)
        what = f"{len(labels_of(chosen.folder))} real days of real appliances."
    text = report(ways, what=what)
    sys.stdout.write(text + "\n")
    for (appliance, day), t in next(iter(ways.values())).items():
        if t.too_many or t.missing:
            sys.stderr.write(f"{appliance} {day}: {t.right}, +{t.too_many}, -{t.missing}\n")
    if not chosen.print_only:
        keep("real_days", title="Runs of real appliances", text=text, figures=in_rows(ways))


if __name__ == "__main__":
    main()
