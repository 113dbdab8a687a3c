"""Small houses whose expected values are known: circuits, clamps, a bench, a utility meter.

The truth of a figure is the expected value of the process that draws it, not the mean of what was
drawn. All powers are in closed form; nothing of the findings is used here.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from pathlib import Path

import numpy as np
import pandas as pd
from scipy.special import ndtr

from homeenergy.simulate.logger import ClampFaults, draw_faults, read_clamp

PERIOD_S = 10
DAYS = 14
DAY_S = 86_400
N = DAYS * DAY_S // PERIOD_S
START = pd.Timestamp("2026-03-02", tz="UTC")
VOLTS_V = 230.0
REFERENCE_ACCURACY = 0.01
ALIKE, ALIKE_SD = 0.6, 0.06
FRIDGE_SD = 0.1
BITS = 12


@dataclass(slots=True)
class Load:
    """Power of a circuit [W] and the expected values behind it."""

    kind: str
    watts: np.ndarray
    run_kwh: float
    kwh_per_day: float
    standby_w: float
    alike: bool  # whether days have something of their own
    sits: float = 1.0  # share of the load that its clamp sees
    faults: ClampFaults = field(default_factory=ClampFaults)

    @property
    def multiplier(self) -> float:
        return 1 / (self.sits * self.faults.ratio)


@dataclass(slots=True)
class TrueHouse:
    loads: dict[str, Load]
    meter_over_log: float


def add_run(watts, start_s, stop_s, extra_w):
    """Add a power between two instants; samples at the ends are shared with what is around."""
    lo, hi = max(start_s / PERIOD_S, 0.0), min(stop_s / PERIOD_S, float(watts.size))
    if hi <= lo:
        return
    a, b = int(lo), min(int(np.ceil(hi)), watts.size)
    covered = np.minimum(np.arange(a, b) + 1, hi) - np.maximum(np.arange(a, b), lo)
    watts[a:b] += extra_w * covered


def standby_watts(rng):
    return float(np.exp(rng.uniform(np.log(0.8), np.log(15.0))))


def own_part(rng):
    """What days have of their own: standard normal, times a strength from 0 to 1; or nothing.

    In half of all cases there is nothing, else any strength and any lag-1 correlation up to 0.9
    are alike likely.
    """
    if rng.random() < 0.5:
        return np.zeros(DAYS), 0.0
    return like_the_day_before(rng, rng.uniform(0, 0.9)), rng.uniform()


def like_the_day_before(rng, r, *, days=DAYS):
    """First-order autoregression with a variance of 1, in its stationary state."""
    x = rng.normal(size=days)
    for day in range(1, days):
        x[day] = r * x[day - 1] + np.sqrt(1 - r * r) * x[day]
    return x


def chances(rng, mean):
    """Chance of a use on each day, about its mean, and whether it moves."""
    part, strength = own_part(rng)
    return mean + strength * min(mean, 1 - mean) * (2 * ndtr(part) - 1), strength > 0


def fridge(rng, *, cool_room=False):
    """Cycles whose on and off times are drawn anew each time, in their stationary state.

    Its power follows the room. `cool_room`: one that is warm or cool for days.
    """
    on_s, off_s = rng.uniform(900, 1500), rng.uniform(1500, 2700)
    on_w, rest_w = rng.uniform(80, 150), standby_watts(rng)
    watts = np.zeros(N)
    at = -rng.uniform(1, 2) * DAY_S
    while at < DAYS * DAY_S:
        lasts = rng.gamma(44, on_s / 44)
        add_run(watts, at, at + lasts, 1.0)
        at += lasts + rng.gamma(44, off_s / 44)
    if cool_room:
        room, sd = like_the_day_before(rng, ALIKE), ALIKE_SD
    else:
        room, strength = own_part(rng)
        sd = FRIDGE_SD * strength
    factor = np.repeat(1 + sd * room, DAY_S // PERIOD_S)
    mean_w = (on_w * on_s + rest_w * off_s) / (on_s + off_s)
    return Load(
        kind="thermostatic",
        watts=rest_w * (1 - watts) + on_w * factor * watts,
        run_kwh=on_w * on_s / 3.6e6,
        kwh_per_day=mean_w * 0.024,
        standby_w=rest_w,
        alike=sd > 0,
    )


def washer(rng):
    """At most one wash a day, of two programmes; heating and a motor."""
    chance, long_share, rest_w = rng.uniform(0.4, 0.9), rng.uniform(0.3, 0.5), standby_watts(rng)
    heat_s, heat_w, motor_s, motor_w = rng.uniform(600, 900), 2000.0, 2700.0, 200.0
    by_day, alike = chances(rng, chance)
    watts = np.full(N, rest_w)
    for day in range(DAYS):
        if rng.random() > by_day[day]:
            continue
        at = (day + rng.uniform(0.35, 0.8)) * DAY_S
        mean_s = heat_s * (2 if rng.random() < long_share else 1)
        heats_s = rng.gamma(100, mean_s / 100)
        add_run(watts, at, at + heats_s, heat_w - rest_w)
        add_run(watts, at + heats_s, at + heats_s + motor_s, motor_w - rest_w)
    mean_heat_s = heat_s * (1 + long_share)
    run_kwh = (heat_w * mean_heat_s + motor_w * motor_s) / 3.6e6
    above_kwh = run_kwh - rest_w * (mean_heat_s + motor_s) / 3.6e6
    return Load(
        kind="batch",
        watts=watts,
        run_kwh=run_kwh,
        kwh_per_day=rest_w * 0.024 + chance * above_kwh,
        standby_w=rest_w,
        alike=alike,
        sits=0.5 if rng.random() < 0.5 else 1.0,
    )


def kettle(rng):
    """Boils in some of the two-hour slots of a day."""
    chance, on_w, rest_w = rng.uniform(0.2, 0.6), rng.uniform(1500, 2500), standby_watts(rng)
    short_s, long_s = 90.0, 240.0
    by_day, alike = chances(rng, chance)
    watts = np.full(N, rest_w)
    for day in range(DAYS):
        for slot in range(3, 11):
            if rng.random() < by_day[day]:
                at = day * DAY_S + slot * 7200 + rng.uniform(300, 6600)
                add_run(watts, at, at + rng.uniform(short_s, long_s), on_w - rest_w)
    mean_s = (short_s + long_s) / 2
    return Load(
        kind="manual",
        watts=watts,
        run_kwh=on_w * mean_s / 3.6e6,
        kwh_per_day=rest_w * 0.024 + 8 * chance * (on_w - rest_w) * mean_s / 3.6e6,
        standby_w=rest_w,
        alike=alike,
    )


def television(rng):
    """One evening of it a day: all of its load is in one quarter of the day, and all its habits."""
    on_w, rest_w = rng.uniform(60, 200), standby_watts(rng)
    mean_s = rng.uniform(4000, 8000)
    part, strength = own_part(rng)
    watts = np.full(N, rest_w)
    for day in range(DAYS):
        lasts = mean_s * (1 + 0.6 * strength * (2 * ndtr(part[day]) - 1)) * rng.gamma(25, 1 / 25)
        at = (day + rng.uniform(0.77, 0.81)) * DAY_S
        add_run(watts, at, at + lasts, on_w - rest_w)
    return Load(
        kind="manual",
        watts=watts,
        run_kwh=on_w * mean_s / 3.6e6,
        kwh_per_day=rest_w * 0.024 + (on_w - rest_w) * mean_s / 3.6e6,
        standby_w=rest_w,
        alike=strength > 0,
    )


def draw_loads(rng, *, offsets):
    """`offsets`: "allowed" or "usual", see `draw_house`."""
    loads = {
        "fridge": fridge(rng),
        "cool_room": fridge(rng, cool_room=True),
        "washer": washer(rng),
        "kettle": kettle(rng),
        "television": television(rng),
    }
    for load in loads.values():
        load.faults = draw_faults(rng, rating_a=float(rng.choice([20, 30, 50])), volts_v=VOLTS_V)
        if offsets == "allowed":
            step_w = rating_a(load) * VOLTS_V / 2**BITS
            load.faults = replace(load.faults, offset_w=float(rng.uniform(-0.5, 0.5)) * step_w)
    return loads


def bench_csv(rng, loads):
    """What a person notes: a heater of several steps on every circuit, one reference meter."""
    error = rng.uniform(-REFERENCE_ACCURACY, REFERENCE_ACCURACY)
    lines = ["circuit,reference_w,clamp_w"]
    for name, load in loads.items():
        true_w = np.exp(rng.uniform(np.log(60), np.log(2000), int(rng.integers(4, 9))))
        shown_w = read_clamp(true_w * load.sits, load.faults, rng=rng)
        lines += [
            f"{name},{t * (1 + error):.1f},{c:g}" for t, c in zip(true_w, shown_w, strict=True)
        ]
    return "\n".join(lines) + "\n"


def meter_csv(rng, mains_w):
    """Whole kilowatt hours, cut off, read once a day at a time written down a little wrongly."""
    used_kwh = np.r_[0.0, np.cumsum(mains_w)] * PERIOD_S / 3.6e6
    begin_kwh = rng.uniform(100, 99_000)
    lines = ["time,kwh"]
    for day in range(DAYS):
        minute = day * 1440 + int(rng.integers(400, 1300))
        read_s = minute * 60 + rng.uniform(-90, 90)
        kwh = int(begin_kwh + np.interp(read_s / PERIOD_S, np.arange(used_kwh.size), used_kwh))
        lines.append(f"{(START + pd.Timedelta(minutes=minute)).isoformat()},{kwh}")
    return "\n".join(lines) + "\n"


def house_toml(loads, *, clamps):
    """`clamps` holds what is written after "clamp =" for each circuit."""
    text = (
        'name = "Study house"\ntimezone = "UTC"\n[supply]\nsystem = "single-phase"\n'
        f"volts_v = {VOLTS_V:g}\n"
        '[[circuit]]\nname = "mains"\nrole = "mains"\n'
    )
    for name, load in loads.items():
        text += f'[[circuit]]\nname = "{name}"\nkind = "{load.kind}"\n{clamps[name]}\n'
    text += '[[log]]\nfiles = "logs/*.parquet"\nformat = "parquet"\ntime_format = "epoch_s"\n'
    text += f"period_s = {PERIOD_S}\n[log.columns]\n"
    return text + "".join(f'{name} = "{name}"\n' for name in ("mains", *loads))


def draw_house(folder: Path, *, seed: int, offsets: str = "allowed") -> TrueHouse:
    """Write logs, bench.csv and meter_readings.csv of a house; house.toml as it is first.

    `offsets` of the clamps: "allowed" are even within half a step of a 12-bit converter over the
    clamp's range, which is what the intervals allow for; "usual" are those of the sample houses,
    about a seventh of that.
    """
    rng = np.random.default_rng(seed)
    loads = draw_loads(rng, offsets=offsets)
    base_w = np.repeat(rng.gamma(4, 30, N // 360 + 1), 360)[:N]
    mains_w = base_w + sum(load.watts for load in loads.values())
    mains_faults = draw_faults(rng, rating_a=100, volts_v=VOLTS_V)
    frame = pd.DataFrame({"time": START.value // 10**9 + PERIOD_S * np.arange(N)})
    frame["mains"] = read_clamp(mains_w, mains_faults, rng=rng)
    for name, load in loads.items():
        frame[name] = read_clamp(load.watts * load.sits, load.faults, rng=rng)
    meter_over_log = float(mains_w.sum() / frame["mains"].sum())
    keep = np.ones(N, bool)
    for at in rng.integers(0, N - 200, 2):
        keep[at : at + int(rng.integers(1, 180))] = False
    (folder / "logs").mkdir(parents=True)
    frame[keep].to_parquet(folder / "logs" / "log.parquet")
    (folder / "bench.csv").write_text(bench_csv(rng, loads))
    (folder / "meter_readings.csv").write_text(meter_csv(rng, mains_w))
    sits = {
        name: f"clamp = {{ multiplier = {1 / load.sits:g}, rating_a = {rating_a(load):g} }}"
        for name, load in loads.items()
    }
    (folder / "house.toml").write_text(house_toml(loads, clamps=sits))
    return TrueHouse(loads=loads, meter_over_log=meter_over_log)


def rating_a(load):
    return load.faults.clip_w / 1.2 / VOLTS_V
