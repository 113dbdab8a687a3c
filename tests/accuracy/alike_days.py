"""How often means of days hold the truth, by how alike days are.

`python -m tests.accuracy.alike_days`. Days are made of four quarters with noise and a part of their
own, which is like that of the day before. The table goes to standard output and into
`results/`.
"""

from __future__ import annotations

import sys
from concurrent.futures import ProcessPoolExecutor

import numpy as np
import pandas as pd

from homeenergy.stats.means import mean_of_days

from .interval_houses import like_the_day_before
from .keep import keep

LENGTHS = (14, 30, 60, 180)
# Standard deviation of the days' own part, where that of a quarter's noise is 0.5, and its lag-1
# correlation.
PARTS = [(0.0, 0.0), (0.2, 0.3), (0.5, 0.3), (0.2, 0.6), (0.5, 0.6), (1.0, 0.6), (0.2, 0.8)]
PARTS += [(0.5, 0.8), (1.0, 0.8)]
SERIES = 2000


def placed(rng, where: str, *, days: int, own: float, r: float):
    """Four quarters of each day, shape (days, 4): their mean is 5, their own part and noise.

    `where` that comes from: "spread" over the day; "evening" alone, the rest is nothing; "hidden",
    the own part from the evening and noise from all quarters.
    """
    part = own * like_the_day_before(rng, r, days=days)[:, None]
    noise = 0.5 * rng.normal(size=(days, 4))
    evening = np.array([0.0, 0.0, 0.0, 4.0])
    if where == "spread":
        return 5 + part + noise
    if where == "hidden":
        return 5 + part * evening + noise
    return (5 + part + noise.mean(axis=1, keepdims=True)) * evening


def share_held(days: int, where: str, own: float, r: float, *, series: int = SERIES) -> float:
    """Share of the intervals that hold the true mean, which is 5."""
    rng = np.random.default_rng([days, round(1000 * own), round(1000 * r)])
    held = 0
    for _ in range(series):
        quarters = placed(rng, where, days=days, own=own, r=r)
        found = mean_of_days(quarters.mean(axis=1), parts=quarters)
        held += found.low <= 5 <= found.high
    return held / series


def measure() -> pd.DataFrame:
    """One row for each cell of the table: what was drawn, and the share that held."""
    rows = [(days, "spread") for days in LENGTHS]
    rows += [(days, where) for where in ("evening", "hidden") for days in (14, 60)]
    cases = [(*row, *part) for row in rows for part in PARTS]
    with ProcessPoolExecutor(2) as pool:
        held = list(pool.map(share_held, *zip(*cases, strict=True)))
    figures = pd.DataFrame(cases, columns=["days", "where", "own_sd", "correlation"])
    return figures.assign(series=SERIES, share_held=held)


def report(figures: pd.DataFrame) -> str:
    """The table in Markdown."""
    heads = ["none", *(f"{own:g}, {r:g}" for own, r in PARTS[1:])]
    lines = [
        f"Share of {SERIES} made series each that hold the true mean, in %. Quarters of a day have "
        "noise of standard deviation 0.5; above each column the standard deviation of the days' "
        'own part, and its lag-1 correlation. "Spread": that part is in all quarters; "evening": '
        'the load is in one quarter alone; "hidden": the part is in one quarter, noise in all. '
        "Made by `python -m tests.accuracy.alike_days`.",
        "",
        f"| days | where | {' | '.join(heads)} |",
        f"|---|---|{'---:|' * len(heads)}",
    ]
    for (days, where), row in figures.groupby(["days", "where"], sort=False):
        shares = " | ".join(f"{100 * share:.1f}" for share in row["share_held"])
        lines.append(f"| {days} | {where} | {shares} |")
    return "\n".join(lines)


if __name__ == "__main__":
    found = measure()
    text = report(found)
    sys.stdout.write(text + "\n")
    keep("alike_days", title="How often means of days hold the truth", text=text, figures=found)
