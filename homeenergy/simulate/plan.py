"""Plan of a simulated house: what hangs on which circuit, and how it is logged."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Literal

import numpy as np

from homeenergy.simulate.circuit import Canvas

Draw = Callable[[Canvas, np.random.Generator], None]


@dataclass(frozen=True, slots=True, kw_only=True)
class CircuitPlan:
    """One circuit of the panel.

    `clamp_on` says what the clamp sees: the whole circuit, or the first of its two legs only.
    `multiplier` is what a careful person writes into house.toml.
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
