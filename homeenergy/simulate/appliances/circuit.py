"""A simulated circuit: what it drew, and every run in it."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.signal import lfilter

from homeenergy.readings.trace import Trace
from homeenergy.simulate.calendar import Calendar
from homeenergy.units import NS_PER_S, S_PER_H

Watts = NDArray[np.float64]


def between(rng: np.random.Generator, low: float, high: float) -> float:
    """Draw one number evenly."""
    return float(rng.uniform(low, high))


def seconds(rng: np.random.Generator, low: float, high: float) -> int:
    """Draw a whole number of seconds evenly, both ends included."""
    return int(rng.integers(round(low), round(high) + 1))


def flat(n_s: int, power_w: float) -> Watts:
    """Steady power."""
    return np.full(max(n_s, 0), power_w, dtype=np.float64)


def ramp(n_s: int, first_w: float, last_w: float) -> Watts:
    """Power that changes evenly."""
    return np.linspace(first_w, last_w, max(n_s, 0))


def decay(n_s: int, first_w: float, last_w: float, *, tau_s: float) -> Watts:
    """Power that falls (or rises) exponentially from `first_w` towards `last_w`."""
    return last_w + (first_w - last_w) * np.exp(-np.arange(max(n_s, 0)) / tau_s)


def wander(rng: np.random.Generator, n_s: int, *, sd_w: float, tau_s: float) -> Watts:
    """Stationary first-order wandering about zero with correlation time `tau_s` [W]."""
    if n_s <= 0:
        return np.empty(0)
    keep = float(np.exp(-1.0 / tau_s))
    shocks = rng.normal(0.0, sd_w * np.sqrt(1 - keep**2), n_s)
    shocks[0] = rng.normal(0.0, sd_w)
    return np.asarray(lfilter([1.0], [1.0, -keep], shocks), dtype=np.float64)


def join(*parts: Watts) -> Watts:
    """One piece after another."""
    return np.concatenate(parts)


def element(rng: np.random.Generator, n_s: int, power_w: float) -> Watts:
    """Power of a heating element; the supply makes it wander by some parts in a thousand."""
    return flat(n_s, power_w) + wander(rng, n_s, sd_w=0.002 * power_w, tau_s=240.0)


def motor(
    n_s: int, power_w: float, *, inrush: float = 1.0, warm: float = 1.0, tau_s: float = 200.0
) -> Watts:
    """Power of a motor started direct: a second of `inrush` times, then `warm` times down to 1."""
    shape = decay(n_s, warm * power_w, power_w, tau_s=tau_s)
    if n_s > 0:
        shape[0] = inrush * power_w
    return shape


def on_off(
    rng: np.random.Generator,
    n_s: int,
    *,
    on_s: tuple[float, float],
    off_s: tuple[float, float],
    on_w: float,
    off_w: float = 0.0,
) -> Watts:
    """Alternating on and off stretches, each of a length drawn evenly, cut to `n_s`."""
    shape = flat(n_s, off_w)
    at = 0
    while at < n_s:
        on = seconds(rng, *on_s)
        shape[at : at + on] = on_w
        at += on + seconds(rng, *off_s)
    return shape


RUN_COLUMNS = ("start", "end", "energy_wh", "above_standby_wh", "programme", "cut")


class Canvas:
    """Second by second power of one circuit while it is being drawn.

    `watts` is all that the circuit draws. `first_leg_w` is what a circuit of two legs draws on the
    first of them, where that is not half. `idle_w` is what it draws while nobody uses it.
    """

    def __init__(self, calendar: Calendar) -> None:
        self.calendar = calendar
        self.watts: Watts = np.zeros(calendar.n_s)
        self.first_leg_w: Watts | None = None
        self.idle_w: Watts | None = None
        self.spans: list[tuple[int, int, str, bool]] = []
        self.free_from = 0

    def idle(self, power_w: float | Watts) -> None:
        """Lay down what the appliance draws while idle, before any run."""
        self.idle_w = np.broadcast_to(np.asarray(power_w, dtype=np.float64), self.watts.shape)
        self.watts[:] = self.idle_w

    def run(self, at_s: int, shape: Watts, programme: str) -> int:
        """Put a run at `at_s`; its power replaces the idle draw. Returns its end [s].

        What lies outside the calendar is cut off and the run marked as cut.
        """
        end = at_s + shape.size
        lo, hi = max(at_s, 0), min(end, self.watts.size)
        if lo < hi:
            self.watts[lo:hi] = shape[lo - at_s : hi - at_s]
            self.spans.append((lo, hi, programme, lo != at_s or hi != end))
        self.free_from = max(self.free_from, end)
        return end

    def tail(self, at_s: int, shape: Watts) -> None:
        """Draw that belongs to no run (a display, a lamp), in place of the idle draw."""
        lo, hi = max(at_s, 0), min(at_s + shape.size, self.watts.size)
        if lo < hi:
            self.watts[lo:hi] = shape[lo - at_s : hi - at_s]

    def add(self, at_s: int, shape: Watts) -> None:
        """Draw of another small load on the same circuit, on top of what is there."""
        lo, hi = max(at_s, 0), min(at_s + shape.size, self.watts.size)
        if lo < hi:
            self.watts[lo:hi] += shape[lo - at_s : hi - at_s]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class SimulatedCircuit:
    """One circuit with known truth.

    Attributes
    ----------
    name : str
        Name of the appliance in `appliance_names()`.
    kind : str
        Its kind: thermostatic, batch, manual, modulating or continuous.
    trace : Trace
        What was measured [W]: the true power averaged over the periods, with noise and rounding
        if they were asked for.
    true_trace : Trace
        The true power at 1 s [W].
    runs : pandas.DataFrame
        One row a run: start, end (UTC, half-open), energy_wh (all that was drawn from start to
        end), above_standby_wh (less the idle draw), programme, cut (by an end of the trace).
    standby_w : float
        Mean power while idle, tails after a run and other small loads left out [W]; NaN for an
        appliance that is never idle.
    standby_levels : tuple of (float, float)
        Idle power [W] and share of the time, largest share first, where idle has several levels.
    first_leg_w : numpy.ndarray or None, shape (n,)
        What is drawn on the first leg if the circuit has two [W], at 1 s; None means half.
    """

    name: str
    kind: str
    trace: Trace
    true_trace: Trace
    runs: pd.DataFrame
    standby_w: float
    standby_levels: tuple[tuple[float, float], ...] = ()
    first_leg_w: NDArray[np.float64] | None = field(default=None, repr=False)


def average(watts: Watts, period_s: int) -> Watts:
    """Mean power over periods of whole seconds; an unfinished last period is left out."""
    n = watts.size // period_s
    return np.asarray(watts[: n * period_s].reshape(n, period_s).mean(axis=1), dtype=np.float64)


def finish(
    canvas: Canvas,
    *,
    name: str,
    kind: str,
    period_s: int = 1,
    noise_w: float = 0.0,
    resolution_w: float = 0.0,
    rng: np.random.Generator,
) -> SimulatedCircuit:
    """Turn a drawn canvas into a circuit with its runs and standby."""
    start = canvas.calendar.start
    measured = average(canvas.watts, period_s)
    if noise_w > 0:
        measured = measured + rng.normal(0.0, noise_w, measured.size)
    if resolution_w > 0:
        measured = np.round(measured / resolution_w) * resolution_w
    standby_w, levels = _standby(canvas)
    return SimulatedCircuit(
        name=name,
        kind=kind,
        trace=Trace(
            label=name, start=start, period_s=float(period_s), watts=measured.astype(np.float32)
        ),
        true_trace=Trace(
            label=name, start=start, period_s=1.0, watts=canvas.watts.astype(np.float32)
        ),
        runs=_run_table(canvas),
        standby_w=standby_w,
        standby_levels=levels,
        first_leg_w=canvas.first_leg_w,
    )


def _run_table(canvas: Canvas) -> pd.DataFrame:
    spans = sorted(canvas.spans)
    first = np.array([s[0] for s in spans], dtype=np.int64)
    stop = np.array([s[1] for s in spans], dtype=np.int64)
    used = np.r_[0.0, np.cumsum(canvas.watts)] / S_PER_H
    energy = used[stop] - used[first]
    if canvas.idle_w is None:
        above = np.full(energy.size, np.nan)
    else:
        idle = np.r_[0.0, np.cumsum(canvas.idle_w)] / S_PER_H
        above = energy - (idle[stop] - idle[first])
    start_ns = canvas.calendar.start.value
    return pd.DataFrame(
        {
            "start": _instants(start_ns, first),
            "end": _instants(start_ns, stop),
            "energy_wh": energy,
            "above_standby_wh": above,
            "programme": [s[2] for s in spans],
            "cut": np.array([s[3] for s in spans], dtype=bool),
        },
        columns=list(RUN_COLUMNS),
    )


def _instants(start_ns: int, offsets_s: NDArray[np.int64]) -> pd.DatetimeIndex:
    return pd.DatetimeIndex((start_ns + offsets_s * NS_PER_S).view("M8[ns]")).tz_localize("UTC")


def _standby(canvas: Canvas) -> tuple[float, tuple[tuple[float, float], ...]]:
    """Idle power outside the runs, and its levels where there are a few."""
    if canvas.idle_w is None:
        return float("nan"), ()
    outside = np.ones(canvas.watts.size, dtype=bool)
    for lo, hi, _, _ in canvas.spans:
        outside[lo:hi] = False
    idle = canvas.idle_w[outside] if outside.any() else canvas.idle_w
    values, counts = np.unique(np.round(idle, 3), return_counts=True)
    if values.size > 4:
        return float(idle.mean()), ()
    order = np.argsort(-counts)
    shares = counts / counts.sum()
    return float(idle.mean()), tuple((float(values[i]), float(shares[i])) for i in order)
