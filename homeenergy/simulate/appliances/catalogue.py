"""All appliances that can be simulated, by name."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from types import MappingProxyType
from zlib import crc32

import numpy as np

from homeenergy.simulate.appliances import compressors, heating, small, washing
from homeenergy.simulate.appliances.circuit import Canvas, SimulatedCircuit, finish
from homeenergy.simulate.calendar import make_calendar

Draw = Callable[[Canvas, np.random.Generator], None]

APPLIANCES: Mapping[str, tuple[str, Draw]] = MappingProxyType(
    {
        "refrigerator": ("thermostatic", compressors.refrigerator),
        "freezer": ("thermostatic", compressors.freezer),
        "dehumidifier": ("thermostatic", compressors.dehumidifier),
        "water_heater": ("thermostatic", heating.water_heater),
        "space_heater": ("thermostatic", heating.space_heater),
        "well_pump": ("thermostatic", small.well_pump),
        "sump_pump": ("thermostatic", small.sump_pump),
        "washing_machine": ("batch", washing.washing_machine),
        "tumble_dryer": ("batch", washing.tumble_dryer),
        "dishwasher": ("batch", washing.dishwasher),
        "kiln": ("batch", heating.kiln),
        "car_charger": ("batch", small.car_charger),
        "oven": ("manual", heating.oven),
        "hob": ("manual", heating.hob),
        "kettle": ("manual", small.kettle),
        "toaster": ("manual", small.toaster),
        "microwave": ("manual", small.microwave),
        "coffee_machine": ("manual", small.coffee_machine),
        "iron": ("manual", heating.iron),
        "vacuum_cleaner": ("manual", small.vacuum_cleaner),
        "bathroom_fan": ("manual", small.bathroom_fan),
        "television": ("manual", small.television),
        "computer": ("manual", small.computer),
        "lights": ("manual", small.lights),
        "heat_pump": ("modulating", heating.heat_pump),
        "router": ("continuous", small.router),
        "constant_draw": ("continuous", small.constant_draw),
        "ventilation": ("continuous", small.ventilation),
    }
)


# What a seed is mixed with, where it is not the CRC-32 of the name.
SALTS = {"constant_draw": 1660279185}


def appliance_names() -> tuple[str, ...]:
    """Names that `simulate_appliance` knows."""
    return tuple(APPLIANCES)


def simulate_appliance(
    name: str,
    *,
    days: int,
    seed: int,
    period_s: float = 1.0,
    start: str = "2026-03-02",
    timezone: str = "UTC",
    noise_w: float = 0.0,
    resolution_w: float = 0.0,
) -> SimulatedCircuit:
    """Simulate one appliance of a make drawn from `seed`, with every run known.

    A run is one use as its owner would count it: a programme with its pauses, a boil, one
    on-period of a compressor, a session at the coffee machine. Anti-crease turns and the run-on
    of a fan belong to the run; the draw of a display that says "finished" does not.

    Parameters
    ----------
    name : str
        One of `appliance_names()`.
    days : int
        Whole local days.
    seed : int
        The same seed gives the same make, habits and seconds.
    period_s : float
        Length of a sample [s], whole seconds; longer ones are means of the 1 s power.
    start : str
        First local date.
    timezone : str
        Zone of the household.
    noise_w : float
        Standard deviation of white noise added to each sample of the trace [W].
    resolution_w : float
        Step to which the trace is rounded [W]; 0 leaves it as it is.

    Returns
    -------
    SimulatedCircuit
        Energies of its runs are of the true power, whatever noise and rounding were asked for.

    Raises
    ------
    ValueError
        For an unknown name, or a period that is not a whole number of seconds.

    Notes
    -----
    Complexity and memory are linear in the number of seconds.
    """
    if name not in APPLIANCES:
        raise ValueError(f"no appliance {name!r}; choose one of {', '.join(APPLIANCES)}")
    if period_s < 1 or period_s != int(period_s):
        raise ValueError(f"period_s must be a whole number of seconds, got {period_s!r}")
    kind, draw = APPLIANCES[name]
    salt = SALTS.get(name, crc32(name.encode()))
    canvas = Canvas(make_calendar(start, days=days, timezone=timezone))
    draw(canvas, np.random.default_rng([seed, salt]))
    return finish(
        canvas,
        name=name,
        kind=kind,
        period_s=int(period_s),
        noise_w=noise_w,
        resolution_w=resolution_w,
        rng=np.random.default_rng([seed, salt, 1]),
    )
