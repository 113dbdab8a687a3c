"""The temperature of a body of first order that a load warms, with its truth."""

from dataclasses import dataclass

import numpy as np
import pandas as pd

from homeenergy.readings.trace import Trace


@dataclass(frozen=True, kw_only=True)
class Warmed:
    trace: Trace
    runs: np.ndarray  # (n, 2), seconds from the beginning
    taus_s: tuple[float, float]


def closed_form(times_s, switches_s, *, taus_s, rise_c):
    """Excess over the surroundings; off at first, switched on and off in turns."""
    excess, at, value, on = np.zeros(times_s.size), 0.0, 0.0, False
    for end in (*switches_s, times_s[-1] + 1):
        tau, target = (taus_s[0], rise_c) if on else (taus_s[1], 0.0)
        here = (times_s >= at) & (times_s < end)
        excess[here] = target + (value - target) * np.exp(-(times_s[here] - at) / tau)
        value = target + (value - target) * np.exp(-(end - at) / tau)
        at, on = end, not on
    return excess


def as_trace(celsius, dt):
    start = pd.Timestamp("2026-01-01", tz="UTC")
    return Trace(label="wire", start=start, period_s=dt, watts=celsius.astype(np.float32))


def warmed(
    seed,
    *,
    taus_s=(300.0, 450.0),
    rise_c=20.0,
    noise_c=0.1,
    digit_c=0.1,
    dt=10.0,
    days=7,
    swing_c=6.0,
    sun_c=8.0,
    mean_on_s=1800.0,
    mean_off_s=3600.0,
):
    """Runs at random; the day's swing, sun on the sensor, and a slow random walk around."""
    rng = np.random.default_rng(seed)
    times_s = np.arange(int(days * 86_400 / dt)) * dt
    end, at, switches = days * 86_400.0, 0.0, []
    while at < end:
        at += 60 + rng.exponential(mean_on_s if len(switches) % 2 else mean_off_s)
        switches.append(at)
    switches = [one for one in switches if one < end]
    runs = switches[: len(switches) // 2 * 2]
    day = times_s % 86_400 / 86_400
    sun = np.clip(np.sin(np.pi * (day - 0.35) / 0.3), 0, None) * ((day > 0.35) & (day < 0.65))
    clouds = rng.uniform(0.3, 1, days + 1)[(times_s // 86_400).astype(int)]
    around = 20 + swing_c * np.sin(2 * np.pi * (day - 0.3)) + sun_c * sun * clouds
    around += np.cumsum(rng.normal(0, 0.006, times_s.size)) * np.sqrt(dt / 10)
    celsius = around + closed_form(times_s, switches, taus_s=taus_s, rise_c=rise_c)
    celsius += rng.normal(0, noise_c, times_s.size)
    celsius = np.round(celsius / digit_c) * digit_c
    return Warmed(trace=as_trace(celsius, dt), runs=np.array(runs).reshape(-1, 2), taus_s=taus_s)


def found_share(truth, body):
    """Share of runs longer than three time constants with both edges within 20 % of one.

    And how many standard uncertainties their edges are off.
    """
    runs = truth.runs[np.diff(truth.runs).ravel() > 3 * truth.taus_s[0]]
    near = np.array([np.argmin(np.abs(body.start_s - start)) for start, _ in runs])
    off = np.column_stack((body.start_s[near], body.end_s[near])) - runs
    good = (np.abs(off) < 0.2 * min(truth.taus_s)).all(axis=1)
    unsure = np.column_stack((body.start_uncertainty_s[near], body.end_uncertainty_s[near]))
    return good.mean(), off[good] / unsure[good]
