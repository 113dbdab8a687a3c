"""How often the interval of the unmonitored baseload holds the truth.

`python -m tests.accuracy.baseload`. The table goes to standard output and into `results/`. Nothing
is developed on these seeds; seeds from 1 to 999 are for looking.
"""

from __future__ import annotations

import argparse
import sys
from collections.abc import Iterable
from concurrent.futures import ProcessPoolExecutor
from functools import partial
from itertools import product
from typing import NamedTuple

import numpy as np
import pandas as pd

from homeenergy.house.clamp_errors import CLAMP_LIMIT
from homeenergy.house.schedule import Circuit, Clamp, Supply
from homeenergy.stats.coverage import NORMAL
from homeenergy.stats.estimate import Estimate
from homeenergy.trust.panel.quiet_times import WINDOW_S, unmonitored_baseload

from .interval_houses import BITS, VOLTS_V, like_the_day_before
from .keep import keep

SEEDS = range(20_001, 21_001)
ZONE = "Europe/Berlin"
LEVEL_W, LEVEL_SD_W, NOISE_W = 60.0, 8.0, 6.0
MINUTES = round(WINDOW_S / 60)  # of a window
WINDOWS = 24 * 60 // MINUTES  # of a day
RATINGS_A = {"mains": 100.0, "fridge": 25.0, "router": 25.0, "rooms": 50.0}


class Nights(NamedTuple):
    """How days follow one another: lag-1 correlation of their levels, days away in a row."""

    correlation: float = 0.0
    away: int = 0


NIGHTS = {
    "ordinary": Nights(),
    "autocorrelated, 0.6": Nights(correlation=0.6),
    "a week away": Nights(away=7),
    "nine days away": Nights(away=9),
}
CLAMPS = ("exact", "compared", "not compared")
CASES = [*product(NIGHTS, (28,), (0.0, NOISE_W))]
CASES += [("autocorrelated, 0.6", days, NOISE_W) for days in (14, 60)]


def draw_clamp(rng, name: str, clamps: str) -> tuple[Circuit, float, float, float]:
    """A circuit with what house.toml says of its clamp; its ratio, its offset and noise [W].

    "exact" clamps read without error and are stated so; "compared" ones are known to 1 % and 0.6 W;
    of those "not compared" the ratio is within 1.5 % and the offset within half a step of the
    converter, any value as likely as another. Noise is that of a minute in whole watts.
    """
    full_w = RATINGS_A[name] * VOLTS_V
    role = "mains" if name == "mains" else "load"
    noise_w = float(np.hypot(2.5e-5 * full_w, 1 / np.sqrt(12)))
    if clamps == "exact":
        clamp, ratio, offset_w = Clamp(uncertainty=0.0, offset_uncertainty_w=0.0), 1.0, 0.0
        noise_w = 0.0
    elif clamps == "compared":
        clamp = Clamp(uncertainty=0.01, offset_uncertainty_w=0.6)
        ratio, offset_w = 1 + 0.01 / NORMAL * rng.normal(), 0.6 / NORMAL * rng.normal()
    else:
        clamp = Clamp(rating_a=RATINGS_A[name])
        half_step_w = full_w / 2**BITS / 2
        ratio = 1 + rng.uniform(-CLAMP_LIMIT, CLAMP_LIMIT)
        offset_w = rng.uniform(-half_step_w, half_step_w)
    circuit = Circuit(name=name, appliance=name, role=role, clamp=clamp)
    return circuit, ratio, offset_w, noise_w


def draw_powers(rng, nights: Nights, *, days: int, noise_w: float, start: pd.Timestamp):
    """Windows of the unmeasured part and of the circuits [W], and the level of each day."""
    index = pd.date_range(start, periods=days * WINDOWS, freq=f"{MINUTES}min")
    local = index.tz_convert(ZONE).tz_localize(None).to_numpy().astype("M8[m]").astype(np.int64)
    n = local.size
    day = local // (WINDOWS * MINUTES) - local[0] // (WINDOWS * MINUTES)
    many = int(day[-1]) + 1
    level_w = LEVEL_W + LEVEL_SD_W * like_the_day_before(rng, nights.correlation, days=many)
    first = int(rng.integers(0, days - nights.away + 1))
    away = (np.arange(many) >= first) & (np.arange(many) < first + nights.away)
    hour = local % (WINDOWS * MINUTES) / 60
    at_home = ~away[day] & (hour >= 6.5) & (hour < 23)
    # Minutes of each window in which the fridge runs: 24 of every 50 to 80.
    period = int(rng.integers(50, 80))
    begun = np.arange(n * MINUTES + 1) + int(rng.integers(0, period))
    ran = begun // period * 24 + np.minimum(begun % period, 24)
    loads = {
        "fridge": 2.0 + 83.0 * np.diff(ran[::MINUTES]) / MINUTES,
        "router": np.full(n, 11.0),
        "rooms": 5.0 + at_home * (rng.random(n) < 0.7) * rng.gamma(2, 300, n),
    }
    lamps_w = 70.0 * (at_home & (hour >= 18))
    noise = noise_w / np.sqrt(MINUTES) * rng.normal(size=n)
    return pd.DataFrame({"mains": level_w[day] + lamps_w + noise, **loads}, index=index), level_w


def draw_house(seed: int, case: tuple[str, int, float]) -> tuple[dict[str, Estimate], float]:
    """What is stated of one house by clamps of each sort, and its true low less its mean level.

    `case` holds the name of its nights, how many days it has, and the noise of its minutes [W].
    """
    name, days, noise_w = case
    rng = np.random.default_rng([seed, days, round(noise_w), list(NIGHTS).index(name)])
    # Logs begin at a local midnight; some go over a change of the clocks.
    first = pd.Timestamp("2026-01-01") + pd.Timedelta(days=int(rng.integers(0, 300)))
    start = first.tz_localize(ZONE).tz_convert("UTC")
    powers, level_w = draw_powers(rng, NIGHTS[name], days=days, noise_w=noise_w, start=start)
    powers["mains"] += powers.drop(columns="mains").sum(axis=1)
    found = {clamps: stated(rng, powers, clamps=clamps) for clamps in CLAMPS}
    return found, found["exact"].value - float(level_w[:days].mean())


def stated(rng, powers: pd.DataFrame, *, clamps: str) -> Estimate:
    """The unmonitored baseload by clamps as they are drawn."""
    circuits, readings = [], {}
    for name, watts in powers.items():
        circuit, ratio, offset_w, noise_w = draw_clamp(rng, name, clamps)
        circuits.append(circuit)
        noise = noise_w / np.sqrt(MINUTES) * rng.normal(size=len(powers))
        readings[name] = watts.to_numpy() * ratio + offset_w + noise
    return unmonitored_baseload(
        pd.DataFrame(readings, index=powers.index),
        mains=circuits[:1],
        loads=circuits[1:],
        timezone=ZONE,
        supply=Supply(system="single-phase", volts_v=VOLTS_V),
    )


def measure(seeds: Iterable[int], cases=CASES, *, processes: int = 2) -> pd.DataFrame:
    """One row a case and sort of clamps: share of intervals that hold the truth, half-width.

    The truth of a case is the mean level of days, moved by what the least of many windows of noisy
    minutes lies below it: the mean of that over all its houses, by exact clamps.
    """
    rows = []
    seeds = list(seeds)
    with ProcessPoolExecutor(processes) as pool:
        for case in cases:
            houses = list(pool.map(partial(draw_house, case=case), seeds, chunksize=10))
            truth = LEVEL_W + float(np.mean([below for _, below in houses]))
            for clamps in CLAMPS:
                all_of = [found[clamps] for found, _ in houses]
                rows.append(
                    {
                        "nights": case[0],
                        "days": case[1],
                        "noise_w": case[2],
                        "clamps": clamps,
                        "houses": len(seeds),
                        "truth_w": truth,
                        "mean_w": np.mean([one.value for one in all_of]),
                        "half_w": np.median([(one.high - one.low) / 2 for one in all_of]),
                        "share_held": np.mean([one.low <= truth <= one.high for one in all_of]),
                    }
                )
    return pd.DataFrame(rows)


def report(figures: pd.DataFrame) -> str:
    """The table in Markdown, with what it rests on."""
    houses = int(figures["houses"].iloc[0])
    lines = [
        f"Share of {houses} simulated houses each whose 95 % interval of the unmonitored baseload "
        f"holds the truth, in %, and its half-width [W, median]. The unmeasured part has a level "
        f"of {LEVEL_W:g} W that differs from day to day (standard deviation {LEVEL_SD_W:g} W), "
        "lamps "
        "in the evening, and noise from minute to minute; a fridge, a router and all rooms are "
        'measured. On days away the rooms rest. Clamps: "exact" ones show what the '
        'days alone do; "compared" ones are known to 1 % and 0.6 W, as house.toml says; of those '
        '"not compared" the ratio is within 1.5 % and the offset within half a step of a 12-bit '
        "converter over their range. All but the exact ones have noise, in whole watts a minute. "
        "The truth is the mean of the process, by exact clamps. Made by "
        "`python -m tests.accuracy.baseload`.",
        "",
        "| nights | days | noise of minutes W | truth W | "
        + " | ".join(f"{clamps}: holds % (half-width W)" for clamps in CLAMPS)
        + " |",
        f"|---|---:|---:|---:|{'---:|' * len(CLAMPS)}",
    ]
    for (nights, days, noise_w), rows in figures.groupby(["nights", "days", "noise_w"], sort=False):
        by = rows.set_index("clamps")
        shares = " | ".join(
            f"{100 * by['share_held'][c]:.1f} ({by['half_w'][c]:.1f})" for c in CLAMPS
        )
        lines.append(
            f"| {nights} | {days} | {noise_w:g} | {rows['truth_w'].iloc[0]:.1f} | {shares} |"
        )
    return "\n".join(lines)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seeds", type=int, nargs=2, metavar=("FIRST", "STOP"), help="for looking")
    given = parser.parse_args()
    found = measure(range(*given.seeds) if given.seeds else SEEDS)
    text = report(found)
    sys.stdout.write(text + "\n")
    if not given.seeds:
        title = "How often the interval of the unmonitored baseload holds the truth"
        keep("baseload", title=title, text=text, figures=found)


if __name__ == "__main__":
    main()
