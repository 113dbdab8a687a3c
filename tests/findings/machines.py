"""A house of machines that are used once a day, whose energies are known by hand."""

import numpy as np

from .small_house import made_house

DAYS = 35
LONG, SHORT = (90, 1000.0), (30, 1000.0)  # minutes, watts: 1.5 and 0.5 kWh


def machine(uses, *, seed, rest_w=1.0):
    """Watts in minutes of a machine used once a day at ten, longer or shorter by chance."""
    rng = np.random.default_rng(seed)
    watts = np.full(DAYS * 1440, rest_w)
    for day, (minutes, level_w) in enumerate(uses):
        at = day * 1440 + 600
        # Two parts, so that it is a programme and not one block.
        lasts = round(minutes * rng.normal(1, 0.04))
        watts[at : at + lasts] = level_w * rng.normal(1, 0.02)
        watts[at + lasts : at + lasts + 10] = 150
    return np.round(watts)


def weekends(uses, other):
    """The same, with another use on Saturdays and Sundays; 2 March 2026 is a Monday."""
    return [other if day % 7 >= 5 else uses for day in range(DAYS)]


def build(folder, *, currency="EUR", seed=1):
    taken = [LONG if day % 2 else SHORT for day in range(DAYS)]
    watts = {
        "washer": machine(taken, seed=seed),
        "dryer": machine([SHORT] * DAYS, seed=seed + 1),
        "oven": machine(weekends(SHORT, LONG), seed=seed + 2),
    }
    clamps = {
        "washer": 'kind = "batch"\nclamp = { uncertainty = 0.02 }',
        "dryer": 'kind = "batch"',
        "oven": 'kind = "batch"',
    }
    return made_house(folder, watts, tariff=(currency, 0.2), circuits=clamps)
