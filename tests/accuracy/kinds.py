"""How often the inferred kind of an appliance is right: `python -m tests.accuracy.kinds`.

Each rule that tells a kind (`homeenergy.cycles.runs.find.OUTCOMES`) says how often it is right.
That is measured here over logs of many types of appliance, which weigh the same: randomised ones,
those of the catalogue, and the real days that are kept with the tests. Held out: each type by the
counts of all others, and randomised logs of seeds that nothing was made with.
"""

from __future__ import annotations

import os
import sys
import warnings
from concurrent.futures import ProcessPoolExecutor
from itertools import pairwise

import numpy as np
import pandas as pd

from homeenergy.cycles.runs.bridging import find_fragments
from homeenergy.cycles.runs.find import OUTCOMES, deciding_rule
from homeenergy.cycles.runs.levels import above_second_rest, find_levels
from homeenergy.cycles.segment.plateaus import consecutive, segment
from homeenergy.readings.trace import Trace
from homeenergy.simulate import simulate_appliance
from homeenergy.simulate.appliances.catalogue import APPLIANCES
from homeenergy.simulate.randomised.log import randomised_log
from homeenergy.simulate.randomised.uses import STYLES

from .keep import keep
from .labelled import as_stored
from .real_days import kept_rows, word

KIND_OF_STYLE = {"programmes": "batch", "thermostat": "thermostatic", "never_off": "continuous"}
KIND_OF_REAL = {
    "refrigerator": "thermostatic",
    "freezer": "thermostatic",
    "dishwasher": "batch",
    "washing_machine": "batch",
    "dryer": "batch",
}
SEEDS, HELD_OUT_SEEDS = range(1, 21), range(20_001, 20_021)
PERIODS_S = (None, 10.0)
CATALOGUE_SEEDS, CATALOGUE_PERIODS_S, CATALOGUE_DAYS = range(3), (10.0, 60.0), 5
# Jeffreys' prior of a share: half of each before anything is counted.
PRIOR = 0.5
BOUNDS = (0.0, 0.5, 0.7, 0.8, 1.0)


def rule_of(trace: Trace) -> str:
    """The rule that tells the kind of what a trace shows."""
    plateaus = segment(
        consecutive(trace), noise_w=None, penalty_w2=None, long_gap_s=None, fine=False
    )
    levels = above_second_rest(plateaus, find_levels(plateaus))
    return deciding_rule(plateaus, find_fragments(plateaus, levels), idle_w=levels.idle_w)


def _randomised(cell: tuple[str, int, float | None]) -> dict[str, str]:
    style, seed, period_s = cell
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        trace = as_stored(randomised_log(seed=seed, style=style).rows, period_s=period_s)
        rule = rule_of(trace)
    return {"type": f"randomised {style}", "kind": KIND_OF_STYLE.get(style, "manual"), "rule": rule}


def _catalogue(cell: tuple[str, int, float]) -> dict[str, str]:
    name, seed, period_s = cell
    made = simulate_appliance(
        name, days=CATALOGUE_DAYS, seed=seed, period_s=period_s, noise_w=1.0, resolution_w=1.0
    )
    return {"type": f"simulated {name}", "kind": APPLIANCES[name][0], "rule": rule_of(made.trace)}


def _real() -> list[dict[str, str]]:
    rows = []
    for (appliance, _), watts in kept_rows().items():
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            rule = rule_of(Trace.from_series(watts))
        kind = KIND_OF_REAL.get(word(appliance), "manual")
        rows.append({"type": f"real {word(appliance)}", "kind": kind, "rule": rule})
    return rows


def randomised_logs(seeds: range) -> pd.DataFrame:
    """One row a log: its type, its kind, and the rule that decides."""
    cells = [
        (style, seed, period_s) for style in STYLES for seed in seeds for period_s in PERIODS_S
    ]
    with ProcessPoolExecutor(min(2, os.cpu_count() or 1)) as pool:
        return pd.DataFrame(pool.map(_randomised, cells, chunksize=4))


def all_logs() -> pd.DataFrame:
    """Randomised logs, those of the catalogue, and the kept real days."""
    cells = [(n, s, p) for n in APPLIANCES for s in CATALOGUE_SEEDS for p in CATALOGUE_PERIODS_S]
    others = [_catalogue(cell) for cell in cells] + _real()
    return pd.concat([randomised_logs(range(SEEDS.start, SEEDS.stop)), pd.DataFrame(others)])


def weighed(logs: pd.DataFrame) -> pd.DataFrame:
    """Logs with whether their rule is right, and their weight: all types weigh the same."""
    right = logs["kind"] == logs["rule"].map(lambda rule: OUTCOMES[rule].kind)
    weight = 1 / logs.groupby("type")["kind"].transform("size")
    return logs.assign(right=right, weight=weight)


def shares(logs: pd.DataFrame) -> pd.DataFrame:
    """By rule: weight of all logs, of those it tells rightly, and the share (Jeffreys' rule)."""
    by = logs.assign(right=logs["right"] * logs["weight"]).groupby("rule")
    table = by[["weight", "right"]].sum().reindex(list(OUTCOMES), fill_value=0.0)
    table["share"] = (table["right"] + PRIOR) / (table["weight"] + 2 * PRIOR)
    table["logs"] = by.size().reindex(table.index, fill_value=0)
    return table


def left_out(logs: pd.DataFrame) -> pd.Series:
    """Probability that each log's rule is right, by the logs of all other types."""
    said = pd.Series(np.nan, index=logs.index)
    for name in logs["type"].unique():
        own = logs["type"] == name
        said[own] = logs.loc[own, "rule"].map(shares(logs[~own])["share"])
    return said


def calibration(said: pd.Series, logs: pd.DataFrame) -> pd.DataFrame:
    """By what is said: the mean of it, and the share that is right, types weighing the same."""
    rows = []
    for low, high in pairwise(BOUNDS):
        of = (said > low) & (said <= high)
        if not of.any():
            continue
        w = logs.loc[of, "weight"]
        rows.append(
            {
                "said": f"{low:g} to {high:g}",
                "logs": int(of.sum()),
                "mean_said": float(np.average(said[of], weights=w)),
                "right": float(np.average(logs.loc[of, "right"], weights=w)),
            }
        )
    return pd.DataFrame(rows)


def _table(rows: pd.DataFrame, heads: tuple[str, ...]) -> list[str]:
    lines = ["| " + " | ".join(heads) + " |", "|---" + "|---:" * (len(heads) - 1) + "|"]
    for row in rows.itertuples(index=False):
        cells = (f"{v:.2f}" if isinstance(v, float) else str(v) for v in row)
        lines.append("| " + " | ".join(cells) + " |")
    return [*lines, ""]


def main() -> int:
    """Write the page and the figures."""
    logs = weighed(all_logs().reset_index(drop=True))
    new = weighed(randomised_logs(range(HELD_OUT_SEEDS.start, HELD_OUT_SEEDS.stop)))
    by_rule = shares(logs)
    figures = by_rule.reset_index()[["rule", "logs", "weight", "right", "share"]]
    figures.insert(1, "kind", [OUTCOMES[rule].kind for rule in figures["rule"]])
    heads = ("what is said", "logs", "mean of it", "right")
    text = [
        f"{len(logs):,} logs of {logs['type'].nunique()} types of appliance, each type weighing "
        f"the same: randomised (seeds {SEEDS.start} to {SEEDS.stop - 1}), simulated, and the real "
        "days kept with the tests. Lamps, kettles, televisions and what else a person switches "
        "count as manual. The share is what `kind_sure` says: right over all by weight, with half "
        "of each before anything is counted (Jeffreys' rule). "
        "Made by `python -m tests.accuracy.kinds`.",
        "",
        *_table(figures, ("rule", "kind", "logs", "weight", "right", "share")),
        "## Each type by the counts of all others",
        "",
        *_table(calibration(left_out(logs), logs), heads),
        f"## Randomised logs of seeds {HELD_OUT_SEEDS.start} to {HELD_OUT_SEEDS.stop - 1}",
        "",
        *_table(calibration(new["rule"].map(by_rule["share"]), new), heads),
    ]
    page, _ = keep(
        "kinds",
        title="How often an inferred kind is right",
        text="\n".join(text).rstrip(),
        figures=figures,
    )
    sys.stdout.write(page.read_text(encoding="utf-8"))
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
