"""What each part of finding runs is worth: `python -m tests.accuracy.ablation`.

One part is left out at a time, over randomised logs of the seeds for developing and over the real
days that are kept with the tests.
"""

from __future__ import annotations

import argparse
import os
import sys
import warnings
from collections.abc import Callable
from concurrent.futures import ProcessPoolExecutor
from contextlib import ExitStack
from unittest.mock import patch

import numpy as np
import pandas as pd

from homeenergy.cycles.rest import never_at_rest
from homeenergy.cycles.runs import bridging, find, levels, partition
from homeenergy.cycles.segment.plateaus import consecutive, segment
from homeenergy.readings.trace import Trace
from homeenergy.simulate.randomised.log import randomised_log
from homeenergy.simulate.randomised.uses import STYLES

from .keep import keep
from .labelled import Tally, as_stored
from .randomised import PERIODS_S, score_log, together
from .real_days import KEPT, kept_rows, labels_of, one_day

SEEDS = (1, 20)
FIXED_PAUSE_S = 300.0
REAL = "real"


def _by_pause(pause_s: float) -> Callable:
    def runs(fragments: bridging.Fragments, *_: object, **__: object) -> tuple:
        return bridging.join_short(fragments, short_s=pause_s), np.ones(len(fragments))

    return runs


def _no_spike(moments: np.ndarray, *_: object, **__: object) -> np.ndarray:
    return np.zeros_like(moments)


PARTS: dict[str, list[tuple[object, str, object]]] = {
    "all": [],
    "likelihood of breaks: breaks of 40 s alone are bridged": [
        (find, "most_likely_runs", _by_pause(bridging.SHORT_S))
    ],
    "the same: breaks of 5 minutes are bridged": [
        (find, "most_likely_runs", _by_pause(FIXED_PAUSE_S))
    ],
    "likeness to other runs": [(partition, "MOST_KNOWN", 0)],
    "likeness of pieces to those inside other runs": [(partition, "MOST_PIECES", 0)],
    "breaks that a clock makes": [(partition, "OFTEN", np.inf)],
    "uses on one occasion": [(partition, "SOON_SHARE", 1e-6)],
    "several levels of rest": [(levels, "REST_SHARE", 0.0)],
    "a second level of rest between runs": [(find, "above_second_rest", lambda _, found: found)],
    "spikes": [(levels, "spikes_among", _no_spike), (find, "spikes_among", _no_spike)],
    "motors of a machine as work": [(find, "_with_motors", lambda fragments, *_, **__: fragments)],
    "slight runs": [(find, "_without_slight", lambda _, runs, **__: runs)],
    "runs through holes": [(find, "join_across_holes", lambda *_, **__: None)],
}
Tallies = dict[str, Tally]


def score_cell(cell: tuple[str, int, float | None]) -> Tallies:
    """What each variant finds in one randomised log, which is segmented once."""
    style, seed, period_s = cell
    log = randomised_log(seed=seed, style=style)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        trace = as_stored(log.rows, period_s=period_s)
    return _variants(trace, lambda found: score_log(log, found, period_s=trace.period_s))


def _variants(trace: Trace, score: Callable[[pd.DataFrame], Tally]) -> Tallies:
    pieces = consecutive(trace)
    plateaus = segment(pieces, noise_w=None, penalty_w2=None, long_gap_s=None, fine=False)
    found = {}
    for name, changes in PARTS.items():
        with ExitStack() as stack:
            # Rest does not bear on runs, and takes most of the time.
            stack.enter_context(
                patch.object(find, "idle_standby", lambda *_, **__: never_at_rest())
            )
            for module, attribute, value in changes:
                stack.enter_context(patch.object(module, attribute, value))
            found[name] = score(find.cycles_of_plateaus(plateaus, pieces).table)
    return found


def score_real() -> list[Tallies]:
    """The same for each kept real day, by itself."""
    rows, tallies = kept_rows(), []
    for key, truth in labels_of(KEPT).items():
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            trace = Trace.from_series(rows[key])
        tallies.append(_variants(trace, lambda found, t=truth, d=key[1]: one_day(t, found, d)))
    return tallies


def measure(seeds: range) -> pd.DataFrame:
    """One row a part left out: F1 as logged and at 10 s, and of the real days."""
    cells = [
        (style, seed, period_s) for style in STYLES for seed in seeds for period_s in PERIODS_S
    ]
    with ProcessPoolExecutor(min(2, os.cpu_count() or 1)) as pool:
        scored = dict(zip(cells, pool.map(score_cell, cells, chunksize=4), strict=True))
    real = score_real()
    rows = []
    for name in PARTS:
        row: dict[str, float | str] = {"left_out": name}
        for period_s in PERIODS_S:
            by_style = [
                together(
                    [t[name] for (s, _, p), t in scored.items() if (s, p) == (style, period_s)]
                )
                for style in STYLES
            ]
            of = "as_logged" if period_s is None else f"{period_s:g}_s"
            # Where there is nothing to find, only its days can be right.
            row[f"f1_{of}"] = float(np.mean([t.f1 for t in by_style if t.right + t.missing]))
            row[f"exact_days_{of}"] = together(by_style).exact
        total = together([t[name] for t in real])
        row |= {"f1_real": total.f1, "exact_days_real": total.exact}
        rows.append(row)
    return pd.DataFrame(rows)


def report(figures: pd.DataFrame, *, seeds: tuple[int, int]) -> str:
    """The page: one row a part that is left out."""
    lines = [
        f"One part of finding runs left out at a time. Randomised logs: seeds {seeds[0]} to "
        f"{seeds[1]} of {len(STYLES)} styles, with which the parts were made; mean F1 of styles, "
        "share of exact days over all. Real days: those kept with the tests, each by itself. A "
        "part that is worth little here is kept for what its own tests show. "
        "Made by `python -m tests.accuracy.ablation`.",
        "",
        "| left out | F1, as logged | exact days % | F1, 10 s | exact days % | F1, real days "
        "| exact days % |",
        "|---|---:|---:|---:|---:|---:|---:|",
    ]
    for row in figures.itertuples(index=False):
        name, *values = row
        cells = [f"{v:.3f}" if k % 2 == 0 else f"{100 * v:.0f}" for k, v in enumerate(values)]
        lines.append("| " + " | ".join([name if name != "all" else "**nothing**", *cells]) + " |")
    return "\n".join(lines)


def main(arguments: list[str] | None = None) -> int:
    """Write the page and the figures."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seeds", type=int, nargs=2, default=SEEDS, metavar=("FIRST", "LAST"))
    seeds = tuple(parser.parse_args(arguments).seeds)
    figures = measure(range(seeds[0], seeds[1] + 1))
    page, _ = keep(
        "ablation",
        title="What each part of finding runs is worth",
        text=report(figures, seeds=seeds),
        figures=figures,
    )
    sys.stdout.write(page.read_text(encoding="utf-8"))
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
