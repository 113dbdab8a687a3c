"""Build a simulated house: true power of every circuit and leg, and what the clamps read."""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import partial
from typing import Any, Literal

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from homeenergy.house.kinds import Seasonality
from homeenergy.simulate.appliances.catalogue import APPLIANCES, Draw
from homeenergy.simulate.appliances.circuit import Canvas, Watts, average, finish
from homeenergy.simulate.appliances.heating import draw_make, outdoor_celsius, run_heat_pump
from homeenergy.simulate.calendar import Calendar, make_calendar
from homeenergy.simulate.logger import (
    ClampFaults,
    add_spikes,
    draw_faults,
    read_clamp,
    written_rows,
)
from homeenergy.units import S_PER_H, WH_PER_KWH


@dataclass(frozen=True, slots=True, kw_only=True)
class CircuitPlan:
    """One circuit of the panel.

    `clamp_on` says what the clamp sees: the whole circuit, or the first of its two legs only.
    `multiplier` and `season` are what a careful person writes into house.toml.
    """

    name: str
    appliance: str
    kind: str
    draw: Draw | Literal["heat_pump"]
    seed: int
    legs: tuple[str, ...]
    breaker_a: int
    rating_a: int
    clamp_on: Literal["all legs", "first leg"] = "all legs"
    backwards: bool = False
    multiplier: float = 1.0
    spikes: int = 3
    season: Seasonality | None = None


def panel(*rows: tuple[Any, ...], breaker_a: int = 16, rating_a: int = 20) -> list[CircuitPlan]:
    """Circuits from a table of a panel, the first with seed 1.

    A row holds the name, what a person calls the appliance, its name in `appliance_names`, the legs
    and, where it differs, more of the fields of `CircuitPlan`.
    """
    plans = []
    for seed, (name, appliance, load, legs, *more) in enumerate(rows, start=1):
        kind, draw = APPLIANCES[load]
        settings: dict[str, Any] = {"draw": draw, "breaker_a": breaker_a, "rating_a": rating_a}
        settings |= more[0] if more else {}
        plans.append(
            CircuitPlan(
                name=name,
                appliance=appliance,
                kind=kind,
                seed=seed,
                legs=tuple(legs.split()),
                **settings,
            )
        )
    return plans


@dataclass(frozen=True, slots=True, kw_only=True)
class MainsPlan:
    """The clamp on one leg of the supply, and what that leg feeds that no other clamp sees."""

    name: str
    leg: str
    rating_a: int
    step_w: float
    unmonitored: tuple[tuple[int, Draw], ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Hole:
    """A stretch that was not logged: at a local time, or inside a run of a circuit.

    With `circuit_only` just that circuit's readings are missing, else all of them.
    """

    minutes: float
    local_time: str | None = None
    circuit: str | None = None
    run: int = 0
    into_run: float = 0.5
    circuit_only: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class HousePlan:
    """A whole house with its supply, tariff, weather, logger and meter."""

    name: str
    title: str
    timezone: str
    start: str
    days: int
    period_s: int
    seed: int
    system: Literal["single-phase", "split-phase", "three-phase"]
    volts_v: int
    frequency_hz: int
    currency: str
    price_per_kwh: float
    standing_per_day: float
    outdoor_mean_c: float
    outdoor_trend_c_per_day: float
    meter_starts_at_kwh: float
    circuits: tuple[CircuitPlan, ...]
    mains: tuple[MainsPlan, ...]
    holes: tuple[Hole, ...]
    dropped: int
    repeated: int
    late: int
    keep_order: tuple[str, str] | None = None


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class SimulatedHouse:
    """A house as it was and as it was logged.

    Attributes
    ----------
    plan : HousePlan
        What it was built from.
    calendar : Calendar
        Its local days.
    outdoor_c : numpy.ndarray, shape (hours + 1,)
        Outdoor temperature at full hours [deg C].
    readings_w : dict of numpy.ndarray, shape (n,)
        What each clamp's log would hold without a gap, mains included [W].
    rows : numpy.ndarray
        Sample in each row of the log, in the order in which the rows were written.
    missing : tuple of (str, int, int)
        Circuit and samples [first, stop) for which its readings are empty.
    gaps : tuple of (int, int)
        Samples [first, stop) for which nothing was logged.
    faults : dict of ClampFaults
        Of each circuit's clamp, mains included.
    runs, standby, spikes, bench : pandas.DataFrame
        The truth about runs, idle draw and spikes; comparisons with a reference meter.
    leg_kwh : pandas.DataFrame
        True energy of each circuit on each leg; the circuit "(unmonitored)" is what no clamp but
        those of the mains saw.
    meter_wh : numpy.ndarray, shape (n + 1,)
        True energy of the whole house up to each sample [Wh].
    """

    plan: HousePlan
    calendar: Calendar
    outdoor_c: NDArray[np.float64]
    readings_w: dict[str, Watts]
    rows: NDArray[np.int64]
    missing: tuple[tuple[str, int, int], ...]
    gaps: tuple[tuple[int, int], ...]
    faults: dict[str, ClampFaults]
    runs: pd.DataFrame
    standby: pd.DataFrame
    spikes: pd.DataFrame
    bench: pd.DataFrame
    leg_kwh: pd.DataFrame
    meter_wh: NDArray[np.float64]

    def instant(self, sample: int) -> pd.Timestamp:
        """Instant (UTC) at which a sample begins."""
        return self.calendar.start + pd.Timedelta(seconds=int(sample) * self.plan.period_s)


@dataclass(slots=True, kw_only=True)
class _Ledger:
    """What is gathered circuit by circuit."""

    legs_w: dict[str, Watts]
    readings_w: dict[str, Watts] = field(default_factory=dict)
    faults: dict[str, ClampFaults] = field(default_factory=dict)
    runs: list[pd.DataFrame] = field(default_factory=list)
    standby: list[tuple[str, float, float, float]] = field(default_factory=list)
    spikes: list[tuple[str, int]] = field(default_factory=list)
    bench: list[tuple[str, float, float]] = field(default_factory=list)
    leg_kwh: list[tuple[str, str, float]] = field(default_factory=list)


def simulate_house(plan: HousePlan) -> SimulatedHouse:
    """Build the house that `plan` describes; the same plan gives the same numbers.

    Notes
    -----
    Linear in the number of seconds and circuits. One circuit at a time is held at 1 s, in float64;
    all the others at the period of the log.
    """
    calendar = make_calendar(plan.start, days=plan.days, timezone=plan.timezone)
    outdoor_c = outdoor_celsius(
        calendar,
        seed=plan.seed,
        mean_c=plan.outdoor_mean_c,
        daily_swing_c=9.0,
        trend_c_per_day=plan.outdoor_trend_c_per_day,
    )
    n = calendar.n_s // plan.period_s
    ledger = _Ledger(legs_w={m.leg: np.zeros(n) for m in plan.mains})
    for circuit in plan.circuits:
        draw = circuit.draw
        if draw == "heat_pump":
            make = draw_make(np.random.default_rng([plan.seed, circuit.seed]))
            draw = partial(run_heat_pump, make=make, outdoor_c=outdoor_c)
        _add_circuit(ledger, plan, circuit, draw=draw, calendar=calendar)
    _add_mains(ledger, plan, calendar)
    runs = pd.concat(ledger.runs, ignore_index=True)
    house_w = np.sum(list(ledger.legs_w.values()), axis=0)
    holes = [(hole, *_samples(hole, plan, runs, calendar)) for hole in plan.holes]
    gaps = tuple((lo, hi) for hole, lo, hi in holes if not hole.circuit_only)
    return SimulatedHouse(
        plan=plan,
        calendar=calendar,
        outdoor_c=outdoor_c,
        readings_w=ledger.readings_w,
        rows=written_rows(
            n,
            gaps,
            dropped=plan.dropped,
            repeated=plan.repeated,
            late=plan.late,
            keep_order=_kept_in_order(plan, calendar),
            rng=np.random.default_rng([plan.seed, 4002]),
        ),
        missing=tuple((str(h.circuit), lo, hi) for h, lo, hi in holes if h.circuit_only),
        gaps=gaps,
        faults=ledger.faults,
        runs=runs,
        standby=pd.DataFrame(ledger.standby, columns=["circuit", "standby_w", "level_w", "share"]),
        spikes=pd.DataFrame(ledger.spikes, columns=["circuit", "sample"]),
        bench=pd.DataFrame(ledger.bench, columns=["circuit", "reference_w", "clamp_w"]),
        leg_kwh=pd.DataFrame(ledger.leg_kwh, columns=["circuit", "leg", "energy_kwh"]),
        meter_wh=np.r_[0.0, np.cumsum(house_w) * plan.period_s / S_PER_H],
    )


def _add_circuit(
    ledger: _Ledger, plan: HousePlan, circuit: CircuitPlan, *, draw: Draw, calendar: Calendar
) -> None:
    rng = np.random.default_rng([plan.seed, circuit.seed, 1])
    canvas = Canvas(calendar)
    draw(canvas, np.random.default_rng([plan.seed, circuit.seed, 2]))
    done = finish(canvas, name=circuit.name, kind=circuit.kind, rng=rng)
    true_w = average(canvas.watts, plan.period_s)
    first_w = true_w
    if len(circuit.legs) == 2:
        # Across both legs the current is the same in each, so each carries half of the power.
        whole = canvas.first_leg_w is None
        first_w = true_w / 2 if whole else average(canvas.first_leg_w, plan.period_s)  # type: ignore[arg-type]
    for leg, leg_w in zip(circuit.legs, (first_w, true_w - first_w), strict=False):
        ledger.legs_w[leg] += leg_w
        ledger.leg_kwh.append((circuit.name, leg, _kwh(leg_w, plan)))
    seen_w = true_w if circuit.clamp_on == "all legs" else first_w
    volts_v = plan.volts_v * (len(circuit.legs) if circuit.clamp_on == "all legs" else 1)
    faults = draw_faults(
        rng, rating_a=circuit.rating_a, volts_v=volts_v, backwards=circuit.backwards
    )
    reading = read_clamp(seen_w, faults, rng=rng)
    ledger.bench += _bench(circuit.name, true_w, reading, plan=plan, rng=rng)
    largest_w = min(4900.0, faults.clip_w)
    spikes = add_spikes(reading, count=circuit.spikes, largest_w=largest_w, rng=rng)
    ledger.spikes += [(circuit.name, int(at)) for at in spikes]
    ledger.readings_w[circuit.name] = reading.astype(np.float32)
    ledger.faults[circuit.name] = faults
    ledger.runs.append(done.runs.assign(circuit=circuit.name))
    for level_w, share in done.standby_levels or ((float("nan"), float("nan")),):
        ledger.standby.append((circuit.name, done.standby_w, level_w, share))


def _add_mains(ledger: _Ledger, plan: HousePlan, calendar: Calendar) -> None:
    for number, mains in enumerate(plan.mains):
        rng = np.random.default_rng([plan.seed, 3000 + number])
        rest_w = np.zeros(ledger.legs_w[mains.leg].size)
        for seed, draw in mains.unmonitored:
            canvas = Canvas(calendar)
            draw(canvas, np.random.default_rng([plan.seed, seed, 2]))
            rest_w += average(canvas.watts, plan.period_s)
        ledger.leg_kwh.append(("(unmonitored)", mains.leg, _kwh(rest_w, plan)))
        ledger.legs_w[mains.leg] += rest_w
        faults = draw_faults(
            rng, rating_a=mains.rating_a, volts_v=plan.volts_v, step_w=mains.step_w
        )
        ledger.faults[mains.name] = faults
        reading = read_clamp(ledger.legs_w[mains.leg], faults, rng=rng)
        ledger.readings_w[mains.name] = reading.astype(np.float32)


def _kwh(watts: Watts, plan: HousePlan) -> float:
    return float(watts.sum()) * plan.period_s / S_PER_H / WH_PER_KWH


def _bench(
    name: str, true_w: Watts, reading_w: Watts, *, plan: HousePlan, rng: np.random.Generator
) -> list[tuple[str, float, float]]:
    """Compare, at some steady loads, the log with a reference meter good to 0.2 %."""
    n = max(1, 60 // plan.period_s)
    minutes_w = true_w[: true_w.size // n * n].reshape(-1, n)
    steady = np.ptp(minutes_w, axis=1) < 0.02 * minutes_w.mean(axis=1)
    if n == 1:
        steady = np.abs(np.diff(true_w, prepend=0.0)) < 0.02 * true_w
    load_w = minutes_w.mean(axis=1)
    # Below some tens of watts whole-watt steps would say nothing about the ratio.
    worth_w = max(40.0, 0.25 * float(np.quantile(true_w, 0.999)))
    loads = np.flatnonzero(steady & (load_w > worth_w))
    if loads.size < 4:
        return []
    # From the lightest to the heaviest, so that ratio and offset can be separated.
    ordered = loads[np.argsort(load_w[loads], kind="stable")]
    found = []
    for part in np.array_split(ordered, 4):
        minute = int(rng.choice(part))
        reference_w = float(minutes_w[minute].mean()) * (1 + rng.normal(0.0, 0.001))
        clamp_w = float(reading_w[minute * n : (minute + 1) * n].mean())
        found.append((name, round(reference_w, 1), round(clamp_w, 1)))
    return found


def _samples(
    hole: Hole, plan: HousePlan, runs: pd.DataFrame, calendar: Calendar
) -> tuple[int, int]:
    if hole.local_time is not None:
        begins = pd.Timestamp(hole.local_time, tz=plan.timezone)
    else:
        run = runs[runs["circuit"] == hole.circuit].iloc[hole.run]
        begins = run["start"] + hole.into_run * (run["end"] - run["start"])
    first = int((begins - calendar.start).total_seconds()) // plan.period_s
    return first, first + round(hole.minutes * 60 / plan.period_s)


def _kept_in_order(plan: HousePlan, calendar: Calendar) -> tuple[int, int]:
    """Give the samples of the night in which only order distinguishes equal local times."""
    if plan.keep_order is None:
        return (0, 0)
    times = [pd.Timestamp(t, tz=plan.timezone) for t in plan.keep_order]
    first, stop = ((t - calendar.start).total_seconds() // plan.period_s for t in times)
    return int(first), int(stop)
