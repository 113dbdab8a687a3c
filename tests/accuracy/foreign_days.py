"""How often intervals hold the truth in short and long logs of processes that are not our own.

`python -m tests.accuracy.foreign_days`. Days and runs are drawn straight from stochastic processes,
none of which `homeenergy.simulate` has: days that follow an autoregression, weekdays, Poisson uses
with lognormal energies, an evening's habit. The truth is the expected value of the process. Only a
draw at rest is drawn as samples. Seeds of the table are those of the cell and of the draw.
"""

from __future__ import annotations

import argparse
import sys
from collections.abc import Callable, Sequence
from concurrent.futures import ProcessPoolExecutor

import numpy as np
import pandas as pd

from homeenergy.cycles import find_cycles
from homeenergy.findings import before_after, compare
from homeenergy.findings.days import energy_per_day
from homeenergy.readings import Trace
from homeenergy.stats.means import mean_of_runs

from .keep import keep

LENGTHS = (7, 14, 30, 90)
DRAWS = 400
MONDAY = pd.Timestamp("2026-01-05", tz="UTC")
Held = tuple[bool, bool | None]  # whether the truth is held; whether a difference is seen in error


def autoregression(rng, n: int, r: float) -> np.ndarray:
    """Stationary first-order autoregression of variance 1."""
    z = rng.normal(size=n)
    for i in range(1, n):
        z[i] = r * z[i - 1] + np.sqrt(1 - r * r) * z[i]
    return z


def weekday(n: int) -> np.ndarray:
    return np.arange(n) % 7


# Days: energy of the quarters of each day [kWh], shape (n, 4), and the expected day. ------------


def cool_room(rng, n):
    """A refrigerator whose room changes over days; each quarter has its own noise."""
    level = 1 + 0.12 * autoregression(rng, n, 0.6)
    return 0.3 * (level[:, None] + 0.1 * rng.normal(size=(n, 4))), 1.2


def office(rng, n):
    """Weekdays at work and weekends at home, most of it by day."""
    share = np.array([0.1, 0.35, 0.35, 0.2])
    mean = np.where(weekday(n) < 5, 2.0, 3.4)
    return mean[:, None] * share * np.exp(0.25 * rng.normal(size=(n, 4)) - 0.25**2 / 2), 2.4


def washing(rng, n):
    """0.75 uses a day on average, at any hour of the day, lognormal."""
    out = np.zeros((n, 4))
    for day, quarter in np.ndindex(n, 4):
        for _ in range(rng.poisson(0.75 * (0.05, 0.35, 0.35, 0.25)[quarter])):
            out[day, quarter] += 0.8 * np.exp(0.35 * rng.normal() - 0.35**2 / 2)
    return out, 0.6


def evenings(rng, n):
    """A use each evening whose length follows the days before."""
    habit = np.exp(0.4 * autoregression(rng, n, 0.5) - 0.4**2 / 2)
    out = np.full((n, 4), 0.05)
    out[:, 3] += 0.5 * habit
    return out, 0.7


def heating(rng, n):
    """A load that follows weather of a lag-1 correlation of 0.7, with noise of its own."""
    level = 6 + 1.5 * autoregression(rng, n, 0.7)[:, None]
    return (level + 1.6 * rng.normal(size=(n, 4))) / 4, 6.0


DAYS = {f.__name__: f for f in (cool_room, office, washing, evenings, heating)}


def kwh_per_day(rng, n: int, kind: str) -> Held:
    parts, truth = DAYS[kind](rng, n)
    day = pd.date_range(MONDAY, periods=n)
    table = pd.DataFrame({"day": day, "kwh": parts.sum(axis=1), "covered_h": 24.0, "day_h": 24.0})
    found = energy_per_day(table, parts=parts)
    return bool(found.low <= truth <= found.high), None


# Runs: their day and energy [kWh], and the expected energy of a run. ----------------------------


def separate_runs(rng, n, mean=0.5, rate=0.8, sd=0.3, shared=None):
    """Poisson uses, lognormal, independent of one another."""
    day = np.repeat(np.arange(n), rng.poisson(rate, n))
    kwh = mean * np.exp(sd * rng.normal(size=day.size) - sd**2 / 2)
    return day, kwh if shared is None else kwh * shared[day]


def runs_of_days(rng, n, mean=0.5, rate=3.0, r=0.5, sd=0.2):
    """Several runs a day, which share what the day is like; days follow one another."""
    shared = np.exp(sd * autoregression(rng, n, r) - sd**2 / 2)
    return separate_runs(rng, n, mean, rate, 0.2, shared)


def two_sorts(rng, n, mean=0.5, rate=0.9):
    """A short and a long programme, mixed at random; weekends have twice as many."""
    each = rng.poisson(rate * np.where(weekday(n) < 5, 7 / 9, 14 / 9))
    day = np.repeat(np.arange(n), each)
    long = rng.random(day.size) < 0.4
    kwh = mean * np.where(long, 1.75, 0.5) * np.exp(0.1 * rng.normal(size=day.size) - 0.005)
    return day, kwh


RUNS = {f.__name__: f for f in (separate_runs, runs_of_days, two_sorts)}


def kwh_per_run(rng, n: int, kind: str) -> Held | None:
    day, kwh = RUNS[kind](rng, n)
    if kwh.size < 2:
        return None
    found = mean_of_runs(kwh, day)
    return bool(found.low <= 0.5 <= found.high), None


def difference(rng, n: int, kind: str) -> Held | None:
    """Two programmes of one appliance, the same in half of the draws."""
    same = rng.random() < 0.5
    mean = 0.5 if same else 0.8
    if kind == "one day, one programme":
        (day_a, a), (day_b, b) = separate_runs(rng, n, 0.5), separate_runs(rng, n, mean, 0.5)
    else:
        shared = np.exp(0.2 * autoregression(rng, n, 0.5) - 0.02)
        day_a, a = separate_runs(rng, n, 0.5, 1.2, 0.2, shared)
        day_b, b = separate_runs(rng, n, mean, 0.8, 0.2, shared)
    if min(a.size, b.size) < 3:
        return None
    found = compare(a, b, day_a=day_a, day_b=day_b)
    held = found.difference.low <= 0.5 - mean <= found.difference.high
    return bool(held), bool(found.differs) if same else None


def change(rng, n: int, kind: str) -> Held | None:
    """Before and after a known day; nothing changed in half of the draws."""
    if n < 14:
        return None
    r = {"independent": 0.0, "rho 0.4": 0.4, "rho 0.7": 0.7}[kind]
    same = rng.random() < 0.5
    size = 0.0 if same else -2.0
    split = n // 2
    kwh = 6 + 1.2 * autoregression(rng, n, r) + 0.8 * (weekday(n) > 4)
    kwh = kwh + size * (np.arange(n) >= split)
    days = pd.date_range(MONDAY, periods=n, tz="UTC")
    found = before_after(pd.Series(kwh, index=days), at=days[split].date())
    held = found.size_kwh.low <= size <= found.size_kwh.high
    return bool(held), bool(found.shown) if same else None


def standby(rng, n: int, kind: str) -> Held | None:
    """A television whose draw at rest changes from day to day, one sample a minute."""
    truth, slow = {"steady": (8.0, 0.0), "wanders": (8.0, 0.4)}[kind]
    level = truth + slow * autoregression(rng, n, 0.5)
    watts = np.repeat(level, 1440) + 0.5 * rng.normal(size=1440 * n)
    for day in range(n):
        at = day * 1440 + 1140 + int(rng.integers(0, 60))
        watts[at : at + int(rng.integers(60, 180))] += 90 + 10 * rng.normal()
    trace = Trace(
        label="tv", start=MONDAY, period_s=60.0, watts=np.round(watts, 1).astype(np.float32)
    )
    found = find_cycles(trace, kind="manual").standby
    return bool(found.low <= truth <= found.high), None


FIGURES: dict[str, tuple[Callable[..., Held | None], Sequence[str]]] = {
    "kWh/day": (kwh_per_day, list(DAYS)),
    "kWh/run": (kwh_per_run, list(RUNS)),
    "programmes": (difference, ["one day, one programme", "shared days"]),
    "before/after": (change, ["independent", "rho 0.4", "rho 0.7"]),
    "standby": (standby, ["steady", "wanders"]),
}
CELLS = [
    (figure, kind, days)
    for figure, (_, kinds) in FIGURES.items()
    for kind in kinds
    for days in LENGTHS
    if not (figure == "before/after" and days < 14)
]


def cell(figure: str, kind: str, days: int, draws: int = DRAWS, seed: int = 0) -> dict[str, object]:
    """One row: how many draws, how many held, how many of those without difference seemed one."""
    held, seen = [], []
    name = sum(map(ord, figure + kind))
    for k in range(draws):
        got = FIGURES[figure][0](np.random.default_rng([seed, name, days, k]), days, kind)
        if got is not None:
            held.append(got[0])
            seen += [] if got[1] is None else [got[1]]
    return {
        "figure": figure,
        "kind": kind,
        "days": days,
        "draws": len(held),
        "held": float(np.mean(held)) if held else np.nan,
        "without_difference": len(seen),
        "seen_in_error": float(np.mean(seen)) if seen else np.nan,
    }


def measure(draws: int = DRAWS, seed: int = 0, figures: Sequence[str] = ()) -> pd.DataFrame:
    cells = [c for c in CELLS if not figures or c[0] in figures]
    with ProcessPoolExecutor(2) as pool:
        rows = pool.map(cell, *zip(*((*c, draws, seed) for c in cells), strict=True))
        return pd.DataFrame(list(rows))


def report(table: pd.DataFrame) -> str:
    """Shares by cell, and their means by figure."""
    lines = [
        "`python -m tests.accuracy.foreign_days`. Share of the intervals that hold the truth [%], "
        f"of {DRAWS} drawn logs each (fewer where a short log has too few runs); in brackets, how "
        "many of those without a difference, or a change, were said to have one [%].",
        "",
        f"| figure | process | {' | '.join(f'{days} days' for days in LENGTHS)} |",
        f"|---|---|{'---|' * len(LENGTHS)}",
    ]
    for (figure, kind), rows in table.groupby(["figure", "kind"], sort=False):
        by_days = {int(row.days): row for row in rows.itertuples()}
        lines.append(f"| {figure} | {kind} | {' | '.join(_cell(by_days, d) for d in LENGTHS)} |")
    lines += ["", "| figure | mean % | least | greatest | in error % |", "|---|---|---|---|---|"]
    for figure, rows in table.groupby("figure", sort=False):
        many = rows["without_difference"]
        wrong = (rows["seen_in_error"] * many).sum() / many.sum() if many.sum() else np.nan
        error = "" if np.isnan(wrong) else f"{100 * wrong:.1f}"
        shares = 100 * rows["held"]
        ends = f"{shares.min():.1f} | {shares.max():.1f}"
        lines.append(f"| {figure} | {shares.mean():.1f} | {ends} | {error} |")
    return "\n".join(lines)


def _cell(by_days: dict[int, object], days: int) -> str:
    if days not in by_days:
        return ""
    row = by_days[days]
    error = "" if np.isnan(row.seen_in_error) else f" ({100 * row.seen_in_error:.0f})"
    return f"{100 * row.held:.1f}{error}"


def main(arguments: Sequence[str] | None = None) -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seed", type=int, default=51_000)
    parser.add_argument("--draws", type=int, default=DRAWS)
    parser.add_argument("--figure", action="append", default=[])
    parser.add_argument("--csv", help="write the table there, and keep nothing")
    options = parser.parse_args(arguments)
    table = measure(options.draws, options.seed, options.figure)
    text = report(table)
    sys.stdout.write(f"{text}\n")
    if options.csv:
        table.to_csv(options.csv, index=False)
    else:
        keep("foreign_days", title="Short and long logs", text=text, figures=table)


if __name__ == "__main__":
    main()
