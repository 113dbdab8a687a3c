"""How often bench comparisons hold the truth, by loads and scatter.

`python -m tests.accuracy.benches`. Clamps with an offset anywhere within half a step are compared
at some loads; what is stated is held against readings at others. The table goes to standard output
and into `results/`.
"""

from __future__ import annotations

import sys
from concurrent.futures import ProcessPoolExecutor
from dataclasses import replace
from math import hypot

import numpy as np
import pandas as pd

from homeenergy.house.clamp_errors import ClampErrors
from homeenergy.trust import Reference, bench_comparison

from .keep import keep

LOADS_W = (
    (60, 60, 60, 60),
    (20, 30, 40, 60),
    (60, 600, 2000),
    (40, 60, 1500, 2000),
    (300, 700, 1500, 2000),
    (20, 25, 30, 35, 1500),
    (20, 40, 60, 500, 1000, 2000),
    (30, 100, 300, 600, 1000, 1500, 2000),
)
SCATTERS = (0.0, 0.002, 0.005, 0.01, 0.02)
AT_W = (0, 40, 300, 2000)
STEP_W = 2.8  # 50 A x 230 V in 4096 steps
SLOPE, ACCURACY = 0.98, 0.001
CLAMPS = 500


def compared(
    rng, loads_w: tuple[float, ...], scatter: float, *, offset_w: float, rated: bool = True
):
    """One comparison: loads near those given, whole watts of the clamp, tenths of the reference."""
    true_w = np.array(loads_w) * np.exp(rng.normal(0, 0.05, len(loads_w)))
    reference_w = true_w * (1 + rng.uniform(-ACCURACY, ACCURACY))
    clamp_w = (true_w * (1 + rng.normal(0, scatter, true_w.size)) - offset_w) / SLOPE
    return bench_comparison(
        pd.DataFrame({"reference_w": reference_w.round(1), "clamp_w": clamp_w.round()}),
        references=Reference(accuracy=ACCURACY),
        resolution_w=STEP_W / SLOPE if rated else 0.0,
    )


def left_at(clamp: ClampErrors, power_w: float) -> float:
    """Share of an offset of 1 W that an hour at this power keeps; of several loads, the most."""
    parts = replace(clamp, offset_uncertainty_w=1.0).constant(power_w / 1000, hours=1.0)
    return 1000 * max((abs(one.effect) for one in parts.values()), default=0.0)


def half_w(found, power_w: float, *, rated: bool = True) -> float:
    """Half width of a reading after the correction, as energies have it [W]."""
    floor = ClampErrors(
        resolution_w=STEP_W if rated else 0.0,
        offset_uncertainty_w=found.offset_uncertainty_w,
        compared_at_w=(found.compared_at_w or np.inf,),
    )
    # Of an offset of which nothing else is known, 95 % of the limit holds 95 %.
    known_w = 0.95 * floor.offset_limit_w + floor.offset_half_w
    share = found.half_at_load / found.multiplier.value
    return hypot(share * power_w, left_at(floor, power_w) * known_w)


def shares_held(
    loads_w: tuple[float, ...], scatter: float, *, rated: bool = True, clamps: int = CLAMPS
) -> list[float]:
    """Of the multiplier, and of readings at `AT_W`."""
    rng = np.random.default_rng([*loads_w, round(1e4 * scatter)])
    held = []
    for _ in range(clamps):
        offset_w = rng.uniform(-STEP_W / 2, STEP_W / 2)
        found = compared(rng, loads_w, scatter, offset_w=offset_w, rated=rated)
        used_w = found.offset_w.value if found.offset_w else 0.0
        row = [found.multiplier.low <= SLOPE <= found.multiplier.high]
        for power_w in AT_W:
            read_w = found.multiplier.value * (power_w - offset_w) / SLOPE + used_w
            row.append(abs(read_w - power_w) <= half_w(found, power_w, rated=rated))
        held.append(row)
    return list(np.mean(held, axis=0))


def measure() -> pd.DataFrame:
    """One row for each row of the table: loads, scatter, and the shares that held."""
    cases = [(loads, scatter) for loads in LOADS_W for scatter in SCATTERS]
    with ProcessPoolExecutor(2) as pool:
        held = list(pool.map(shares_held, *zip(*cases, strict=True)))
    figures = pd.DataFrame(held, columns=["multiplier", *(f"at_{power}_w" for power in AT_W)])
    figures.insert(0, "loads_w", [" ".join(map(str, loads)) for loads, _ in cases])
    figures.insert(1, "scatter", [scatter for _, scatter in cases])
    return figures


def report(figures: pd.DataFrame) -> str:
    """The table in Markdown."""
    at = " | ".join(f"{power} W" for power in AT_W)
    lines = [
        f"Share of {CLAMPS} made comparisons each that hold the truth, in %: of the multiplier and "
        "of corrected readings at rest and at three loads. A clamp of 50 A, its offset anywhere "
        "within half a step of its converter, logged in whole watts; a reference good to "
        f"{ACCURACY:.1%}, so that the pairs decide and not its accuracy; scatter is in proportion "
        "to the load. Made by `python -m tests.accuracy.benches`.",
        "",
        f"| loads W | scatter % | multiplier | {at} |",
        f"|---|---:|{'---:|' * (1 + len(AT_W))}",
    ]
    for loads_w, scatter, *shares in figures.itertuples(index=False):
        words = " | ".join(f"{100 * one:.1f}" for one in shares)
        lines.append(f"| {loads_w.replace(' ', ', ')} | {100 * scatter:g} | {words} |")
    return "\n".join(lines)


if __name__ == "__main__":
    found = measure()
    text = report(found)
    sys.stdout.write(text + "\n")
    keep("benches", title="How often bench comparisons hold the truth", text=text, figures=found)
